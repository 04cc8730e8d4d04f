"""An image reduced to cells, whose robust location is free of stars: what the sky is modelled on."""

from dataclasses import dataclass

import numpy as np

from pipeline.numerics.surface import fit_surface

__all__ = ["Cells", "cell_table"]

SAMPLES_PER_CELL = 400
"""Pixels whose median stands for a cell: its error is then 6 % of the pixel noise, well below nebular structure."""

MIN_CELL_SHARE = 0.15
"""Share of a cell that must be free of stars and covered."""

CELLS_FOR_SLOPE = 24
"""Cells that a surface of second order, six terms, should at least rest on."""

SLOPE_PASSES = 3
"""Rounds of slope and medians: the first slope is still drawn by what it is to put right, each round by a tenth of that."""


@dataclass(frozen=True)
class Cells:
    """An image reduced to cells.

    Attributes
    ----------
    x, y : (gy, gx) float64, centres in pixels
    value : (C, gy, gx) float64, median of star-free pixels; NaN where too few
    error : (C, gy, gx) float64, its standard deviation from the pixel variance
    shape : (ny, nx) of the image
    """

    x: np.ndarray
    y: np.ndarray
    value: np.ndarray
    error: np.ndarray
    shape: tuple


def cell_table(value, variance, usable, *, cell):
    """Reduce an image to cells.

    Parameters
    ----------
    value, variance : (C, ny, nx)
    usable : (C, ny, nx) bool, covered and free of stars
    cell : edge of a cell, pixels

    Returns
    -------
    Cells
    """
    channels, ny, nx = value.shape
    gy, gx = max(ny // cell, 1), max(nx // cell, 1)
    high, wide = min(cell, ny), min(cell, nx)
    # Leftover rows and columns are shared between both edges.
    y0, x0 = (ny - gy * high) // 2, (nx - gx * wide) // 2
    stride = max(1, int(np.sqrt(high * wide / SAMPLES_PER_CELL)))

    def blocks(plane):
        cut = plane[y0 : y0 + gy * high, x0 : x0 + gx * wide].reshape(gy, high, gx, wide)
        cut = cut[:, stride // 2 :: stride, :, stride // 2 :: stride]
        return cut.transpose(0, 2, 1, 3).reshape(gy, gx, -1)

    x = x0 + wide * np.arange(gx) + 0.5 * (wide - 1)
    y = y0 + high * np.arange(gy) + 0.5 * (high - 1)
    x, y = np.meshgrid(x, y)
    rows, columns = np.arange(stride // 2, high, stride), np.arange(stride // 2, wide, stride)
    down, right = (
        (offset - 0.5 * (size - 1)).ravel()
        for offset, size in zip(np.meshgrid(rows, columns, indexing="ij"), (high, wide), strict=True)
    )
    location = np.full((channels, gy, gx), np.nan)
    error = np.full((channels, gy, gx), np.nan)
    for c in range(channels):
        good, samples = blocks(usable[c]), blocks(value[c])
        count = good.sum(axis=-1)
        enough = count >= max(4, MIN_CELL_SHARE * good.shape[-1])
        location[c] = _median(samples, good, count, enough)
        for _ in range(SLOPE_PASSES):
            slope = _slopes(x, y, location[c])
            if slope is None:
                break
            ramp = slope[0][..., None] * right + slope[1][..., None] * down
            location[c] = _median(samples - ramp.astype(samples.dtype), good, count, enough)
        total = np.where(good, blocks(variance[c]), 0.0).sum(axis=-1, dtype=np.float64)
        # Variance of a median: pi / 2 times that of the mean.
        error[c][enough] = np.sqrt(0.5 * np.pi * total[enough]) / count[enough]
    return Cells(x, y, location, error, (ny, nx))


def _median(samples, good, count, enough):
    """(gy, gx) median of the good samples of each cell; NaN where there are not enough."""
    ordered = np.sort(np.where(good, samples, np.inf), axis=-1)
    lower = np.maximum((count - 1) // 2, 0)
    upper = np.minimum(count // 2, good.shape[-1] - 1)
    low, high = (np.take_along_axis(ordered, at[..., None], axis=-1)[..., 0] for at in (lower, upper))
    return np.where(enough, 0.5 * (low.astype(np.float64) + high), np.nan)


def _slopes(x, y, location):
    """Slopes of a smooth surface through the cells, per pixel along x and y at each cell; None with too few cells.

    Stars leave some cells with pixels on one side only; their median stands for the middle of the cell once the slope is
    taken off. What the surface follows of a nebula is right for that, too.
    """
    known = np.isfinite(location)
    if known.sum() < CELLS_FOR_SLOPE:
        return None
    scale = max(float(np.ptp(x)), float(np.ptp(y)), 1.0)
    surface, _ = fit_surface(
        x[known], y[known], location[known], order=2, x0=x.mean(), y0=y.mean(), scale=scale
    )
    step = 0.5
    along_x = surface.evaluate(x + step, y) - surface.evaluate(x - step, y)
    along_y = surface.evaluate(x, y + step) - surface.evaluate(x, y - step)
    return along_x, along_y
