"""The filter bench: what each filter set brought, at equal exposure, from its own stack and lights.

Everything is either a rate (which does not depend on exposure) or scaled to one hour by the square-root law,
noise(1 h) = noise(t) sqrt(t / 1 h), with t the integration time that was used.
"""

import math
from dataclasses import dataclass

import numpy as np

from pipeline.numerics.robust import mad_std
from pipeline.report_page.halo import INNER, OUTER
from pipeline.report_page.quantities import (
    ELECTRON_RATE,
    HOUR,
    PIXEL,
    Quantity,
    measured,
    unmeasured,
)
from pipeline.report_page.regions import finite_median

__all__ = ["BenchRow", "bench"]

SECONDS_PER_HOUR = 3600.0

SIGNAL_ROWS = (
    ("signal_{}_e_s", "Signal", "median above the flattened background, in the channel where it is clearest"),
    ("contrast_{}", "Contrast", "that signal over the sky level of the same channel"),
    (
        "signal_to_noise_one_hour_{}",
        "Signal-to-noise after one hour",
        "of a block of 8 × 8 pixels, in that channel",
    ),
)
"""Rows of each region: key, title, note; in the order that ``_signal`` returns the cells."""


@dataclass(frozen=True)
class BenchRow:
    """One line of the bench.

    Attributes
    ----------
    key : name for programs, with the unit at its end
    title, note : what it is and how it was found
    cells : one per filter set; each a tuple of (label, Quantity), label "" or a channel
    """

    key: str
    title: str
    note: str
    cells: tuple[tuple[tuple[str, Quantity], ...], ...]


def bench(evidence, flats, compared, halos):
    """Rows of the bench, a column per filter set of the evidence.

    Parameters
    ----------
    evidence : Evidence
    flats : dict filter set name -> BlockMap
    compared : list of Region
    halos : dict filter set name -> Quantity

    Returns
    -------
    list of BenchRow
    """

    def row(key, title, note, cell):
        cells = tuple(cell(each, flats.get(each.name)) for each in evidence.filter_sets)
        return BenchRow(key, title, note, cells)

    def recorded(stage, prefix, unit, missing):
        return lambda each, _: _recorded(evidence.record(stage, each.name), prefix, unit, missing)

    no_flat = "no flattened stack"
    rows = [
        row(
            "integration_h",
            "Integration",
            "exposure of the lights that were used",
            lambda s, _: _single(_hours(s)),
        ),
        row("sky_e_s", "Sky", "median of the used lights, ± their scatter", _sky),
        row(
            "gradient_before_e_s",
            "Gradient in the stack",
            "range over the field of the smooth background that was subtracted",
            recorded("flatten", "gradient_before_e_s", ELECTRON_RATE, no_flat),
        ),
        row(
            "gradient_after_e_s",
            "Gradient left",
            "range over the field of a plane through what the background model leaves of the free sky",
            recorded("flatten", "gradient_after_e_s", ELECTRON_RATE, no_flat),
        ),
        row(
            "noise_one_hour_e_s",
            "Noise after one hour",
            "per pixel, from the variance, scaled to one hour",
            _noise,
        ),
        row(
            "noise_ratio_block8",
            "Noise over the ideal",
            "measured in blocks of 8 × 8 pixels, over what the camera model allows",
            recorded("stack_filter_set", "noise_ratio_block8", "", "no finished stack"),
        ),
        row(
            "fwhm_px",
            "Star width",
            "full width at half maximum, median of the used lights, ± their scatter",
            _width,
        ),
    ]
    for region in compared:
        for part, (key, title, note) in enumerate(SIGNAL_ROWS):
            rows.append(
                row(
                    key.format(region.key),
                    f"{title}, {region.name}",
                    note,
                    lambda s, flat, region=region, part=part: _signal(s, flat, region)[part],
                )
            )
    halo_note = (
        f"share between {INNER:g} and {OUTER:g} star widths of a bright star's light, ± standard error"
    )
    rows.append(row("halo_percent", "Halo", halo_note, lambda s, _: _single(halos[s.name])))
    return rows


def _single(quantity):
    return (("", quantity),)


def _absent(reason):
    return _single(unmeasured(reason))


def _hours(filter_set):
    if not filter_set.used:
        return unmeasured("no usable light")
    return measured(filter_set.used_s / SECONDS_PER_HOUR, HOUR)


def _sky(filter_set, _):
    channels = sorted({c for light in filter_set.used for c in light.by_channel("sky_e_s")}, key="LRGB".index)
    if not channels:
        return _absent("no measured light")
    cells = []
    for channel in channels:
        levels = [light.by_channel("sky_e_s").get(channel) for light in filter_set.used]
        levels = [level for level in levels if level is not None]
        spread = mad_std(levels) if len(levels) > 1 else None
        cells.append((channel, measured(np.median(levels), ELECTRON_RATE, spread)))
    return tuple(cells)


def _width(filter_set, _):
    widths = [light.number("fwhm_px") for light in filter_set.used]
    widths = [width for width in widths if width is not None]
    if not widths:
        return _absent("no measured star")
    return _single(measured(np.median(widths), PIXEL, mad_std(widths) if len(widths) > 1 else None))


def _recorded(record, prefix, unit, missing):
    """Cells from the metrics ``<prefix>_<channel>`` of a QA record."""
    found = {} if record is None else {c: record.number(f"{prefix}_{c}") for c in "LRGB"}
    cells = tuple((channel, measured(value, unit)) for channel, value in found.items() if value is not None)
    return cells or _absent(missing)


def _noise(filter_set, flat):
    if flat is None or not filter_set.used_s:
        return _absent("no flattened stack")
    scale = math.sqrt(filter_set.used_s / SECONDS_PER_HOUR)
    return tuple(
        (channel, measured(noise * scale, ELECTRON_RATE))
        for channel, noise in zip(flat.channels, flat.pixel_noise, strict=True)
    )


def _signal(filter_set, flat, region):
    """Cells for signal, contrast and signal-to-noise after one hour."""
    if flat is None or not filter_set.used_s:
        return (_absent("no flattened stack"),) * 3
    if region.mask.shape != flat.value.shape[1:]:
        return (_absent("another size than the line map"),) * 3
    clearest, label, best = None, "", -np.inf
    for channel, plane, significance in zip(flat.channels, flat.value, flat.significance, strict=True):
        ratio = finite_median(significance[region.mask])
        if np.isfinite(ratio) and ratio > best:
            clearest, label, best = plane[region.mask], channel, ratio
    if clearest is None:
        return (_absent("not covered"),) * 3
    clearest = clearest[np.isfinite(clearest)]
    signal = finite_median(clearest)
    # Standard error of a median; the scatter inside the region is the object's own structure, mostly.
    error = math.sqrt(math.pi / 2) * mad_std(clearest) / math.sqrt(clearest.size)
    skies = [
        level for light in filter_set.used if (level := light.by_channel("sky_e_s").get(label)) is not None
    ]
    contrast = (
        measured(signal / np.median(skies)) if skies and np.median(skies) > 0 else unmeasured("no sky level")
    )
    per_hour = measured(best / math.sqrt(filter_set.used_s / SECONDS_PER_HOUR))
    return ((label, measured(signal, ELECTRON_RATE, error)),), ((label, contrast),), ((label, per_hour),)
