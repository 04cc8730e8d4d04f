"""Diagnose a session for the imager: tilt, off-axis stars, drift of focus, dust that moved since the flats.

Only a record comes of it; nothing that is stacked depends on it.
"""

import numpy as np

from pipeline import qa
from pipeline.calibration import Calibrator
from pipeline.errors import InputError, StageError
from pipeline.field_words import drift_finding, dust_finding, shape_findings
from pipeline.master_checks import check_thermal
from pipeline.numerics.cfa import Cfa
from pipeline.numerics.dust import block_map, dust_match
from pipeline.numerics.field_shape import field_shape
from pipeline.numerics.focus_drift import drift
from pipeline.numerics.moffat_fit import fit_moffat
from pipeline.numerics.verdict import ACCEPT
from pipeline.plan import load_session
from pipeline.progress import progress
from pipeline.session_masters import read_masters
from pipeline.tables import read_table
from pipeline.timestamps import hours_of

__all__ = ["run"]

LIGHTS = 8
"""Lights looked at, spread over the session; shapes are known to a tenth of what a single one gives, in seconds."""

STARS = 300
"""Brightest stars fitted in each; they cover every corner of a field."""

STAR_SNR = 25.0
"""Stars below tell little about their shape: the elongation of one is off by a few per cent."""

REACH_FWHM, LEAST_REACH_PX = 2.5, 4.0
"""Half width of the fitted square, in FWHM and at least in pixels: holds the wings, not yet the neighbours."""

MASK_FWHM = 3.0
"""Radius about every listed star that says nothing of the background."""

BRIGHT_SNR, BRIGHT_MASK_FWHM = 300.0, 10.0
"""Brighter stars have wings that reach further."""

LEAST_RANGE_C = 1.0
"""Over a smaller range focus hardly moves. A sensor that is cooled to a fixed temperature stays within it and so tells
nothing of the tube's temperature; an uncooled one follows it."""


def run(layout, unit, settings):
    """Diagnose session ``unit``."""
    with qa.record(layout, "diagnose", unit) as record:
        plan = load_session(layout.session_plan(unit))
        table, stars = read_table(layout.measured(unit)), read_table(layout.stars(unit))
        for path in (layout.session_plan(unit), layout.measured(unit), layout.stars(unit)):
            record.input(path)
        rows = [k for k, verdict in enumerate(table["verdict"]) if verdict == ACCEPT]
        if not rows:
            record.flag(
                "no_lights", "info", f"No light of {unit} was accepted, so there is nothing to diagnose."
            )
            return
        masters = read_masters(plan, layout)
        if "dark" in masters and "bias" in masters:
            check_thermal(record, masters["dark"], masters["bias"], Cfa(plan.cfa))
        calibrator = Calibrator.for_session(plan, layout, settings, masters=masters)
        del masters
        chosen = [rows[k] for k in np.unique(np.linspace(0, len(rows) - 1, LIGHTS).astype(int))]
        shapes, maps = [], []
        for k in progress(chosen, f"diagnose {unit}"):
            frame = plan.frames[int(table["frame"][k])]
            try:
                pixels = calibrator.calibrate(frame)
            except (InputError, StageError) as error:
                record.flag("frame_unreadable", "warn", str(error))
                continue
            own = stars[stars["frame"] == table["frame"][k]]
            usable = ~(pixels.invalid | pixels.saturated)
            width = float(table["fwhm_px"][k])
            shapes.append((k, *_star_shapes(pixels.value, usable, calibrator.cfa, own, width)))
            maps.append(_background(pixels.value, usable, calibrator.cfa, own, width))
        _record_shape(record, shapes, (plan.height, plan.width))
        _record_drift(record, plan, table, rows)
        if isinstance(calibrator.flat, np.ndarray) and maps:
            match = dust_match(maps, block_map(calibrator.flat, ~calibrator.invalid))
            record.metrics(
                {
                    "dust_left": match.beta,
                    "dust_left_err": match.beta_err,
                    "dust_deepest": match.deepest,
                    "dust_blocks": match.shadow_blocks,
                }
            )
            record.flag(**dust_finding(match))


def _star_shapes(value, usable, cfa, stars, width):
    """(x, y, fwhm, e1, e2) of one light's good stars, fitted one by one; of a colour sensor in green alone, since colours
    that do not fall on one place (lateral colour, the air's dispersion) would draw the stars out.
    """
    if not cfa.is_mono:
        green = np.zeros_like(usable)
        for dy, dx in cfa.offsets("G"):
            green[dy::2, dx::2] = usable[dy::2, dx::2]
        usable = green
    radius = max(REACH_FWHM * width, LEAST_REACH_PX)
    ny, nx = value.shape
    x, y = np.asarray(stars["x"], dtype=float), np.asarray(stars["y"], dtype=float)
    good = (stars["flags"] == 0) & (stars["snr"] > STAR_SNR)
    good &= (x > radius + 2) & (x < nx - radius - 3) & (y > radius + 2) & (y < ny - radius - 3)
    chosen = np.flatnonzero(good)[:STARS]
    fits = fit_moffat(value, usable, cfa.cell, x[chosen], y[chosen], fwhm_guess=width, radius=radius)
    return tuple(column[fits.ok] for column in (fits.x, fits.y, fits.fwhm, fits.e1, fits.e2))


def _background(value, usable, cfa, stars, width):
    """Block map of the background between the stars, every colour in units of its own level."""
    clear, relative = usable.copy(), np.empty_like(value)
    for channel in cfa.channels:
        planes = zip(cfa.planes(value, channel), cfa.planes(usable, channel), strict=True)
        level = np.median([np.median(plane[good][::7]) for plane, good in planes if good.any()])
        for dy, dx in cfa.offsets(channel):
            relative[dy::2, dx::2] = value[dy::2, dx::2] / level if level > 0 else np.nan
    clear &= np.isfinite(relative)
    for x, y, snr in zip(stars["x"], stars["y"], stars["snr"], strict=True):
        reach = int(np.ceil((BRIGHT_MASK_FWHM if snr > BRIGHT_SNR else MASK_FWHM) * width))
        top, left = max(0, round(float(y)) - reach), max(0, round(float(x)) - reach)
        clear[top : round(float(y)) + reach + 1, left : round(float(x)) + reach + 1] = False
    return block_map(relative, clear)


def _record_shape(record, shapes, shape):
    columns = [np.concatenate([entry[c] for entry in shapes] or [np.zeros(0)]) for c in range(1, 6)]
    light = np.concatenate([np.full(len(entry[1]), entry[0]) for entry in shapes] or [np.zeros(0, int)])
    found = field_shape(light, *columns, shape)
    record.metric("lights_fitted", len(shapes))
    if found is not None:
        record.metrics(found.as_metrics())
    for flag in shape_findings(found):
        record.flag(**flag)


def _record_drift(record, plan, table, rows):
    width = np.asarray(table["fwhm_px"][rows], dtype=float)
    hours = hours_of(table["start_utc"][rows])
    usual = float(np.nanmedian(width)) if np.isfinite(width).any() else np.nan
    quantities = [("time", "hour", hours)]
    lights = [plan.frames[int(table["frame"][k])] for k in rows]
    # The thermometer at the focuser or in the air, where there is one, tells more of the tube than the sensor.
    outside = [light.outside_c for light in lights]
    told = (
        outside if any(value is not None for value in outside) else [light.temperature_c for light in lights]
    )
    temperature = np.array([np.nan if value is None else value for value in told], dtype=float)
    if np.isfinite(temperature).any() and np.nanmax(temperature) - np.nanmin(temperature) >= LEAST_RANGE_C:
        quantities.append(("temperature", "degree", temperature))
    for what, unit, quantity in quantities:
        found = drift(quantity, width)
        if found is not None:
            record.metrics(
                {
                    f"focus_{what}_slope_px_per_{unit}": found.slope,
                    f"focus_{what}_slope_err_px_per_{unit}": found.slope_err,
                    f"focus_{what}_change_px": found.change_px,
                    f"focus_{what}_sigma": found.sigma,
                }
            )
        record.flag(**drift_finding(found, unit=unit, what=what, width_px=usual, seen=len(rows)))
