"""The clipped mean of many frames, pixel by pixel."""

import numpy as np
from numba import njit

from pipeline.numerics.robust import MAD_TO_SIGMA

__all__ = ["clipped_mean", "warm"]

FEW_FRAMES = 40
"""Up to so many values, sorting by insertion is faster than the general method (measured: 40 values in 0.4 us)."""

COMPILED_TYPES = (np.uint16, np.float32)
"""Sample types that the kernel is compiled for; others are turned into float32 first."""


def clipped_mean(frames, *, sigma, floor=0.0, iterations=5, pedestal=0.0, levels=None):
    """Mean along the first axis after clipping about the median, accumulated in float64.

    A value is left out while it is further from the median of the kept ones than ``sigma`` times their scatter:
    the larger of the scaled median absolute deviation and ``floor``. With few frames the deviation of one
    pixel is a poor guess, and the floor - the noise that all pixels have at least - keeps it from being too small.
    Where neither tells a scatter (equal values and no floor) nothing is clipped.

    Most pixels need no sorting. No value is further from the median than from the mean plus the distance between
    mean and median, which is at most one standard deviation (Hotelling & Solomons 1932); where that sum stays within
    ``sigma * floor``, nothing can be clipped. Else it is counted whether more than half of the values lie that near
    to the lowest and to the highest one: then so does the median.

    Parameters
    ----------
    frames : (n, ny, nx), ADU as stored; uint16 needs no copy; NaN are left out
    sigma : clipping limit
    floor : smallest scatter, in the unit of the scaled frames
    iterations : upper limit
    pedestal : (ny, nx) or number, subtracted from every frame
    levels : (n, 2, 2), the frames are then divided by it, place by place of the 2 x 2 cell; None for 1

    Returns
    -------
    mean : (ny, nx) float32; NaN where nothing is left
    variance : (ny, nx) float32, of the mean, from the scatter of the kept values; NaN with fewer than two
    count : (ny, nx) uint16, kept values
    """
    frames = np.ascontiguousarray(frames)
    if frames.dtype not in COMPILED_TYPES:
        frames = frames.astype(np.float32)
    n, *shape = frames.shape
    mean, variance = np.empty(shape, dtype=np.float32), np.empty(shape, dtype=np.float32)
    count = np.empty(shape, dtype=np.uint16)
    dark = np.ascontiguousarray(np.atleast_2d(pedestal), dtype=np.float32)
    scale = np.ones((n, 2, 2)) if levels is None else np.asarray(levels)
    _combine(
        frames, dark, scale.astype(np.float32), float(sigma), float(floor), int(iterations), mean, variance, count
    )  # fmt: skip
    return mean, variance, count


def warm():
    """Compile the kernel."""
    for kind in COMPILED_TYPES:
        clipped_mean(np.zeros((3, 2, 2), dtype=kind), sigma=3.0)


@njit(cache=True, nogil=True)
def _combine(frames, pedestal, levels, sigma, floor, iterations, mean, variance, count):
    n, ny, nx = frames.shape
    # float32 like what calibration works with, so that a flat and a light are scaled alike.
    scaled = np.empty((n, nx), dtype=np.float32)
    values = np.empty(n)
    total, square, low, high = np.empty(nx), np.empty(nx), np.empty(nx), np.empty(nx)
    everywhere = len(pedestal) == 1
    for y in range(ny):
        dark = pedestal[0 if everywhere else y]
        for i in range(n):
            _scale(frames[i, y], dark, levels[i, y % 2], scaled[i])
        _moments(scaled, total, square, low, high)
        for x in range(nx):
            offset = total[x] / n
            spread = square[x] - n * offset * offset
            width = np.sqrt(max(spread, 0.0) / n)
            furthest = max(high[x] - offset, offset - low[x]) + width
            # NaN fail the comparisons and take the long way.
            if n > 1 and (
                furthest <= sigma * floor or _median_near(scaled, x, low[x], high[x], sigma * floor)
            ):
                count[y, x] = n
                mean[y, x] = scaled[0, x] + offset
                variance[y, x] = max(spread, 0.0) / (n - 1) / n
            else:
                _clip(scaled, x, values, sigma, floor, iterations, mean[y], variance[y], count[y])


@njit(cache=True, nogil=True)
def _scale(row, dark, levels, out):
    nx = len(row)
    if len(dark) == 1:
        for x in range(nx):
            out[x] = np.float32(row[x]) - dark[0]
    else:
        for x in range(nx):
            out[x] = np.float32(row[x]) - dark[x]
    if levels[0] != 1.0 or levels[1] != 1.0:
        for x in range(nx):
            out[x] /= levels[x & 1]


@njit(cache=True, nogil=True)
def _moments(scaled, total, square, low, high):
    """Sums over the frames of a row's differences from the first frame, their squares, and the extremes.

    Differences, since squares of whole values would lose the digits that the scatter is made of.
    """
    n, nx = scaled.shape
    total[:], square[:], low[:], high[:] = 0.0, 0.0, 0.0, 0.0
    for i in range(1, n):
        for x in range(nx):
            difference = np.float64(scaled[i, x]) - np.float64(scaled[0, x])
            total[x] += difference
            square[x] += difference * difference
            low[x] = difference if difference < low[x] else low[x]
            high[x] = difference if difference > high[x] else high[x]


@njit(cache=True, nogil=True)
def _median_near(scaled, x, low, high, limit):
    """True if the median is for sure within ``limit`` of both extremes (differences from the first value)."""
    n = len(scaled)
    near_low, near_high = 0, 0
    for i in range(n):
        difference = np.float64(scaled[i, x]) - np.float64(scaled[0, x])
        if difference <= low + limit:
            near_low += 1
        if difference >= high - limit:
            near_high += 1
    return near_low > n // 2 and near_high > n // 2


@njit(cache=True, nogil=True)
def _clip(scaled, x, values, sigma, floor, iterations, mean, variance, count):
    m = 0
    for i in range(len(scaled)):
        if scaled[i, x] == scaled[i, x]:
            values[m] = scaled[i, x]
            m += 1
    _sort(values, m)
    low, high = _kept_range(values, m, sigma, floor, iterations)
    kept = high - low
    count[x] = kept
    mean[x] = np.nan
    variance[x] = np.nan
    if kept > 0:
        total = 0.0
        for i in range(low, high):
            total += values[i]
        average = total / kept
        mean[x] = average
        if kept > 1:
            square = 0.0
            for i in range(low, high):
                square += (values[i] - average) ** 2
            variance[x] = square / (kept - 1) / kept


@njit(cache=True, nogil=True)
def _sort(values, m):
    if m > FEW_FRAMES:
        values[:m].sort()
        return
    for i in range(1, m):
        value = values[i]
        j = i - 1
        while j >= 0 and values[j] > value:
            values[j + 1] = values[j]
            j -= 1
        values[j + 1] = value


@njit(cache=True, nogil=True)
def _kept_range(values, m, sigma, floor, iterations):
    """Range of the sorted values that survives: clipping about the median only ever takes from the ends."""
    low, high = 0, m
    for _ in range(iterations):
        if high - low < 3:
            break
        centre = _median_of_sorted(values, low, high)
        limit = sigma * max(MAD_TO_SIGMA * _deviation_of_sorted(values, low, high, centre), floor)
        if limit == 0.0:
            break
        first, stop = low, high
        while centre - values[low] > limit:
            low += 1
        while values[high - 1] - centre > limit:
            high -= 1
        if (low, high) == (first, stop):
            break
    return low, high


@njit(cache=True, nogil=True)
def _median_of_sorted(values, low, high):
    return 0.5 * (values[(low + high - 1) // 2] + values[(low + high) // 2])


@njit(cache=True, nogil=True)
def _deviation_of_sorted(values, low, high, centre):
    """Median absolute deviation from the centre: the distances grow outwards from it, so two fingers merge them."""
    m = high - low
    right = low
    while right < high and values[right] < centre:
        right += 1
    left = right - 1
    before, last = 0.0, 0.0
    for _ in range(m // 2 + 1):
        before = last
        if left < low or (right < high and values[right] - centre <= centre - values[left]):
            last = values[right] - centre
            right += 1
        else:
            last = centre - values[left]
            left -= 1
    return last if m % 2 else 0.5 * (before + last)
