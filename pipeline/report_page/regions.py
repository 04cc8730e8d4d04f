"""Where in the field the signal of the filter sets is compared: on the brightest part of each line, or of the field."""

from dataclasses import dataclass

import numpy as np

from pipeline.report_page.quantities import line_label

__all__ = ["Region", "finite_median", "regions"]

REGION_SHARE = 0.1
"""A region is the brightest tenth of its map: enough blocks for a stable median, all of them clearly object."""

REGION_SIGNIFICANCE = 3.0
"""Blocks of a region are at least this many times above their noise, so that a map of pure noise has no region."""

REGION_MIN_BLOCKS = 20
"""Fewer blocks than this give no trustworthy median."""


@dataclass(frozen=True)
class Region:
    """A part of the field in which signal is compared between filter sets.

    Attributes
    ----------
    key : short name for programs, e.g. "Ha"
    name : as a reader knows it, e.g. "Ha emission"
    mask : (by, bx) bool over blocks
    """

    key: str
    name: str
    mask: np.ndarray


def regions(line_maps, flats):
    """Regions to compare signal in.

    Parameters
    ----------
    line_maps : dict line name -> BlockMap (one channel)
    flats : dict filter set -> BlockMap, deepest first; its first one serves where there is no line map

    Returns
    -------
    list of Region; empty where nothing stands out of the noise
    """
    found = [
        _region(line, f"{line_label(line)} emission", each.value[0], each.significance[0])
        for line, each in line_maps.items()
    ]
    found = [region for region in found if region is not None]
    if not found and flats:
        deepest = next(iter(flats.values()))
        best = int(np.argmax([finite_median(plane) for plane in np.abs(deepest.significance)]))
        region = _region(
            "brightest_tenth", "brightest tenth of the field", deepest.value[best], deepest.significance[best]
        )
        found = [region] if region is not None else []
    return found


def _region(key, name, value, significance):
    usable = np.isfinite(value) & np.isfinite(significance)
    if usable.sum() < REGION_MIN_BLOCKS:
        return None
    mask = (
        usable
        & (value >= np.quantile(value[usable], 1.0 - REGION_SHARE))
        & (significance >= REGION_SIGNIFICANCE)
    )
    return Region(key, name, mask) if mask.sum() >= REGION_MIN_BLOCKS else None


def finite_median(values):
    """Median of the finite values; NaN without any."""
    values = np.asarray(values)
    values = values[np.isfinite(values)]
    return float(np.median(values)) if values.size else np.nan
