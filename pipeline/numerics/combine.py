"""The clipped mean of many frames, pixel by pixel."""

import numpy as np
from numba import njit

__all__ = ["clipped_mean", "warm"]

MAD_TO_SIGMA = 1.482602218505602
"""1 / Phi^-1(3/4)."""


def clipped_mean(frames, *, sigma, floor=0.0, iterations=5):
    """Mean along the first axis after clipping about the median.

    A value is left out while it is further from the median of the kept ones than ``sigma`` times their scatter:
    the larger of the scaled median absolute deviation and ``floor``. With few frames the deviation of one
    pixel is a poor guess, and the floor - the noise that all pixels have at least - keeps it from being too small.

    Parameters
    ----------
    frames : (n, ny, nx) float32; NaN are left out
    sigma : clipping limit
    floor : smallest scatter, in the unit of the frames
    iterations : upper limit

    Returns
    -------
    mean : (ny, nx) float64; NaN where nothing is left
    variance : (ny, nx) float64, of the mean, from the scatter of the kept values; NaN with fewer than two
    count : (ny, nx) int32, kept values
    """
    frames = np.ascontiguousarray(frames, dtype=np.float32)
    _, ny, nx = frames.shape
    mean, variance = np.empty((ny, nx)), np.empty((ny, nx))
    count = np.empty((ny, nx), dtype=np.int32)
    _combine(frames, float(sigma), float(floor), int(iterations), mean, variance, count)
    return mean, variance, count


def warm():
    """Compile the kernel."""
    clipped_mean(np.zeros((3, 2, 2), dtype=np.float32), sigma=3.0)


@njit(cache=True, nogil=True)
def _combine(frames, sigma, floor, iterations, mean, variance, count):
    n, ny, nx = frames.shape
    kept = np.empty(n)
    away = np.empty(n)
    for y in range(ny):
        for x in range(nx):
            m = 0
            for i in range(n):
                value = frames[i, y, x]
                if value == value:
                    kept[m] = value
                    m += 1
            for _ in range(iterations):
                if m < 3:
                    break
                centre = np.median(kept[:m])
                for i in range(m):
                    away[i] = abs(kept[i] - centre)
                limit = sigma * max(MAD_TO_SIGMA * np.median(away[:m]), floor)
                left = 0
                for i in range(m):
                    if away[i] <= limit:
                        kept[left] = kept[i]
                        left += 1
                if left == m or left == 0:
                    break
                m = left
            total = 0.0
            for i in range(m):
                total += kept[i]
            count[y, x] = m
            if m == 0:
                mean[y, x] = np.nan
                variance[y, x] = np.nan
                continue
            average = total / m
            mean[y, x] = average
            square = 0.0
            for i in range(m):
                square += (kept[i] - average) ** 2
            variance[y, x] = square / (m - 1) / m if m > 1 else np.nan
