"""The clipped mean of many frames, pixel by pixel."""

import numpy as np
from numba import njit

from pipeline.numerics.robust import MAD_TO_SIGMA

__all__ = ["clipped_mean", "warm"]

FEW_FRAMES = 40
"""Up to so many values, sorting by insertion is faster than the general method (measured: 40 values in 0.4 us)."""


def clipped_mean(frames, *, sigma, floor=0.0, iterations=5):
    """Mean along the first axis after clipping about the median, accumulated in float64.

    A value is left out while it is further from the median of the kept ones than ``sigma`` times their scatter:
    the larger of the scaled median absolute deviation and ``floor``. With few frames the deviation of one
    pixel is a poor guess, and the floor - the noise that all pixels have at least - keeps it from being too small.
    Where neither tells a scatter (equal values and no floor) nothing is clipped.

    Parameters
    ----------
    frames : (n, ny, nx) float32; NaN are left out
    sigma : clipping limit
    floor : smallest scatter, in the unit of the frames
    iterations : upper limit

    Returns
    -------
    mean : (ny, nx) float32; NaN where nothing is left
    variance : (ny, nx) float32, of the mean, from the scatter of the kept values; NaN with fewer than two
    count : (ny, nx) uint16, kept values
    """
    frames = np.ascontiguousarray(frames, dtype=np.float32)
    shape = frames.shape[1:]
    mean, variance = np.empty(shape, dtype=np.float32), np.empty(shape, dtype=np.float32)
    count = np.empty(shape, dtype=np.uint16)
    _combine(frames, float(sigma), float(floor), int(iterations), mean, variance, count)
    return mean, variance, count


def warm():
    """Compile the kernel."""
    clipped_mean(np.zeros((3, 2, 2), dtype=np.float32), sigma=3.0)


@njit(cache=True, nogil=True)
def _combine(frames, sigma, floor, iterations, mean, variance, count):
    n, ny, nx = frames.shape
    values = np.empty(n)
    for y in range(ny):
        for x in range(nx):
            m = 0
            for i in range(n):
                if frames[i, y, x] == frames[i, y, x]:
                    values[m] = frames[i, y, x]
                    m += 1
            _sort(values, m)
            low, high = _kept_range(values, m, sigma, floor, iterations)
            kept = high - low
            count[y, x] = kept
            mean[y, x] = np.nan
            variance[y, x] = np.nan
            if kept > 0:
                total = 0.0
                for i in range(low, high):
                    total += values[i]
                average = total / kept
                mean[y, x] = average
                if kept > 1:
                    square = 0.0
                    for i in range(low, high):
                        square += (values[i] - average) ** 2
                    variance[y, x] = square / (kept - 1) / kept


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
