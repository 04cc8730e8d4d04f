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

from pipeline.numerics.band_noise import LEAST_VARIANCE_SHARE

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
        np.asarray(heavy, dtype=np.float32),
        np.float32(factor * others),
        *(np.float32(max(limit - SCREEN_MARGIN, 0.5 * limit) ** 2) for limit in limits),
        drops,
        found,
    )
    return found


@njit(cache=True, nogil=True, error_model="numpy")
def _screen(
    values, weights, c, sky_variance, level, pieces, places, gain, mean, total, heavy, factor,
    above2, below2, drops, found,
):  # fmt: skip
    n_frames, last = values.shape[2], sky_variance.shape[2] - 1
    above_level = np.empty(np.max(pieces[:, 1] - pieces[:, 0]), dtype=np.float32)
    for row in range(values.shape[1]):
        for piece in range(pieces.shape[0]):
            start, stop, k = pieces[piece]
            t, dt = places[piece]
            right = min(k + 1, last)
            middle, sums = mean[row, start:stop], total[row, start:stop]
            marks = found[row, start:stop]
            marks[:] = False
            across = level[row, right] - level[row, k]
            base, step = np.float32(level[row, k] + t * across), np.float32(dt * across)
            for n in range(stop - start):
                above_level[n] = middle[n] - (base + step * np.float32(n))
            for i in range(n_frames):
                across = sky_variance[i, row, right] - sky_variance[i, row, k]
                base = np.float32(sky_variance[i, row, k] + t * across)
                step = np.float32(dt * across)
                _mark_far(
                    values[c, row, i, start:stop], weights[c, row, i, start:stop], middle, sums, above_level,
                    base, step, np.float32(gain[i]), heavy[i], factor, above2, below2, drops, marks,
                )  # fmt: skip


@njit(cache=True, nogil=True, error_model="numpy")
def _mark_far(
    x, w, middle, sums, above_level, base, step, electron, heavy, factor, above2, below2, drops, marks
):
    one, full, least = np.float32(1.0), np.float32(255.0), np.float32(LEAST_VARIANCE_SHARE)
    for n in range(x.size):
        weight = np.float32(w[n])
        # An incomplete sample is noisier; what a drop hits is not.
        noisier = one if drops else full / weight
        sky = base + step * np.float32(n)
        raw = sky + electron * above_level[n]
        floor = least * sky
        raw = raw if raw > floor else floor
        others = sums[n] - heavy * weight
        off = x[n] - middle[n]
        limit = above2 if off > np.float32(0.0) else below2
        far = off * sums[n]
        # Comparisons with NaN are false: neither a missing sample nor a lone one is far.
        is_far = (
            (w[n] > 0)
            & (others > np.float32(0.0))
            & (far * far > limit * factor * raw * noisier * (others * others))
        )
        marks[n] = marks[n] | is_far
