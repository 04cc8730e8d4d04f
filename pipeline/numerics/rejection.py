"""Rejection of samples that do not show the sky: trails, particle hits, unstable pixels.

Every output pixel of a channel has one sample a frame. A sample is compared with a robust centre of all:

    z_i = (|x_i - centre| - a_i slope) / sqrt(sigma_i^2 + sigma_centre^2)

sigma_i comes from the camera model (read noise, dark, sky and the photons of the source itself), not from the
scatter of the few samples. The slope term is the idea of Gruen, Seitz & Bernstein [1]_, who add a share of the
local flux to the tolerance so that a clipped mean keeps a point-spread function that is linear in those of the
frames. Here it is a share of the local range (largest minus smallest centre within two pixels), which
bounds what seeing, a small misplacement and sampling can do, and vanishes on a smooth nebula; the share
grows with the difference between the frame's seeing and the usual one, since a Gaussian star of width F has a
peak proportional to 1 / F^2, and with the part of a peak that falls between the pixels of one colour. What
the noise of the centres makes of the range is taken off first.

What physics adds: light is added by trails and hits and hardly ever taken away, so the upper threshold is
the stricter one, and where the median itself is contaminated (half of the frames crossed by trails at one
spot) the lower group of samples is believed. Around a hit the wings are weaker than any safe threshold:
samples above a lower threshold that are connected with a hit, in space or across channels, go as well, within
a limited reach; a very strong one takes its neighbours with it unconditionally. The limited reach makes the
result independent of how the image was cut into bands, as long as a band comes with ``halo_pixels()`` more rows
on both sides.

All this is done only where :mod:`pipeline.numerics.screening` finds a sample far from the mean of the others, and around
the hits; elsewhere the mean is the centre.

With three frames and more the median holds against one bad sample; with two the one further from the sky's
level is rejected if the difference is clear; with one nothing can be told.

References
----------
.. [1] D. Gruen, S. Seitz, G. M. Bernstein, "Implementation of robust image artifact removal in SWarp through
   clipped mean stacking", PASP 126 (2014) 158 (the idea; their formula is not used).
"""

from dataclasses import dataclass

import numpy as np
from numba import njit

from pipeline.numerics.band_noise import BandNoise, by_frames, by_rows
from pipeline.numerics.sample_pulls import (
    HIT,
    NEIGHBOUR,
    STRONG,
    SUSPECT,
    UNSEEN,
    find_pulls,
    local_range,
    robust_centre,
    state_of,
)
from pipeline.numerics.screening import screen

__all__ = ["Thresholds", "find_outliers", "halo_pixels", "slope_share", "warm"]

SLOPE_RADIUS = 2
"""Frame pixels over which the local range is taken; the range within two pixels of a star of FWHM 3 px is 0.9 of its
peak (0.46 within one), so the share that seeing asks for stays near one."""

STRONG_RADIUS = 2
"""Frame pixels around a very strong hit that go with it; on a lattice of spacing 2 these are the direct neighbours."""

MISPLACED_DROP = 2.0
"""Upper limit of how much more of the slope a drop that hardly touches the pixel may take: its centre is no further
away than for one that touches it at half."""


@dataclass(frozen=True)
class Thresholds:
    """In units of the noise of a sample.

    Attributes
    ----------
    high : a sample above the centre by this is a hit
    low : a sample below the centre by this is a hit
    grow : a sample off by this goes if it is connected with a hit
    strong : a hit by this takes its neighbours with it
    reach : largest distance over which hits grow, frame pixels
    finer : output pixels along the side of a frame pixel
    slope, slope_seeing, slope_sampling : share of the local range that is tolerated for any frame, per unit of
        |(F_usual / F)^2 - 1|, and per unit of the peak that sampling may lose
    """

    high: float = 4.5
    low: float = 6.0
    grow: float = 2.0
    strong: float = 25.0
    reach: int = 10
    slope: float = 0.3
    slope_seeing: float = 1.2
    slope_sampling: float = 2.0
    finer: int = 1

    @property
    def radii(self):
        """Output pixels: over which hits grow, of the neighbours of a strong one, and of the local range."""
        return tuple(self.finer * radius for radius in (self.reach, STRONG_RADIUS, SLOPE_RADIUS))


def halo_pixels(thresholds):
    """Rows and columns that a part of an image needs beyond its own on every side."""
    reach, strong, slope = thresholds.radii
    return max(reach, strong) + slope


def slope_share(fwhm, peak_losses, thresholds):
    """Share of the local range that is tolerated for each frame.

    Parameters
    ----------
    fwhm : (N,) seeing, pixels; where unknown (NaN), the median of the others is taken
    peak_losses : (N,) from :func:`pipeline.numerics.sampling.peak_loss` at these widths; NaN counts as none
    thresholds : Thresholds

    Returns
    -------
    (N,) float64
    """
    fwhm = np.asarray(fwhm, dtype=np.float64)
    known = np.isfinite(fwhm)
    change = np.zeros(fwhm.shape)
    change[known] = np.abs((np.median(fwhm[known]) / fwhm[known]) ** 2 - 1) if known.any() else 0.0
    losses = np.nan_to_num(np.asarray(peak_losses, dtype=np.float64))
    return thresholds.slope + thresholds.slope_seeing * change + thresholds.slope_sampling * losses


def find_outliers(
    values, weights, models, *, noise_factors, slope_shares, thresholds, drops=False, mean=None, total=None, heavy=None
):  # fmt: skip
    """Which samples of a band to leave out.

    Parameters
    ----------
    values : (N, C, h, w) float32, samples on the reference's scale with their background matched; fastest in the
        memory order of :func:`pipeline.numerics.band_noise.by_rows`
    weights : (N, C, h, w) uint8, 0 where there is no sample, 255 for a complete one
    models : C of BandNoise
    noise_factors : (C,) variance of a sample over that of a raw pixel
    slope_shares : (N,) from :func:`slope_share`
    thresholds : Thresholds
    drops : True where a sample is what single pixels drop there: a smaller overlap then makes it no noisier
    mean, total : (C, h, w) float32, weighted mean of all samples and sum of the weights; by default with equal ones
    heavy : (N, C), weight of a sample of frame i in these whose byte is 1

    Returns
    -------
    outlier : (N, C, h, w) bool
    centre : (C, h, w) float32, the mean where nothing was suspicious; NaN where there is no sample
    """
    values, weights = by_rows(values), by_rows(weights)
    if mean is None:
        mean, total = plain_mean(values, weights)
        heavy = np.ones((values.shape[2], values.shape[0]))
    flags = np.zeros(values.shape, dtype=np.uint8)
    strong = max(thresholds.strong, thresholds.high)
    farthest = np.float32(MISPLACED_DROP if drops else np.inf)
    centre = np.where(total > 0, mean, np.float32(np.nan))
    found = np.empty(mean.shape, dtype=np.bool_)
    for c, model in enumerate(models):
        found[c] = screen(
            values, weights, c, model, mean[c], total[c], heavy=heavy[:, c], factor=noise_factors[c],
            limits=(thresholds.high, thresholds.low), drops=drops,
        )  # fmt: skip
    if found.any():
        _reject(
            values,
            weights,
            found,
            centre,
            models[0].nodes,
            np.stack([model.sky_variance for model in models]),
            np.stack([model.level for model in models]),
            np.stack([model.gain for model in models]),
            np.asarray(noise_factors, dtype=np.float64),
            np.asarray(slope_shares, dtype=np.float64),
            np.array([thresholds.high, thresholds.low, thresholds.grow, strong]),
            thresholds.radii,
            float(farthest),
            drops,
            flags,
        )
    return by_frames(np.greater_equal(flags, HIT, out=flags.view(bool))), centre


def warm():
    """Compile the kernels of this module."""
    model = BandNoise(np.array([1.5]), np.ones((3, 4, 1)), np.zeros((4, 1)), np.zeros(3))
    values = np.zeros((3, 1, 4, 4), dtype=np.float32)
    values[0, 0, 1, 1] = 100.0
    find_outliers(
        values,
        np.full(values.shape, 255, dtype=np.uint8),
        [model],
        noise_factors=[1.0],
        slope_shares=np.zeros(3),
        thresholds=Thresholds(),
    )


def plain_mean(values, weights):
    """Mean (C, h, w) of samples (C, h, N, w) weighted by their bytes alone, and the sum of these."""
    weights = weights.astype(np.float32)
    total = weights.sum(axis=2)
    signal = np.where(weights > 0, weights * np.nan_to_num(values, posinf=0.0), 0.0).sum(axis=2)
    return np.divide(signal, total, out=np.zeros_like(total), where=total > 0).astype(np.float32), total


@njit(cache=True, nogil=True, error_model="numpy")
def _reject(
    values, weights, found, centre, nodes, sky_variance, level, gain, factors, slope_shares, limits, radii, farthest, drops,
    flags,
):  # fmt: skip
    """Flag the samples of the pixels that were found; from the hits on, look at what is around them."""
    n_channels, height, n_frames, width = values.shape
    spread = np.empty(found.shape, dtype=np.float32)
    ordered, pulls = np.empty(n_frames), np.empty(n_frames)
    for c in range(n_channels):
        for row in range(height):
            for column in range(width):
                if found[c, row, column]:
                    centre[c, row, column], spread[c, row, column] = robust_centre(
                        values[c, row, :, column], weights[c, row, :, column], nodes, column, sky_variance[c, :, row],
                        level[c, row], factors[c], limits[0], ordered,
                    )  # fmt: skip
    ends = np.zeros(n_frames, dtype=np.int64)
    queues = np.empty((n_frames, 256), dtype=np.int64)
    for c in range(n_channels):
        for row in range(height):
            for column in range(width):
                if not found[c, row, column]:
                    continue
                find_pulls(
                    values[c, row, :, column], weights[c, row, :, column], nodes, column, sky_variance[c, :, row],
                    level[c, row], gain[c], factors[c], centre[c, row, column], spread[c, row, column],
                    local_range(centre[c], row, column, radii[2]), slope_shares, farthest, drops, pulls,
                )  # fmt: skip
                for i in range(n_frames):
                    code = state_of(pulls[i], limits)
                    flags[c, row, i, column] = code
                    if code >= HIT:
                        if ends[i] == queues.shape[1]:
                            queues = _more_room(queues)
                        queues[i, ends[i]] = (c * height + row) * width + column
                        ends[i] += 1
    for i in range(n_frames):
        if ends[i]:
            _grow(
                i, queues[i, : ends[i]], values, weights, found, centre, spread, nodes, sky_variance, level, gain, factors,
                slope_shares, limits, radii, farthest, drops, flags, ordered, pulls,
            )  # fmt: skip


@njit(cache=True, nogil=True)
def _more_room(queues):
    larger = np.empty((queues.shape[0], 2 * queues.shape[1]), dtype=queues.dtype)
    larger[:, : queues.shape[1]] = queues
    return larger


@njit(cache=True, nogil=True, error_model="numpy")
def _grow(
    i, queue, values, weights, found, centre, spread, nodes, sky_variance, level, gain, factors, slope_shares, limits, radii,
    farthest, drops, flags, ordered, pulls,
):  # fmt: skip
    """Let the hits of a frame spread over connected suspects; then widen the strong ones.

    What the screen passed is looked at when a hit comes near it.
    """
    n_channels, height, _, width = values.shape
    reach, strong, _ = radii
    edge = queue
    for _ in range(reach):
        if not edge.size:
            break
        reached = np.empty(9 * n_channels * edge.size, dtype=np.int64)
        end = 0
        for place in edge:
            column, row = place % width, place // width % height
            for c in range(n_channels):
                for r in range(max(row - 1, 0), min(row + 2, height)):
                    for s in range(max(column - 1, 0), min(column + 2, width)):
                        if flags[c, r, i, s] == UNSEEN:
                            x, w = values[c, r, :, s], weights[c, r, :, s]
                            middle, unsure = centre[c, r, s], spread[c, r, s]
                            if not found[c, r, s]:
                                middle, unsure = robust_centre(
                                    x,
                                    w,
                                    nodes,
                                    s,
                                    sky_variance[c, :, r],
                                    level[c, r],
                                    factors[c],
                                    limits[0],
                                    ordered,
                                )
                            find_pulls(
                                x, w, nodes, s, sky_variance[c, :, r], level[c, r], gain[c], factors[c], middle, unsure,
                                local_range(centre[c], r, s, radii[2]), slope_shares, farthest, drops, pulls,
                            )  # fmt: skip
                            flags[c, r, i, s] = min(state_of(pulls[i], limits), SUSPECT)
                        if flags[c, r, i, s] == SUSPECT:
                            flags[c, r, i, s] = HIT
                            reached[end] = (c * height + r) * width + s
                            end += 1
        edge = reached[:end]
    for place in queue:
        column, row, c = place % width, place // width % height, place // (width * height)
        if flags[c, row, i, column] == STRONG:
            for r in range(max(row - strong, 0), min(row + strong + 1, height)):
                for s in range(max(column - strong, 0), min(column + strong + 1, width)):
                    if flags[c, r, i, s] <= SUSPECT:
                        flags[c, r, i, s] = NEIGHBOUR
