"""Rejection of samples that do not show the sky: trails, particle hits, unstable pixels.

Every output pixel of a channel has one sample a frame. A sample is compared with a robust centre of all:

    z_i = (|x_i - centre| - a_i slope) / sqrt(sigma_i^2 + sigma_centre^2)

sigma_i comes from the camera model (read noise, dark, sky and the photons of the source itself), not from the
scatter of the few samples. The slope term is the idea of Gruen, Seitz & Bernstein [1]_, who add a share of the
local flux to the tolerance so that a clipped mean keeps a point-spread function that is linear in those of the
frames. Here it is a share of the local range (largest minus smallest centre within two pixels), which
bounds what seeing, a small misplacement and sampling can do, and vanishes on a smooth nebula; the share
grows with the difference between the frame's seeing and the usual one, since a Gaussian star of width F has a
peak proportional to 1 / F^2, and with the part of a peak that falls between the pixels of one colour.

What physics adds: light is added by trails and hits and hardly ever taken away, so the upper threshold is
the stricter one, and where the median itself is contaminated (half of the frames crossed by trails at one
spot) the lower group of samples is believed. Around a hit the wings are weaker than any safe threshold:
samples above a lower threshold that are connected with a hit, in space or across channels, go as well, within
a limited reach; a very strong one takes its neighbours with it unconditionally. The limited reach makes the
result independent of how the image was cut into bands, as long as a band comes with ``halo_rows()`` more rows
on both sides.

With three frames and more the median holds against one bad sample; with two the upper one is rejected
if the difference is clear; with one nothing can be told.

References
----------
.. [1] D. Gruen, S. Seitz, G. M. Bernstein, "Implementation of robust image artifact removal in SWarp through
   clipped mean stacking", PASP 126 (2014) 158 (the idea; their formula is not used).
"""

from dataclasses import dataclass

import numpy as np
from numba import njit
from scipy import ndimage

from pipeline.numerics.band_noise import LEAST_VARIANCE_SHARE, BandNoise, along_row

__all__ = ["Thresholds", "find_outliers", "halo_rows", "slope_share", "warm"]

SLOPE_RADIUS = 2
"""Pixels over which the local range is taken; the range within two pixels of a star of FWHM 3 px is 0.9 of its
peak (0.46 within one), so the share that seeing asks for stays near one."""

STRONG_RADIUS = 2
"""Pixels around a very strong hit that go with it; on a lattice of spacing 2 these are the direct neighbours."""

CONTAMINATED_SHARE = 0.5
"""The median is mistrusted if it lies above the lower quartile by more than this share of its own height
above the sky (plus the noise threshold); seeing changes of a quarter move a peak by 0.36 of it downwards."""

OK, SUSPECT, HIT, STRONG, NEIGHBOUR = 0, 1, 2, 3, 4


@dataclass(frozen=True)
class Thresholds:
    """In units of the noise of a sample.

    Attributes
    ----------
    high : a sample above the centre by this is a hit
    low : a sample below the centre by this is a hit
    grow : a sample off by this goes if it is connected with a hit
    strong : a hit by this takes its neighbours with it
    reach : largest distance over which hits grow, pixels
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


def halo_rows(thresholds):
    """Rows that a band needs beyond its own on both sides."""
    return max(thresholds.reach, STRONG_RADIUS) + SLOPE_RADIUS


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


def find_outliers(values, weights, models, *, noise_factors, slope_shares, thresholds):
    """Which samples of a band to leave out.

    Parameters
    ----------
    values : (N, C, h, w) float32, samples on the reference's scale with their background matched
    weights : (N, C, h, w) uint8, 0 where there is no sample, 255 for a complete one
    models : C of BandNoise
    noise_factors : (C,) variance of a sample over that of a raw pixel
    slope_shares : (N,) from :func:`slope_share`
    thresholds : Thresholds

    Returns
    -------
    outlier : (N, C, h, w) bool
    centre : (C, h, w) float32, NaN where there is no sample
    """
    _, n_channels, height, width = values.shape
    flags = np.zeros(values.shape, dtype=np.uint8)
    centre = np.empty((n_channels, height, width), dtype=np.float32)
    spread = np.empty((height, width), dtype=np.float32)
    strong = max(thresholds.strong, thresholds.high)
    limits = np.array([thresholds.high, thresholds.low, thresholds.grow, strong])
    shares = np.ascontiguousarray(slope_shares, dtype=np.float64)
    for c, model in enumerate(models):
        left, share = model.column_weights(width)
        noise = (model.sky_variance, model.level, model.gain, left, share, float(noise_factors[c]))
        _centres(values[:, c], weights[:, c], *noise, thresholds.high, centre[c], spread)
        slope = _local_range(centre[c])
        _compare(values[:, c], weights[:, c], *noise, centre[c], spread, slope, shares, limits, flags[:, c])
    for frame in flags:
        _grow(frame, thresholds.reach)
    return flags >= HIT, centre


def warm():
    """Compile the kernels of this module."""
    model = BandNoise(np.array([1.5]), np.ones((3, 4, 1)), np.zeros((4, 1)), np.zeros(3))
    # The planes of one channel are contiguous only if there are no others: two memory layouts, two variants.
    for n_channels in (1, 3):
        values = np.zeros((3, n_channels, 4, 4), dtype=np.float32)
        find_outliers(
            values,
            np.full(values.shape, 255, dtype=np.uint8),
            [model] * n_channels,
            noise_factors=[1.0] * n_channels,
            slope_shares=np.ones(3),
            thresholds=Thresholds(),
        )


def _local_range(centre):
    """Largest minus smallest value within ``SLOPE_RADIUS``; missing pixels do not count."""
    size = 2 * SLOPE_RADIUS + 1
    missing = ~np.isfinite(centre)
    top = ndimage.maximum_filter(np.where(missing, -np.inf, centre), size=size, mode="nearest")
    bottom = ndimage.minimum_filter(np.where(missing, np.inf, centre), size=size, mode="nearest")
    return np.where(top >= bottom, top - bottom, 0.0).astype(np.float32)


@njit(cache=True, nogil=True)
def _centres(values, weights, sky_variance, level, gain, left, share, factor, high, centre, spread):
    """Robust centre of the samples of every pixel and its variance."""
    n_frames, height, width = values.shape
    found = np.empty(n_frames)
    for row in range(height):
        for column in range(width):
            n = 0
            sky = 0.0
            for i in range(n_frames):
                if weights[i, row, column] > 0:
                    x = values[i, row, column]
                    # Insertion: the lists are short, and sorted input is what neighbours hand over anyway.
                    j = n
                    while j > 0 and found[j - 1] > x:
                        found[j] = found[j - 1]
                        j -= 1
                    found[j] = x
                    n += 1
                    sky += sky_variance[i, row, left[column]]
            if n == 0:
                centre[row, column] = np.nan
                spread[row, column] = 0.0
                continue
            sigma2 = factor * sky / n
            if n == 2:
                middle = found[0]
                variance = sigma2
            else:
                middle = 0.5 * (found[(n - 1) // 2] + found[n // 2])
                # Variance of the median of n normal values, pi / 2n (large n; 15 % too large for three).
                variance = 0.5 * np.pi * sigma2 / n
                quartile = found[n // 4]
                height_above = max(middle - level[row, left[column]], 0.0)
                if n >= 4 and middle - quartile > high * np.sqrt(sigma2) + CONTAMINATED_SHARE * height_above:
                    m = 0
                    while found[m] < 0.5 * (middle + quartile):
                        m += 1
                    middle = 0.5 * (found[(m - 1) // 2] + found[m // 2])
                    variance = 0.5 * np.pi * sigma2 / m
            centre[row, column] = middle
            spread[row, column] = variance


@njit(cache=True, nogil=True)
def _compare(
    values,
    weights,
    sky_variance,
    level,
    gain,
    left,
    share,
    factor,
    centre,
    spread,
    slope,
    slope_shares,
    limits,
    flags,
):
    """Mark suspects, hits and strong hits."""
    n_frames, height, width = values.shape
    count = np.empty(width, dtype=np.int64)
    least = limits.min()
    for row in range(height):
        count[:] = 0
        for i in range(n_frames):
            for column in range(width):
                count[column] += weights[i, row, column] > 0
        # Frame by frame along the row, as the samples lie in memory.
        for i in range(n_frames):
            for column in range(width):
                whole = weights[i, row, column] / 255.0
                if whole == 0.0 or count[column] < 2:
                    continue
                middle = centre[row, column]
                excess = values[i, row, column] - middle
                # An incomplete sample is noisier and less well placed.
                above = abs(excess) - slope_shares[i] * slope[row, column] / whole
                if above <= 0.0:
                    continue
                sky = along_row(sky_variance[i, row], left[column], share[column])
                above_level = middle - along_row(level[row], left[column], share[column])
                raw = max(sky + gain[i] * above_level, LEAST_VARIANCE_SHARE * sky)
                variance = factor * raw / whole + spread[row, column]
                if above * above < least * least * variance:
                    continue
                z = above / np.sqrt(variance)
                if excess > 0.0 and z >= limits[3]:
                    flags[i, row, column] = STRONG
                elif (excess > 0.0 and z >= limits[0]) or (excess < 0.0 and z >= limits[1]):
                    flags[i, row, column] = HIT
                elif z >= limits[2]:
                    flags[i, row, column] = SUSPECT


@njit(cache=True, nogil=True)
def _grow(flags, reach):
    """Let the hits of one frame, (C, h, w), spread over connected suspects; then widen the strong ones."""
    n_channels, height, width = flags.shape
    size = 0
    for c in range(n_channels):
        for row in range(height):
            for column in range(width):
                size += flags[c, row, column] > OK
    queue = np.empty(size, dtype=np.int64)
    end = 0
    for c in range(n_channels):
        for row in range(height):
            for column in range(width):
                if flags[c, row, column] >= HIT:
                    queue[end] = (c * height + row) * width + column
                    end += 1
    strong_end = end
    start = 0
    for _ in range(reach):
        stop = end
        for k in range(start, stop):
            column = queue[k] % width
            row = queue[k] // width % height
            for other in range(n_channels):
                for r in range(max(row - 1, 0), min(row + 2, height)):
                    for s in range(max(column - 1, 0), min(column + 2, width)):
                        if flags[other, r, s] == SUSPECT:
                            flags[other, r, s] = HIT
                            queue[end] = (other * height + r) * width + s
                            end += 1
        start = stop
        if start == end:
            break
    for k in range(strong_end):
        column = queue[k] % width
        row = queue[k] // width % height
        c = queue[k] // (width * height)
        if flags[c, row, column] == STRONG:
            for r in range(max(row - STRONG_RADIUS, 0), min(row + STRONG_RADIUS + 1, height)):
                for s in range(max(column - STRONG_RADIUS, 0), min(column + STRONG_RADIUS + 1, width)):
                    if flags[c, r, s] <= SUSPECT:
                        flags[c, r, s] = NEIGHBOUR
