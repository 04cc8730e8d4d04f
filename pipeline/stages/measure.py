"""Measure a session: stars, sky and faults of every light, and a verdict on each.

A frame that is rejected stays in the table with its reason; nothing else about the work changes.
"""

import numpy as np
from astropy.table import Table

from pipeline import qa
from pipeline.calibration import Calibrator
from pipeline.errors import InputError, StageError
from pipeline.numerics.frame_measurement import FrameMeasurement, measure_frame
from pipeline.numerics.verdict import ACCEPT, judge, rank_transparency
from pipeline.numerics.vetting import FLAG_SATURATED
from pipeline.plan import load_session
from pipeline.progress import progress
from pipeline.tables import write_table

__all__ = ["run"]

MEDIANS = (
    "fwhm_px",
    "moffat_beta",
    "elongation",
    "gradient_e_s",
    "limiting_flux_e_s",
    "n_stars",
    "relative_star_flux",
)
"""Columns whose session medians go into the QA record."""

PER_CHANNEL_MEDIANS = ("sky_e_s", "noise_e_s")
"""The same for columns with a channel."""


def run(layout, unit, settings):
    """Measure session ``unit``."""
    with qa.record(layout, "measure", unit) as record:
        plan = load_session(layout.session_plan(unit))
        record.input(layout.session_plan(unit))
        for name in sorted({name for name in plan.masters.values() if name}):
            record.input(layout.master(name))
        for note in plan.notes:
            record.flag(**note)
        calibrator = Calibrator.for_session(plan, layout, settings)
        for note in calibrator.notes:
            record.flag(**note)
        measurements = [
            _measured(calibrator, frame, settings["measure"])
            for frame in progress(plan.frames, f"measure {unit}")
        ]
        table = measured_table(plan, measurements, calibrator.cfa.channels, settings["measure"])
        write_table(layout.measured(unit), table)
        write_table(layout.stars(unit), stars_table(measurements, calibrator.cfa.channels))
        _record(record, table, measurements, calibrator)


def measured_table(plan, measurements, channels, options):
    """A row for each light: identity, measurements, verdict and reason.

    Parameters
    ----------
    plan : SessionPlan
    measurements : list of FrameMeasurement, one a frame
    channels : names
    options : the settings of section "measure"
    """
    transparency = rank_transparency([_brightness(each.stars, channels) for each in measurements])
    verdicts = judge(
        [each.values for each in measurements], transparency, [each.problem for each in measurements], options
    )
    table = Table(meta={"session": plan.name, "filter_set": plan.filter_set, "channels": list(channels)})
    table["frame"] = np.arange(len(plan.frames), dtype=np.int32)
    table["path"] = [frame.path for frame in plan.frames]
    table["start_utc"] = [frame.start_utc for frame in plan.frames]
    table["exposure_s"] = [float(frame.exposure_s) for frame in plan.frames]
    for name in _columns(channels):
        table[name] = [each.values[name] for each in measurements]
    for name, maps in _maps(measurements).items():
        table[name] = np.reshape(maps, (-1, 9))
    table["relative_star_flux"] = transparency
    table["verdict"] = [each.verdict for each in verdicts]
    table["reason"] = [each.reason for each in verdicts]
    return table


def stars_table(measurements, channels):
    """The stars of all frames; ``flags`` 0 marks the reliable ones, see ``numerics.vetting``."""
    names = ["x", "y", "xy_err", "peak", "snr", "fwhm", "flags"]
    names += [f"{kind}_{c}" for c in channels for kind in ("flux", "flux_err", "x", "y")]
    found = [(index, each.stars) for index, each in enumerate(measurements) if each.stars]
    table = Table()
    table["frame"] = np.concatenate(
        [np.zeros(0, np.int32), *(np.full(len(stars["x"]), index, np.int32) for index, stars in found)]
    )
    for name in names:
        kind = np.int32 if name == "flags" else np.float64
        table[name] = np.concatenate([np.zeros(0, kind), *(stars[name] for _, stars in found)]).astype(kind)
    return table


def _measured(calibrator, frame, options):
    """A frame that has become unreadable since the inventory is a rejected row, not the end of the session."""
    try:
        pixels = calibrator.calibrate(frame)
    except (InputError, StageError) as error:
        return FrameMeasurement.unmeasured(calibrator.cfa.channels, str(error))
    return measure_frame(
        pixels.value,
        pixels.invalid,
        pixels.saturated,
        calibrator.cfa,
        pixels.noise,
        options,
        flat=pixels.flat,
    )


def _brightness(stars, channels):
    """Flux of every listed star over all channels; a blend counts, a star without flux does not."""
    if not stars:
        return np.zeros(0)
    total = np.sum([stars[f"flux_{c}"] for c in channels], axis=0)
    return total[np.isfinite(total) & (total > 0)]


def _columns(channels):
    names = [
        "fwhm_px",
        "fwhm_mad_px",
        "fwhm_light_px",
        "moffat_beta",
        "elongation",
        "elongation_angle_deg",
        "n_stars",
        "n_profile_stars",
    ]
    names += [f"{kind}_{c}" for kind in PER_CHANNEL_MEDIANS for c in channels]
    return [
        *names, "gradient_e_s", "gradient_angle_deg", "saturated_fraction", "trails", "trail_ends", "limiting_flux_e_s",
    ]  # fmt: skip


def _record(record, table, measurements, calibrator):
    accepted = table["verdict"] == ACCEPT
    record.metrics({"n_frames": len(table), "n_accepted": int(accepted.sum())})
    names = [*MEDIANS, *(f"{kind}_{c}" for kind in PER_CHANNEL_MEDIANS for c in calibrator.cfa.channels)]
    for name in names:
        values = np.asarray(table[name][accepted], dtype=np.float64)
        values = values[np.isfinite(values)]
        record.metric(f"{name}_median", np.median(values) if values.size else None)
    record.metric("trails_total", int(table["trails"].sum()))
    used = [each for each, good in zip(measurements, accepted, strict=True) if good]
    for name, maps in _maps(used).items():
        record.metric(name, _field_map(maps))
    saturated = [int(np.sum(each.stars["flags"] & FLAG_SATURATED > 0)) for each in used]
    record.metric("n_saturated_stars_median", np.median(saturated) if saturated else None)
    record.metric("electrons_per_adu", calibrator.noise.electrons_per_adu)
    record.metric("electrons_per_adu_from", calibrator.sources["electrons_per_adu"])
    record.metric("read_noise_e", calibrator.noise.read_noise_e)
    record.metric("read_noise_e_from", calibrator.sources["read_noise_e"])
    for row in table:
        if row["verdict"] != ACCEPT:
            record.flag("frame_rejected", "warn", f"{row['path']}: {row['reason']}")
        elif row["reason"]:
            record.flag("frame_hazy", "info", f"{row['path']}: {row['reason']}")
    if not accepted.any():
        record.flag("no_frames", "fail", f"none of the {len(table)} lights can be used")


def _maps(measurements):
    """Column -> (3, 3) maps over the field of all frames."""
    return {
        "fwhm_field_px": [each.fwhm_map for each in measurements],
        "elongation_field": [each.elongation_map for each in measurements],
    }


def _field_map(maps):
    """Nine medians over the frames, by rows from the upper left; None where no star was fitted."""
    if not maps:
        return [None] * 9
    cells = np.stack(maps).reshape(len(maps), 9).T
    return [float(np.median(cell[np.isfinite(cell)])) if np.isfinite(cell).any() else None for cell in cells]
