"""Of one pixel: the robust centre of its samples, and how far each of them lies off, in its noise."""

import numpy as np
from numba import njit

from pipeline.numerics.band_noise import LEAST_VARIANCE_SHARE, node_place

__all__ = [
    "HIT",
    "NEIGHBOUR",
    "STRONG",
    "SUSPECT",
    "UNSEEN",
    "find_pulls",
    "local_range",
    "robust_centre",
    "state_of",
]

NOISE_RANGE = 2.5
"""Of the local range this many sigma of a centre are noise: 25 centres, of which some eight are independent, span 2.8 in the
mean (tables of the range of normal samples, from memory)."""

CONTAMINATED_SHARE = 0.5
"""The median is mistrusted if it lies above the lower quartile by more than this share of its own height
above the sky (plus the noise threshold); seeing changes of a quarter move a peak by 0.36 of it downwards."""

UNSEEN, CLEARED, SUSPECT, HIT, STRONG, NEIGHBOUR = range(6)
"""States of a sample; from ``HIT`` on it goes."""


@njit(cache=True, nogil=True, error_model="numpy")
def robust_centre(x, w, nodes, column, sky_variance, level, factor, high, ordered):
    """Robust centre of the samples of a pixel, and its variance.

    Parameters
    ----------
    x, w : (N,) samples and their bytes of completeness, 0 where there is none
    nodes, column, sky_variance (N, K), level (K,) : of the row, see :class:`pipeline.numerics.band_noise.BandNoise`
    factor : variance of a sample over that of a raw pixel
    high : threshold of a hit, sigma
    ordered : (N,) scratch space

    Returns
    -------
    NaN and 0 where there is no sample
    """
    left, right, share = node_place(nodes, column)
    m, sky = 0, 0.0
    for i in range(x.size):
        if w[i] > 0:
            sky += sky_variance[i, left] + share * (sky_variance[i, right] - sky_variance[i, left])
            place = m
            while place > 0 and ordered[place - 1] > x[i]:
                ordered[place] = ordered[place - 1]
                place -= 1
            ordered[place] = x[i]
            m += 1
    if m == 0:
        return np.nan, 0.0
    sigma2 = factor * sky / m
    usual = level[left] + share * (level[right] - level[left])
    if m == 2:
        # The lower one, unless it is the dark ring that the kernel makes around a hit.
        nearer = abs(ordered[0] - usual) <= abs(ordered[1] - usual)
        return ordered[0] if nearer else ordered[1], sigma2
    middle = 0.5 * (ordered[(m - 1) // 2] + ordered[m // 2])
    # Variance of the median of m normal values, pi / 2m (large m; 15 % too large for three).
    variance = 0.5 * np.pi * sigma2 / m
    quartile = ordered[m // 4]
    drop = middle - quartile - high * np.sqrt(sigma2)
    if m >= 4 and drop > CONTAMINATED_SHARE * max(middle - usual, 0.0):
        lower = 0
        while ordered[lower] < 0.5 * (middle + quartile):
            lower += 1
        middle = 0.5 * (ordered[(lower - 1) // 2] + ordered[lower // 2])
        variance = 0.5 * np.pi * sigma2 / lower
    return middle, variance


@njit(cache=True, nogil=True)
def local_range(centre, row, column, radius):
    """Largest minus smallest centre within ``radius``; missing pixels do not count."""
    low, high = np.inf, -np.inf
    for r in range(max(row - radius, 0), min(row + radius + 1, centre.shape[0])):
        for s in range(max(column - radius, 0), min(column + radius + 1, centre.shape[1])):
            # Comparisons with NaN are false.
            if centre[r, s] < low:
                low = centre[r, s]
            if centre[r, s] > high:
                high = centre[r, s]
    return max(high - low, 0.0)


@njit(cache=True, nogil=True, error_model="numpy")
def find_pulls(
    x, w, nodes, column, sky_variance, level, gain, factor, centre, spread, slope, slope_shares, farthest, drops, pulls
):  # fmt: skip
    """Deviation of each sample of a pixel beyond what the slope allows, in sigma; 0 where there is none to tell.

    Parameters
    ----------
    x, w, nodes, column, sky_variance, level, factor : as for :func:`robust_centre`
    gain : (N,) variance that each unit of brightness adds
    centre, spread : from :func:`robust_centre`
    slope : from :func:`local_range`
    slope_shares : (N,) share of it that is allowed
    farthest : largest factor by which an incomplete sample may take more of it
    drops : whether samples are drops, which a smaller overlap makes no noisier
    pulls : (N,) float64 that is written
    """
    left, right, share = node_place(nodes, column)
    above_level = centre - (level[left] + share * (level[right] - level[left]))
    slope = max(slope - NOISE_RANGE * np.sqrt(spread), 0.0)
    there = 0
    for i in range(x.size):
        there += w[i] > 0
    for i in range(x.size):
        pulls[i] = 0.0
        if w[i] == 0 or there < 2:
            continue
        # An incomplete sample is noisier and less well placed; what a drop hits is only the latter.
        incomplete = 255.0 / w[i]
        off = abs(x[i] - centre) - slope_shares[i] * slope * min(incomplete, farthest)
        sky = sky_variance[i, left] + share * (sky_variance[i, right] - sky_variance[i, left])
        raw = max(sky + gain[i] * above_level, LEAST_VARIANCE_SHARE * sky)
        if off > 0.0:
            pull = off / np.sqrt(factor * raw * (1.0 if drops else incomplete) + spread)
            pulls[i] = pull if x[i] > centre else -pull


@njit(cache=True, nogil=True)
def state_of(pull, limits):
    """State of a sample with this pull; ``limits`` are the thresholds high, low, grow and strong."""
    high, low, grow, strong = limits
    if pull >= strong:
        return STRONG
    if pull >= high or pull <= -low:
        return HIT
    return SUSPECT if abs(pull) >= grow else CLEARED
