"""Where among the samples of a band rejection has to look closer, told from their mean alone.

Nearly all pixels of a night show nothing but sky, and sorting their samples for a robust centre costs more than summing
them. Each sample is compared with the mean of all others, which needs no sorting,

    x_i - mean_(-i) = (x_i - mean) W / (W - w_i),

w the weights and W their sum. A lone outlier shows there with all of its height, and of several alike each shows with its
height times the share of weight that the others do not have. The threshold lies one sigma below that of rejection, since
mean and median differ by less, and the noise of the others' mean is taken to be the least that it can be, that of even
weights, 1 / (n - 1) of the variance of a sample. What seeing does to stars
is not tolerated here: a hit makes the mean itself steep around it, so only rejection, with its robust centres, may tell the
two apart.
"""

import numpy as np
from numba import njit

from pipeline.numerics.band_noise import LEAST_VARIANCE_SHARE, draw_line

__all__ = ["screen"]

SCREEN_MARGIN = 1.0
"""Sigma by which the screen is finer than rejection: a median of five samples scatters about their mean by half of it."""


def screen(values, weights, c, model, mean, total, *, heavy, factor, limits, drops):
    """Pixels of a channel with a sample far from the mean of the others.

    Parameters
    ----------
    values, weights : (C, h, N, w) float32 and uint8
    c : channel
    model : BandNoise of the channel
    mean, total : (h, w) float32, weighted mean of all samples and sum of the weights
    heavy : (N,) weight of a sample whose byte is 1
    factor : variance of a sample over that of a raw pixel
    limits : (above, below) thresholds of rejection, sigma
    drops : True where a smaller weight makes a sample no noisier

    Returns
    -------
    (h, w) bool
    """
    found = np.empty(mean.shape, dtype=np.bool_)
    others = 1.0 + 1.0 / max(len(heavy) - 1, 1)
    _screen(
        values,
        weights,
        c,
        model.sky_variance,
        model.level,
        *model.segments(0, mean.shape[1]),
        model.gain,
        mean,
        total,
        np.ascontiguousarray(heavy, dtype=np.float64),
        float(factor * others),
        *(np.float32(max(limit - SCREEN_MARGIN, 0.5 * limit) ** 2) for limit in limits),
        drops,
        found,
    )
    return found


@njit(cache=True, nogil=True, error_model="numpy")
def _screen(
    values, weights, c, sky_variance, level, pieces, places, gain, mean, total, heavy, factor, above2, below2, drops, found
):  # fmt: skip
    width = values.shape[3]
    above_level, line = np.empty(width, np.float32), np.empty(width, np.float32)
    worst = np.empty(width, np.float32)
    for row in range(values.shape[1]):
        draw_line(level[row], pieces, places, 1.0, line)
        for n in range(width):
            above_level[n] = mean[row, n] - line[n]
        worst[:] = 0.0
        for i in range(values.shape[2]):
            draw_line(sky_variance[i, row], pieces, places, factor, line)
            _keep_farthest(
                values[c, row, i], weights[c, row, i], mean[row], total[row], above_level, line,
                np.float32(factor * gain[i]), np.float32(heavy[i]), above2, below2, drops, worst,
            )  # fmt: skip
        for n in range(width):
            found[row, n] = worst[n] > np.float32(0.0)


@njit(cache=True, nogil=True, error_model="numpy")
def _keep_farthest(
    x, w, middle, sums, above_level, skies, electron, heavy, above2, below2, drops, worst
):  # fmt: skip
    """By how much the square of a sample's distance exceeds its limit, where that is more than for any before."""
    none, full, least = np.float32(0.0), np.float32(255.0), np.float32(LEAST_VARIANCE_SHARE)
    for n in range(x.size):
        weight = np.float32(w[n])
        raw = skies[n] + electron * above_level[n]
        floor = least * skies[n]
        raw = raw if raw > floor else floor
        # An incomplete sample is noisier; what a drop hits is not.
        raw = raw if drops else raw * full / weight
        others = sums[n] - heavy * weight
        off = x[n] - middle[n]
        limit = above2 if off > none else below2
        far = off * sums[n]
        excess = far * far - limit * raw * (others * others)
        # Comparisons with NaN are false: neither a missing sample nor a lone one is far.
        excess = excess if weight > none else none
        excess = excess if others > none else none
        worst[n] = excess if excess > worst[n] else worst[n]
