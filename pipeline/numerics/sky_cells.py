"""An image reduced to cells, whose robust location is free of stars: what the sky is modelled on.

Stars leave pixels on one side of a cell only, so the level in its middle takes a slope. Each cell has that of its own light: a
smooth surface through all cells tilts the sky beside a nebula, by what the nebula does and far more than the noise.
"""

from dataclasses import dataclass

import numpy as np
from numba import njit

from pipeline.numerics.bands import in_bands
from pipeline.numerics.robust import MAD_TO_SIGMA

__all__ = ["Cells", "cell_table", "warm"]

SAMPLES_PER_CELL = 400
"""Pixels whose median stands for a cell: its error is then 6 % of the pixel noise, well below nebular structure."""

MIN_CELL_SHARE = 0.15
"""Share of a cell that must be free of stars and covered."""

CLIP_SIGMA = 3.0
"""Deviation from the median, in units of the samples' own scatter, of what has no say in the slope of a cell."""

SLOPE_ROUNDS = 2
"""Slopes of a cell: the first is found among samples that a steep slope scatters, the second among those near to it."""

LARGEST_LEVERAGE = 3.0
"""Variance that the slope of a cell may add to that of its median: with more, pixels lie so far to one side that the error of the
level is twice that of a median, and a star's wing would pass for a slope."""

SINGULAR = 1e-9
"""Determinant of M over the product of its diagonal, up to which all pixels lie in a row."""

BAND_CELLS = 8
"""Rows of cells that are reduced at a time."""

MAGNITUDE = np.int32(0x7FFFFFFF)
"""All bits of a number in single precision but its sign."""


@dataclass(frozen=True)
class Cells:
    """An image reduced to cells.

    Attributes
    ----------
    x, y : (gy, gx) float64, centres in pixels
    value : (C, gy, gx) float64, level in the centre; NaN where too few pixels are free of stars, or too far to one side
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
    down, right = (np.arange(stride // 2, size, stride) - 0.5 * (size - 1) for size in (high, wide))
    grid = (y0, x0, high, wide, stride)
    least = max(4.0, MIN_CELL_SHARE * down.size * right.size)
    x = x0 + wide * np.arange(gx) + 0.5 * (wide - 1)
    y = y0 + high * np.arange(gy) + 0.5 * (high - 1)
    x, y = np.meshgrid(x, y)
    location = np.full((channels, gy, gx), np.nan)
    error = np.full((channels, gy, gx), np.nan)
    for c in range(channels):
        levels, spreads = (np.ascontiguousarray(part[c], dtype=np.float32) for part in (value, variance))
        good = np.ascontiguousarray(usable[c])
        planes = (levels, spreads, good, grid, down, right, least, location[c], error[c])
        in_bands(lambda start, stop, planes=planes: _reduce(*planes, start, stop), gy, rows=BAND_CELLS)
    return Cells(x, y, location, error, (ny, nx))


def warm():
    """Compile the kernels."""
    value = np.random.default_rng(1).normal(size=(1, 64, 64)).astype(np.float32)
    cell_table(value, np.ones_like(value), np.ones(value.shape, dtype=bool), cell=8)


@njit(cache=True, nogil=True)
def _reduce(value, variance, usable, grid, down, right, least, location, error, start, stop):
    """Level in the middle of each cell, and its error; cells that do not tell it are left as they are."""
    y0, x0, high, wide, stride = grid
    gx = location.shape[1]
    # Of each usable pixel its level and its place.
    samples = np.empty((gx, 3, down.size * right.size), dtype=np.float32)
    for row in range(start, stop):
        count, total = np.zeros(gx, dtype=np.int64), np.zeros(gx)
        # Row by row of the image, through all cells in turn.
        for j in range(down.size):
            y = y0 + row * high + stride // 2 + j * stride
            for column in range(gx):
                n = count[column]
                for i in range(right.size):
                    x = x0 + column * wide + stride // 2 + i * stride
                    if usable[y, x]:
                        samples[column, 0, n] = value[y, x]
                        samples[column, 1, n], samples[column, 2, n] = right[i], down[j]
                        total[column] += variance[y, x]
                        n += 1
                count[column] = n
        for column in range(gx):
            n = count[column]
            if n < least:
                continue
            level, leverage = _level(samples[column, 0, :n], samples[column, 1, :n], samples[column, 2, :n])
            if leverage <= LARGEST_LEVERAGE:
                location[row, column] = level
                # Variance of a median: pi / 2 times that of the mean.
                error[row, column] = np.sqrt(0.5 * np.pi * total[column] * (1 + leverage)) / n


@njit(cache=True, nogil=True)
def _level(value, x, y):
    """Median of ``value`` (n,) about a plane through it, in the middle, where ``x`` and ``y`` (n,) are 0.

    Returns
    -------
    level : float
    leverage : what the slope adds to the variance of a mean, relative to that: x^T M^-1 x for the mean place x of the pixels
        and the covariance M of their places
    """
    left, level, leverage = value, _median(value), np.inf
    for _ in range(SLOPE_ROUNDS):
        reach = CLIP_SIGMA * MAD_TO_SIGMA * _median(np.abs(left - np.float32(level)))
        near = np.abs(left - np.float32(level)) <= reach
        v, u, w = value[near].astype(np.float64), x[near].astype(np.float64), y[near].astype(np.float64)
        mean_u, mean_w = u.mean(), w.mean()
        u, w = u - mean_u, w - mean_w
        uu, uw, ww, uv, wv = (u * u).mean(), (u * w).mean(), (w * w).mean(), (u * v).mean(), (w * v).mean()
        determinant = uu * ww - uw * uw
        if determinant <= SINGULAR * uu * ww:
            return level, np.inf
        along_x, along_y = (ww * uv - uw * wv) / determinant, (uu * wv - uw * uv) / determinant
        leverage = (ww * mean_u**2 - 2 * uw * mean_u * mean_w + uu * mean_w**2) / determinant
        left = value - (along_x * x + along_y * y).astype(np.float32)
        level = _median(left)
    return level, leverage


@njit(cache=True, nogil=True)
def _median(values):
    """Median of ``values`` (n,) float32.

    Found by halving the interval it lies in, and counting: passes over a row of integers, several at a time, are sooner done
    than a sort. The bits of a positive float, read as a whole number, keep the order; those of a negative one turn it.
    """
    keys = values.copy().view(np.int32)
    count = values.size
    for i in range(keys.size):
        keys[i] ^= (keys[i] >> 31) & MAGNITUDE
    low, high = keys[0], keys[0]
    for i in range(keys.size):
        low, high = min(low, keys[i]), max(high, keys[i])
    wanted = (count + 1) // 2
    while low < high:
        middle = (np.int64(low) + np.int64(high)) >> 1
        if _up_to(keys, np.int32(middle)) >= wanted:
            high = np.int32(middle)
        else:
            low = np.int32(middle + 1)
    lower = low
    if count % 2 == 0 and _up_to(keys, lower) == wanted:
        # The next one beyond.
        high = MAGNITUDE
        for i in range(keys.size):
            high = min(high, keys[i] if keys[i] > lower else MAGNITUDE)
    both = np.array([lower, high], dtype=np.int32)
    for i in range(2):
        both[i] ^= (both[i] >> 31) & MAGNITUDE
    first, second = both.view(np.float32)
    return 0.5 * (np.float64(first) + np.float64(second))


@njit(cache=True, nogil=True)
def _up_to(keys, limit):
    """How many are no more than ``limit``."""
    count = np.int32(0)
    for i in range(keys.size):
        # As narrow as the keys, or half as many fit into a step.
        count = np.int32(count + np.int32(keys[i] <= limit))
    return count
