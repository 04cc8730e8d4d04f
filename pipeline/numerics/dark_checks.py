"""What a dark should not show: light, or an amplifier's glow; found in a coarse map of the master.

Light that leaks in passes the colour filters, so it carries the colour pattern; or it lights the sensor from one
side, a gradient across the whole frame. An amplifier glows in the silicon, behind the filters, and next to one edge or corner.
Both are judged against the statistical error of the map and against the noise of one frame: what is far below
that noise harms no light (no source for the factors; each constant says why).
"""

from dataclasses import dataclass

import numpy as np

from pipeline.numerics.robust import mad_std
from pipeline.numerics.surface import fit_surface

__all__ = ["DarkMap", "dark_map", "odd_levels"]

CELLS = 16
"""Cells of the coarse map along each axis; an amplifier's glow reaches over one or more of them."""

LEAST_CELL_PX = 6
"""Small sensors get fewer cells: 36 pixels for a median, nine of each place of the colour pattern."""

LEAST_CELLS = 9
"""Fewer cells with a good pixel, as in a master without any value, have no structure to speak of."""

CERTAIN_SIGMA = 8.0
"""Structure below so many errors of a cell is noise; a map has 256 cells, and fixed patterns of rows and columns make
its errors larger than statistics say."""

VISIBLE_NOISE = 0.5
"""Structure below this share of the noise of one frame disappears in any light."""

BROAD_SHARE = 0.7
"""A plane that explains this share of the map's variance is a gradient across the frame; of a glow that falls off
from a corner, it explains less than half."""

COLOUR_OF_GREENS = 4.0
"""Colours must differ by this much more than the two greens do, which see the same light: readout channels have
offsets of their own."""

OWN_OFFSET_ADU = 0.5
"""Differences of the colours below this are rounding and offsets of the readout channels."""

ODD_NOISE = 1.0
"""A dark whose level is off by less than this many times the noise of a pixel cannot be told by eye either."""

ODD_SIGMA = 8.0
"""The same in robust deviations of the levels of all darks: cooling that still settles lets them drift."""


@dataclass(frozen=True)
class DarkMap:
    """Large-scale structure of a dark.

    Attributes
    ----------
    colour_adu : largest difference between the level of a colour and that of green, ADU; 0 for mono
    gradient_adu : height of the fitted plane from side to side of the frame along its slope, ADU
    gradient_angle_deg : direction in which it rises, from +x towards +y
    glow_adu : excess of the brightest cell at the rim over the middle of the frame, after the plane is taken off
    glow_place : where that cell is, in words
    coloured, tilted, glowing : True where the structure is certain and visible
    """

    colour_adu: float
    gradient_adu: float
    gradient_angle_deg: float
    glow_adu: float
    glow_place: str
    coloured: bool
    tilted: bool
    glowing: bool


def dark_map(dark, good, cfa, *, pixel_error, noise):
    """Colour, gradient and glow of a master dark, preferably with its bias taken off.

    Parameters
    ----------
    dark : (ny, nx) ADU
    good : (ny, nx) bool
    cfa : Cfa
    pixel_error : standard error of one pixel of the master, ADU
    noise : of one pixel of one frame, ADU

    Returns
    -------
    DarkMap
    """
    colour, colour_limit = _colour(dark, good, cfa, pixel_error)
    centres, cells, errors = _cells(dark, good, pixel_error)
    known = np.isfinite(cells)
    if known.sum() < LEAST_CELLS:
        return DarkMap(colour, np.nan, np.nan, np.nan, "", False, False, False)
    y, x = centres
    surface, _ = fit_surface(x[known], y[known], cells[known], order=1)
    slope = surface.coefficients[1:3]
    # Corner to corner of the unit square along the slope: |gx| + |gy| times the side, which is 2.
    gradient = 2.0 * float(np.abs(slope).sum())
    level = float(np.median(cells[known]))
    plane = surface.evaluate(x, y)
    total = float(np.nanvar(cells - level))
    left = float(np.nanvar(cells - plane))
    least = VISIBLE_NOISE * noise
    sure = CERTAIN_SIGMA * float(np.nanmedian(errors))
    tilted = gradient > max(sure, least) and total > 0 and 1.0 - left / total > BROAD_SHARE
    residual = cells - (plane if tilted else level)
    glow, place, rim_error = _rim(residual, errors, x, y)
    glowing = glow > max(CERTAIN_SIGMA * rim_error, least)
    return DarkMap(
        colour, gradient, float(np.degrees(np.arctan2(slope[1], slope[0]))), glow, place,
        colour > max(colour_limit, least), tilted, glowing,
    )  # fmt: skip


def odd_levels(levels, noise):
    """Indices of frames whose level is unlike the others' of the same master.

    Parameters
    ----------
    levels : (n,) ADU
    noise : of one pixel, ADU

    Returns
    -------
    list of int; empty for fewer than four frames, of which none can be called the odd one
    """
    levels = np.asarray(levels, dtype=np.float64)
    if levels.size < 4:
        return []
    away = levels - np.median(levels)
    limit = max(ODD_NOISE * noise, ODD_SIGMA * mad_std(levels))
    return [int(index) for index in np.flatnonzero(np.abs(away) > limit)]


def _colour(dark, good, cfa, pixel_error):
    """(largest difference of a colour from green, limit above which it is not the readout's)."""
    if cfa.is_mono:
        return 0.0, np.inf
    level, error = {}, 0.0
    for channel in cfa.channels:
        planes = zip(cfa.planes(dark, channel), cfa.planes(good, channel), strict=True)
        level[channel] = [_midmean(plane[usable]) for plane, usable in planes]
        smallest = min(int(usable.sum()) for usable in cfa.planes(good, channel))
        error = max(error, pixel_error / np.sqrt(max(smallest, 1)))
    green = float(np.mean(level["G"]))
    differences = [abs(level[channel][0] - green) for channel in ("R", "B")]
    between_greens = abs(level["G"][0] - level["G"][1])
    return max(differences), max(COLOUR_OF_GREENS * between_greens, CERTAIN_SIGMA * error, OWN_OFFSET_ADU)


def _cells(dark, good, pixel_error):
    """((y, x) centres in units of half the frame, medians, their errors) of the coarse map."""
    edges = []
    for n in dark.shape:
        count = max(3, min(CELLS, n // LEAST_CELL_PX))
        # Even edges: every cell holds the colours in equal numbers.
        edges.append(np.linspace(0, n // 2, count + 1).astype(int) * 2)
    rows, columns = edges
    cells = np.full((len(rows) - 1, len(columns) - 1), np.nan)
    errors = np.full_like(cells, np.nan)
    for i in range(len(rows) - 1):
        for j in range(len(columns) - 1):
            here = (slice(rows[i], rows[i + 1]), slice(columns[j], columns[j + 1]))
            values = dark[here][good[here]]
            if values.size:
                # The mean of the middle half: as robust as a median, and no whole number where the pixels are.
                cells[i, j], errors[i, j] = _midmean(values), 1.25 * pixel_error / np.sqrt(values.size)
    middles = [(edge[1:] + edge[:-1]) / edge[-1] - 1.0 for edge in edges]
    return np.meshgrid(*middles, indexing="ij"), cells, errors


def _rim(residual, errors, x, y):
    """(excess of the brightest rim cell over the middle, its place in words, its error)."""
    rim = np.ones(residual.shape, dtype=bool)
    rim[1:-1, 1:-1] = False
    middle = float(np.nanmedian(residual[(np.abs(x) < 0.5) & (np.abs(y) < 0.5)]))
    height = np.where(rim & np.isfinite(residual), residual, -np.inf)
    i, j = np.unravel_index(int(np.argmax(height)), height.shape)
    third = np.array(["first", "middle", "last"])
    row, column = (third[int(np.clip((value + 1) * 1.5, 0, 2))] for value in (y[i, j], x[i, j]))
    place = f"the {row} rows and {column} columns"
    return float(height[i, j] - middle), place, float(errors[i, j])


def _midmean(values):
    if values.size == 0:
        return np.nan
    ordered = np.sort(values, axis=None)
    quarter = ordered.size // 4
    return float(ordered[quarter : ordered.size - quarter].mean(dtype=np.float64))
