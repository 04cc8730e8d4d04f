"""An image reduced to cells, whose robust location is free of stars: what the sky is modelled on."""

from dataclasses import dataclass

import numpy as np

__all__ = ["Cells", "cell_table"]

SAMPLES_PER_CELL = 400
"""Pixels whose median stands for a cell: its error is then 6 % of the pixel noise, well below nebular structure."""

MIN_CELL_SHARE = 0.15
"""Share of a cell that must be free of stars and covered."""


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

    location = np.full((channels, gy, gx), np.nan)
    error = np.full((channels, gy, gx), np.nan)
    for c in range(channels):
        good = blocks(usable[c])
        ordered = np.sort(np.where(good, blocks(value[c]), np.inf), axis=-1)
        count = good.sum(axis=-1)
        enough = count >= max(4, MIN_CELL_SHARE * good.shape[-1])
        low = np.take_along_axis(ordered, np.maximum((count - 1) // 2, 0)[..., None], axis=-1)[..., 0]
        high_half = np.take_along_axis(
            ordered, np.minimum(count // 2, good.shape[-1] - 1)[..., None], axis=-1
        )[..., 0]
        middle = 0.5 * (low.astype(np.float64) + high_half)
        total = np.where(good, blocks(variance[c]), 0.0).sum(axis=-1, dtype=np.float64)
        location[c][enough] = middle[enough]
        # Variance of a median: pi / 2 times that of the mean.
        error[c][enough] = np.sqrt(0.5 * np.pi * total[enough]) / count[enough]
    y = y0 + high * np.arange(gy) + 0.5 * (high - 1)
    x = x0 + wide * np.arange(gx) + 0.5 * (wide - 1)
    return Cells(*np.meshgrid(x, y), location, error, (ny, nx))
