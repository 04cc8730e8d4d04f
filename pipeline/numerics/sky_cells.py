"""An image reduced to cells, whose robust location is free of stars: what the sky is modelled on."""

from dataclasses import dataclass

import numpy as np
from numba import njit

from pipeline.numerics.bands import in_bands
from pipeline.numerics.surface import fit_surface

__all__ = ["Cells", "cell_table", "warm"]

SAMPLES_PER_CELL = 400
"""Pixels whose median stands for a cell: its error is then 6 % of the pixel noise, well below nebular structure."""

MIN_CELL_SHARE = 0.15
"""Share of a cell that must be free of stars and covered."""

CELLS_FOR_SLOPE = 24
"""Cells that a surface of second order, six terms, should at least rest on."""

SLOPE_PASSES = 3
"""Rounds of slope and medians: the first slope is still drawn by what it is to put right, each round by a tenth of that."""

BAND_CELLS = 8
"""Rows of cells that are reduced at a time."""

UNUSABLE = np.float32(np.inf)
"""What stands for a pixel that does not count: last in order."""

MAGNITUDE = np.int32(0x7FFFFFFF)
"""All bits of a number in single precision but its sign."""


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
        count, total = np.zeros((gy, gx), dtype=np.int64), np.zeros((gy, gx))
        _in_cells(_count, spreads, good, grid, count, total)
        enough = count >= least
        # Variance of a median: pi / 2 times that of the mean.
        error[c][enough] = np.sqrt(0.5 * np.pi * total[enough]) / count[enough]
        slope = np.zeros((gy, gx)), np.zeros((gy, gx))
        for _ in range(1 + SLOPE_PASSES):
            _in_cells(_levels, levels, good, grid, down, right, *slope, count, least, location[c])
            slope = _slopes(x, y, location[c])
            if slope is None:
                break
    return Cells(x, y, location, error, (ny, nx))


def _in_cells(kernel, plane, good, *arguments):
    """Run a kernel on the rows of cells, whose array is the last argument."""
    rows = len(arguments[-1])
    in_bands(lambda start, stop: kernel(plane, good, *arguments, start, stop), rows, rows=BAND_CELLS)


def warm():
    """Compile the kernels."""
    value = np.random.default_rng(1).normal(size=(1, 64, 64)).astype(np.float32)
    cell_table(value, np.ones_like(value), np.ones(value.shape, dtype=bool), cell=8)


@njit(cache=True, nogil=True)
def _count(variance, usable, grid, count, total, start, stop):
    """Usable samples of each cell, and the sum of their variances."""
    y0, x0, high, wide, stride = grid
    for row in range(start, stop):
        for y in range(y0 + row * high + stride // 2, y0 + (row + 1) * high, stride):
            spreads, good = _by_cell(variance, y, x0, wide, count), _by_cell(usable, y, x0, wide, count)
            for column in range(count.shape[1]):
                for x in range(stride // 2, wide, stride):
                    if good[column, x]:
                        count[row, column] += 1
                        total[row, column] += spreads[column, x]


@njit(cache=True, nogil=True)
def _levels(value, usable, grid, down, right, along_x, along_y, count, least, location, start, stop):
    """Median of the usable samples of each cell less its slope; cells with too few are left as they are."""
    y0, x0, high, wide, stride = grid
    samples = np.empty((count.shape[1], down.size, right.size), dtype=np.float32)
    for row in range(start, stop):
        # Row by row of the image, through all cells in turn.
        for j in range(down.size):
            y = y0 + row * high + stride // 2 + j * stride
            levels, good = _by_cell(value, y, x0, wide, count), _by_cell(usable, y, x0, wide, count)
            for column in range(count.shape[1]):
                slope, rise = along_x[row, column], along_y[row, column] * down[j]
                if stride == 1:
                    # The same as below, but several at a time.
                    for i in range(right.size):
                        level = levels[column, i] - np.float32(slope * right[i] + rise)
                        samples[column, j, i] = level if good[column, i] else UNUSABLE
                else:
                    for i in range(right.size):
                        x = stride // 2 + i * stride
                        level = levels[column, x] - np.float32(slope * right[i] + rise)
                        samples[column, j, i] = level if good[column, x] else UNUSABLE
        for column in range(count.shape[1]):
            if count[row, column] >= least:
                location[row, column] = _median_of_first(samples[column].reshape(-1), count[row, column])


@njit(cache=True, nogil=True)
def _by_cell(plane, y, x0, wide, count):
    """The pixels of a row, (gx, wide)."""
    gx = count.shape[1]
    return plane[y, x0 : x0 + gx * wide].reshape(gx, wide)


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
