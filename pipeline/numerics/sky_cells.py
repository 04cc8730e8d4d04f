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
"""Determinant of M over the square of its trace, up to which all pixels lie in a row."""

UNUSABLE = np.float32(np.inf)
"""What stands for a pixel that does not count: last in order."""

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
    samples = np.empty((gx, down.size, right.size), dtype=np.float32)
    left, scratch = np.empty_like(samples[0]), np.empty_like(samples[0])
    sums = np.empty((5, right.size))
    for row in range(start, stop):
        count, total = np.zeros(gx, dtype=np.int64), np.zeros(gx)
        # Row by row of the image, through all cells in turn.
        for j in range(down.size):
            y = y0 + row * high + stride // 2 + j * stride
            for column in range(gx):
                for i in range(right.size):
                    x = x0 + column * wide + stride // 2 + i * stride
                    good = usable[y, x]
                    samples[column, j, i] = value[y, x] if good else UNUSABLE
                    total[column] += variance[y, x] if good else np.float32(0.0)
                    count[column] += good
        for column in range(gx):
            n = count[column]
            if n < least:
                continue
            level, leverage = _level(samples[column], right, down, n, left, scratch, sums)
            if leverage <= LARGEST_LEVERAGE:
                location[row, column] = level
                # Variance of a median: pi / 2 times that of the mean.
                error[row, column] = np.sqrt(0.5 * np.pi * total[column] * (1 + leverage)) / n


@njit(cache=True, nogil=True)
def _level(value, x, y, count, left, scratch, sums):
    """Median of the ``count`` usable of ``value`` (rows, columns) about a plane through them, in the middle, where ``x`` (columns,)
    and ``y`` (rows,) are 0. What is not usable is infinite; the other arrays are room to work in.

    Returns
    -------
    level : float
    leverage : what the slope adds to the variance of a mean, relative to that: d^T M^-1 d for the mean place d of the pixels
        and the covariance M of their places
    """
    left[:] = value
    scratch[:] = left
    level, leverage = _median_of_first(scratch.reshape(-1), count), np.inf
    for _ in range(SLOPE_ROUNDS):
        middle = np.float32(level)
        _departures(scratch, left, middle)
        reach = np.float32(CLIP_SIGMA * MAD_TO_SIGMA * _median_of_first(scratch.reshape(-1), count))
        _column_sums(sums, value, left, y, middle, reach)
        n, mean_x, mean_y, mean_v = sums[0].sum(), 0.0, sums[1].sum(), sums[3].sum()
        xx = xy = xv = 0.0
        for i in range(x.size):
            mean_x += x[i] * sums[0, i]
            xx += x[i] ** 2 * sums[0, i]
            xy += x[i] * sums[1, i]
            xv += x[i] * sums[3, i]
        mean_x, mean_y, mean_v = mean_x / n, mean_y / n, mean_v / n
        xx, xy, yy = xx / n - mean_x**2, xy / n - mean_x * mean_y, sums[2].sum() / n - mean_y**2
        xv, yv = xv / n - mean_x * mean_v, sums[4].sum() / n - mean_y * mean_v
        determinant = xx * yy - xy * xy
        if determinant <= SINGULAR * (xx + yy) ** 2:
            return level, np.inf
        along_x, along_y = (yy * xv - xy * yv) / determinant, (xx * yv - xy * xv) / determinant
        leverage = (yy * mean_x**2 - 2 * xy * mean_x * mean_y + xx * mean_y**2) / determinant
        for j in range(y.size):
            rise = along_y * y[j]
            for i in range(x.size):
                left[j, i] = value[j, i] - np.float32(along_x * x[i] + rise)
        scratch[:] = left
        level = _median_of_first(scratch.reshape(-1), count)
    return level, leverage


@njit(cache=True, nogil=True)
def _departures(out, values, middle):
    for j in range(values.shape[0]):
        for i in range(values.shape[1]):
            out[j, i] = abs(values[j, i] - middle)


@njit(cache=True, nogil=True)
def _column_sums(sums, value, left, y, middle, reach):
    """Per column the number, the sums of y and y^2, of the values and of those times y, of what is left near to the middle: sums down
    the columns go several columns at a time.
    """
    sums[:] = 0.0
    for j in range(y.size):
        for i in range(value.shape[1]):
            near = abs(left[j, i] - middle) <= reach
            one, v = (1.0, np.float64(value[j, i])) if near else (0.0, 0.0)
            sums[0, i] += one
            sums[1, i] += one * y[j]
            sums[2, i] += one * y[j] ** 2
            sums[3, i] += v
            sums[4, i] += v * y[j]


@njit(cache=True, nogil=True)
def _median_of_first(samples, count):
    """Median of the ``count`` least of ``samples``, which are lost.

    Found by halving the interval it lies in, and counting: passes over a row of integers, several at a time, are sooner done
    than a sort. The bits of a positive float, read as a whole number, keep the order; those of a negative one turn it.
    """
    keys = samples.view(np.int32)
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
