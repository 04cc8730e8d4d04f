"""Rejection by the scatter of the samples themselves: what is common in the trade, to compare with or to fall back on.

None of these knows the camera's noise, the seeing or the neighbours. With few samples their scatter is known badly, which
the noise model of :mod:`pipeline.numerics.rejection` is there to mend.
"""

import numpy as np
from numba import njit

from pipeline.numerics.band_noise import by_frames, by_rows

__all__ = ["METHODS", "find_outliers_simply", "warm"]

METHODS = ("clipped_mean", "median_mad", "min_max")
"""clipped_mean: about the mean, by the standard deviation, repeated. median_mad: about the median, by 1.4826 times the
median absolute deviation, repeated. min_max: the lowest and the highest of three and more."""

MAD_TO_SIGMA = 1.4826022185056018
"""1 / (sqrt(2) erfinv(1/2)): standard deviation of a normal distribution over its median absolute deviation."""

ITERATIONS = 5
"""Repetitions at most (the default of astropy's sigma_clip)."""

LEAST_SAMPLES = 3
"""With fewer a scatter says nothing."""


def find_outliers_simply(values, weights, *, method, high, low):
    """Which samples to leave out.

    Parameters
    ----------
    values, weights : (N, C, h, w) as in :func:`pipeline.numerics.rejection.find_outliers`
    method : one of ``METHODS``
    high, low : standard deviations above and below the centre beyond which a sample goes; not for min_max

    Returns
    -------
    outlier : (N, C, h, w) bool
    centre : (C, h, w) float32, NaN where there is no sample
    """
    if method not in METHODS:
        raise ValueError(f"method is one of {METHODS}, got {method!r}")
    values, weights = by_rows(values), by_rows(weights)
    outlier = np.zeros(values.shape, dtype=bool)
    centre = np.empty((*values.shape[:2], values.shape[3]), dtype=np.float32)
    _reject(values, weights, METHODS.index(method), float(high), float(low), outlier, centre)
    return by_frames(outlier), centre


def warm():
    """Compile the kernel of this module."""
    values = np.zeros((3, 1, 2, 2), dtype=np.float32)
    find_outliers_simply(values, np.full(values.shape, 255, np.uint8), method="min_max", high=3.0, low=3.0)


@njit(cache=True, nogil=True)
def _reject(values, weights, method, high, low, outlier, centre):
    n_channels, height, n_frames, width = values.shape
    found, place = np.empty(n_frames), np.empty(n_frames, dtype=np.int64)
    for c in range(n_channels):
        for row in range(height):
            for column in range(width):
                n = 0
                for i in range(n_frames):
                    if weights[c, row, i, column] > 0:
                        found[n], place[n] = values[c, row, i, column], i
                        n += 1
                if n == 0:
                    centre[c, row, column] = np.nan
                    continue
                order = np.argsort(found[:n], kind="mergesort")
                # Sorted samples from first to stop are kept.
                first, stop = 0, n
                if method == 2:
                    if n >= 3:
                        first, stop = 1, n - 1
                else:
                    for _ in range(ITERATIONS):
                        if stop - first < LEAST_SAMPLES:
                            break
                        kept = found[order[first:stop]]
                        if method == 0:
                            middle, sigma = kept.mean(), kept.std()
                        else:
                            middle = np.median(kept)
                            sigma = MAD_TO_SIGMA * np.median(np.abs(kept - middle))
                        was = stop - first
                        while stop - first > 1 and found[order[first]] < middle - low * sigma:
                            first += 1
                        while stop - first > 1 and found[order[stop - 1]] > middle + high * sigma:
                            stop -= 1
                        if stop - first == was:
                            break
                for k in range(n):
                    if k < first or k >= stop:
                        outlier[c, row, place[order[k]], column] = True
                kept = found[order[first:stop]]
                centre[c, row, column] = kept.mean() if method != 1 else np.median(kept)
