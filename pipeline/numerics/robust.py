"""Robust location and scatter."""

import warnings

import numpy as np

__all__ = ["MAD_TO_SIGMA", "clipped_stats", "mad_std", "weighted_median"]

MAD_TO_SIGMA = 1.482602218505602
"""1 / Phi^-1(3/4): median absolute deviation to standard deviation of a normal distribution."""


def mad_std(values, axis=None):
    """Standard deviation estimated from the median absolute deviation; NaN are ignored.

    Parameters
    ----------
    values : ndarray
    axis : int, tuple of int or None

    Returns
    -------
    ndarray or float, same unit as ``values``; NaN where there is no finite value
    """
    values = np.asarray(values, dtype=np.float64)
    if not np.isfinite(values).any():
        return np.nan if axis is None else np.full(np.delete(values.shape, axis), np.nan)
    with warnings.catch_warnings():
        # A slice without any finite value gives NaN, as promised; numpy warns as well.
        warnings.filterwarnings("ignore", message="All-NaN slice", category=RuntimeWarning)
        centre = np.nanmedian(values, axis=axis, keepdims=True)
        return MAD_TO_SIGMA * np.nanmedian(np.abs(values - centre), axis=axis)


def clipped_stats(values, *, sigma=3.0, iterations=5):
    """Mean, median and standard deviation after iterative clipping about the median.

    Parameters
    ----------
    values : ndarray of any shape; non-finite entries are ignored
    sigma : half width of the kept interval, in standard deviations
    iterations : upper limit; stops early when nothing more is clipped

    Returns
    -------
    (mean, median, std) : floats in the unit of ``values``; all NaN where there is no finite value
    """
    kept = np.asarray(values, dtype=np.float64).ravel()
    kept = kept[np.isfinite(kept)]
    if kept.size == 0:
        return np.nan, np.nan, np.nan
    for _ in range(iterations):
        median, std = np.median(kept), kept.std()
        inside = np.abs(kept - median) <= sigma * std
        if inside.all():
            break
        kept = kept[inside]
    return float(kept.mean()), float(np.median(kept)), float(kept.std())


def weighted_median(values, weights):
    """The value at which half of the total weight is reached.

    Parameters
    ----------
    values, weights : (n,) arrays; entries with non-finite value or weight <= 0 are ignored

    Returns
    -------
    float; NaN where nothing is left. With equal weights and even n it is the mean of the middle two.
    """
    values = np.asarray(values, dtype=np.float64)
    weights = np.asarray(weights, dtype=np.float64)
    usable = np.isfinite(values) & np.isfinite(weights) & (weights > 0)
    if not usable.any():
        return np.nan
    order = np.argsort(values[usable], kind="stable")
    ordered, mass = values[usable][order], np.cumsum(weights[usable][order])
    half = 0.5 * mass[-1]
    low = np.searchsorted(mass, half * (1 - 1e-12))
    high = np.searchsorted(mass, half * (1 + 1e-12))
    return float(0.5 * (ordered[low] + ordered[min(high, ordered.size - 1)]))
