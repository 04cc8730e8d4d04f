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
result independent of how the image was cut into bands, as long as a band comes with ``halo_pixels()`` more rows
on both sides.

With three frames and more the median holds against one bad sample; with two the one further from the sky's
level is rejected if the difference is clear; with one nothing can be told.

References
----------
.. [1] D. Gruen, S. Seitz, G. M. Bernstein, "Implementation of robust image artifact removal in SWarp through
   clipped mean stacking", PASP 126 (2014) 158 (the idea; their formula is not used).
.. [2] K. E. Batcher, "Sorting networks and their applications", AFIPS Spring Joint Computer Conference 32
   (1968) 307 (from memory).
"""

from dataclasses import dataclass
from functools import cache

import numpy as np
from numba import njit

from pipeline.numerics.band_noise import LEAST_VARIANCE_SHARE, SEGMENT, BandNoise, by_frames, by_rows

__all__ = ["Thresholds", "find_outliers", "halo_pixels", "slope_share", "warm"]

SLOPE_RADIUS = 2
"""Pixels over which the local range is taken; the range within two pixels of a star of FWHM 3 px is 0.9 of its
peak (0.46 within one), so the share that seeing asks for stays near one."""

STRONG_RADIUS = 2
"""Pixels around a very strong hit that go with it; on a lattice of spacing 2 these are the direct neighbours."""

CONTAMINATED_SHARE = 0.5
"""The median is mistrusted if it lies above the lower quartile by more than this share of its own height
above the sky (plus the noise threshold); seeing changes of a quarter move a peak by 0.36 of it downwards."""

MISPLACED_DROP = 2.0
"""Upper limit of how much more of the slope a drop that hardly touches the pixel may take: its centre is no further
away than for one that touches it at half."""

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


def halo_pixels(thresholds):
    """Rows and columns that a part of an image needs beyond its own on every side."""
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


def find_outliers(values, weights, models, *, noise_factors, slope_shares, thresholds, drops=False):
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

    Returns
    -------
    outlier : (N, C, h, w) bool
    centre : (C, h, w) float32, NaN where there is no sample
    """
    n_frames, n_channels, height, width = values.shape
    values, weights = by_rows(values), by_rows(weights)
    flags = np.zeros(values.shape, dtype=np.uint8)
    centre = np.empty((n_channels, height, width), dtype=np.float32)
    spread, across, slope = (np.empty((height, width), dtype=np.float32) for _ in range(3))
    hits = np.zeros((n_channels, height, n_frames), dtype=bool)
    strong = max(thresholds.strong, thresholds.high)
    limits = np.array([thresholds.high, thresholds.low, thresholds.grow, strong], dtype=np.float32)
    shares = np.asarray(slope_shares, dtype=np.float32)
    first, second = _sorting_network(n_frames)
    for c, model in enumerate(models):
        noise = (model.sky_variance, model.level, *model.segments(0, width))
        factor = np.float32(noise_factors[c])
        high = np.float32(thresholds.high)
        _centres(values, weights, c, *noise, factor, high, first, second, centre[c], spread)
        _local_range(centre[c], across, slope)
        _compare(
            values,
            weights,
            c,
            *noise,
            model.gain,
            factor,
            centre[c],
            spread,
            slope,
            shares,
            limits,
            drops,
            flags,
            hits,
        )
    _grow(flags, hits, thresholds.reach)
    return by_frames(np.greater_equal(flags, HIT, out=flags.view(bool))), centre


def warm():
    """Compile the kernels of this module."""
    model = BandNoise(np.array([1.5]), np.ones((3, 4, 1)), np.zeros((4, 1)), np.zeros(3))
    values = np.zeros((3, 1, 4, 4), dtype=np.float32)
    find_outliers(
        values,
        np.full(values.shape, 255, dtype=np.uint8),
        [model],
        noise_factors=[1.0],
        slope_shares=np.ones(3),
        thresholds=Thresholds(),
    )


@cache
def _sorting_network(n):
    """Pairs (first, second) of an odd-even merge sort of n numbers, to be put in order one after the other.

    Batcher [2]_, for the next power of two; the places beyond n would hold infinity, which no comparison moves.
    A network has no branches, so that the numbers of many columns are sorted side by side.
    """
    size = 1 << max(n - 1, 0).bit_length()
    pairs = []
    p = 1
    while p < size:
        k = p
        while k >= 1:
            for j in range(k % p, size - k, 2 * k):
                for i in range(k):
                    low, high = i + j, i + j + k
                    if low // (2 * p) == high // (2 * p) and high < n:
                        pairs.append((low, high))
            k //= 2
        p *= 2
    return tuple(np.array([pair[k] for pair in pairs], dtype=np.int64) for k in (0, 1))


@njit(cache=True, nogil=True)
def _local_range(centre, across, slope):
    """Largest minus smallest centre within ``SLOPE_RADIUS``; missing pixels do not count.

    ``across`` is scratch space.
    """
    height, width = centre.shape
    nothing = np.float32(np.inf)
    column_range = np.empty(width, dtype=np.float32)
    for sign in (np.float32(1.0), np.float32(-1.0)):
        for row in range(height):
            line, out = centre[row], across[row]
            for column in range(width):
                value = sign * line[column]
                column_range[column] = value if value == value else -nothing
            out[:] = column_range
            for step in range(1, SLOPE_RADIUS + 1):
                for column in range(width - step):
                    other = column_range[column + step]
                    out[column] = out[column] if out[column] > other else other
                for column in range(step, width):
                    other = column_range[column - step]
                    out[column] = out[column] if out[column] > other else other
        for row in range(height):
            out = slope[row]
            column_range[:] = -nothing
            for other_row in range(max(row - SLOPE_RADIUS, 0), min(row + SLOPE_RADIUS + 1, height)):
                line = across[other_row]
                for column in range(width):
                    other = line[column]
                    column_range[column] = column_range[column] if column_range[column] > other else other
            if sign > 0:
                out[:] = column_range
            else:
                for column in range(width):
                    both = out[column] + column_range[column]
                    out[column] = both if both > -nothing else np.float32(0.0)


@njit(cache=True, nogil=True, error_model="numpy")
def _centres(
    values, weights, c, sky_variance, level, pieces, places, factor, high, first, second, centre, spread
):
    """Robust centre of the samples of every pixel and its variance."""
    n_frames = values.shape[2]
    last = sky_variance.shape[2] - 1
    found = np.empty((n_frames, SEGMENT), dtype=np.float32)
    count = np.empty(SEGMENT, dtype=np.uint8)
    sky = np.empty(SEGMENT, dtype=np.float32)
    for row in range(values.shape[1]):
        for piece in range(pieces.shape[0]):
            start, stop, k = pieces[piece]
            width = stop - start
            t, dt = places[piece]
            right = min(k + 1, last)
            count[:] = 0
            sky[:] = 0
            for i in range(n_frames):
                x, w = values[c, row, i, start:stop], weights[c, row, i, start:stop]
                across = sky_variance[i, row, right] - sky_variance[i, row, k]
                base = np.float32(sky_variance[i, row, k] + t * across)
                step = np.float32(dt * across)
                _load(x, w, base, step, found[i], sky, count)
            _sort(found, first, second, width)
            level_base = level[row, k] + t * (level[row, right] - level[row, k])
            level_step = dt * (level[row, right] - level[row, k])
            for n in range(width):
                m = np.int64(count[n])
                column = start + n
                if m == 0:
                    centre[row, column] = np.nan
                    spread[row, column] = 0.0
                    continue
                sigma2 = factor * sky[n] / m
                if m == 2:
                    # The lower one, unless it is the dark ring that the kernel makes around a hit.
                    usual = level_base + n * level_step
                    nearer = abs(found[0, n] - usual) <= abs(found[1, n] - usual)
                    centre[row, column] = found[0, n] if nearer else found[1, n]
                    spread[row, column] = sigma2
                    continue
                middle = np.float32(0.5) * (found[(m - 1) // 2, n] + found[m // 2, n])
                # Variance of the median of m normal values, pi / 2m (large m; 15 % too large for three).
                variance = 0.5 * np.pi * sigma2 / m
                quartile = found[m // 4, n]
                if m >= 4 and middle - quartile > high * np.sqrt(sigma2):
                    above = max(middle - (level_base + n * level_step), 0.0)
                    if middle - quartile > high * np.sqrt(sigma2) + CONTAMINATED_SHARE * above:
                        lower = 0
                        while found[lower, n] < 0.5 * (middle + quartile):
                            lower += 1
                        middle = np.float32(0.5) * (found[(lower - 1) // 2, n] + found[lower // 2, n])
                        variance = 0.5 * np.pi * sigma2 / lower
                centre[row, column] = middle
                spread[row, column] = variance


@njit(cache=True, nogil=True, error_model="numpy")
def _load(x, w, base, step, line, sky, count):
    """Take one frame's piece of a row: its samples, infinity where there is none, its noise and that it is there."""
    none, nothing = np.float32(0.0), np.float32(np.inf)
    # Several loops: with more arrays in one, the compiler no longer proves that they do not overlap.
    for n in range(x.size):
        line[n] = x[n] if w[n] > 0 else nothing
    for n in range(x.size):
        sky[n] += base + step * np.float32(n) if w[n] > 0 else none
    for n in range(x.size):
        count[n] += np.uint8(w[n] > 0)


@njit(cache=True, nogil=True, error_model="numpy")
def _sort(found, first, second, width):
    """Sort each column by a network of comparisons."""
    for pair in range(first.size):
        a, b = found[first[pair]], found[second[pair]]
        for n in range(width):
            low, top = a[n], b[n]
            a[n] = low if low < top else top
            b[n] = top if low < top else low


@njit(cache=True, nogil=True, error_model="numpy")
def _compare(
    values,
    weights,
    c,
    sky_variance,
    level,
    pieces,
    places,
    gain,
    factor,
    centre,
    spread,
    slope,
    slope_shares,
    limits,
    drops,
    flags,
    hits,
):
    """Mark suspects, hits and strong hits; note in which rows of a frame there are hits."""
    n_frames = values.shape[2]
    last = sky_variance.shape[2] - 1
    farthest = np.float32(MISPLACED_DROP if drops else np.inf)
    high2, low2, grow2, strong2 = limits * limits
    least2 = min(high2, low2, grow2)
    count = np.empty(SEGMENT, dtype=np.uint8)
    above_level = np.empty(SEGMENT, dtype=np.float32)
    pull2 = np.empty(SEGMENT, dtype=np.float32)
    for row in range(values.shape[1]):
        for piece in range(pieces.shape[0]):
            start, stop, k = pieces[piece]
            width = stop - start
            t, dt = places[piece]
            right = min(k + 1, last)
            middle, steep, unsure = centre[row, start:stop], slope[row, start:stop], spread[row, start:stop]
            across = level[row, right] - level[row, k]
            base, step = np.float32(level[row, k] + t * across), np.float32(dt * across)
            for n in range(width):
                above_level[n] = middle[n] - (base + step * np.float32(n))
            count[:] = 0
            for i in range(n_frames):
                w = weights[c, row, i, start:stop]
                for n in range(width):
                    count[n] += np.uint8(w[n] > 0)
            for i in range(n_frames):
                x, w = values[c, row, i, start:stop], weights[c, row, i, start:stop]
                out = flags[c, row, i, start:stop]
                across = sky_variance[i, row, right] - sky_variance[i, row, k]
                base = np.float32(sky_variance[i, row, k] + t * across)
                step = np.float32(dt * across)
                electron, share = np.float32(gain[i]), slope_shares[i]
                _pulls(
                    x, w, middle, steep, unsure, above_level, base, step, electron, share, factor, farthest, drops, pull2
                )  # fmt: skip
                suspects = 0
                for n in range(width):
                    suspects += np.int32(pull2[n] >= least2)
                if not suspects:
                    continue
                worst_code = 0
                for n in range(width):
                    z2 = pull2[n]
                    up = x[n] > middle[n]
                    code = np.uint8(z2 >= grow2)
                    code = np.uint8(HIT) if z2 >= (high2 if up else low2) else code
                    code = np.uint8(STRONG) if (z2 >= strong2) & up else code
                    code = code if count[n] > 1 else np.uint8(OK)
                    out[n] = code
                    worst_code = max(worst_code, code)
                if worst_code >= HIT:
                    hits[c, row, i] = True


@njit(cache=True, nogil=True, error_model="numpy")
def _pulls(
    x, w, middle, steep, unsure, above_level, base, step, electron, share, factor, farthest, drops, pull2
):
    """Squared deviation of each sample of a piece of a row beyond what the slope allows, over its variance."""
    none, one, full, least = (
        np.float32(0.0),
        np.float32(1.0),
        np.float32(255.0),
        np.float32(LEAST_VARIANCE_SHARE),
    )
    for n in range(x.size):
        # An incomplete sample is noisier and less well placed; what a drop hits is only the latter.
        incomplete = full / np.float32(w[n])
        noisier = one if drops else incomplete
        incomplete = incomplete if incomplete < farthest else farthest
        off = abs(x[n] - middle[n]) - share * steep[n] * incomplete
        sky = base + step * np.float32(n)
        raw = sky + electron * above_level[n]
        floor = least * sky
        raw = raw if raw > floor else floor
        z2 = off * off / (factor * raw * noisier + unsure[n])
        # Comparisons with NaN are false, so that a missing sample is not even a suspect.
        pull2[n] = z2 if (w[n] > 0) & (off > none) else none


@njit(cache=True, nogil=True)
def _grow(flags, hits, reach):
    """Let the hits of each frame spread over connected suspects; then widen the strong ones."""
    n_channels, height, n_frames, width = flags.shape
    queue = np.empty(1024, dtype=np.int64)
    for i in range(n_frames):
        frame = flags[:, :, i]
        end = 0
        for c in range(n_channels):
            for row in range(height):
                if not hits[c, row, i]:
                    continue
                for column in range(width):
                    if frame[c, row, column] >= HIT:
                        queue = _room(queue, end)
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
                            if frame[other, r, s] == SUSPECT:
                                frame[other, r, s] = HIT
                                queue = _room(queue, end)
                                queue[end] = (other * height + r) * width + s
                                end += 1
            start = stop
            if start == end:
                break
        for k in range(strong_end):
            column = queue[k] % width
            row = queue[k] // width % height
            c = queue[k] // (width * height)
            if frame[c, row, column] == STRONG:
                for r in range(max(row - STRONG_RADIUS, 0), min(row + STRONG_RADIUS + 1, height)):
                    for s in range(max(column - STRONG_RADIUS, 0), min(column + STRONG_RADIUS + 1, width)):
                        if frame[c, r, s] <= SUSPECT:
                            frame[c, r, s] = NEIGHBOUR


@njit(cache=True, nogil=True)
def _room(queue, end):
    """``queue`` itself, or a larger copy if its ``end`` is reached."""
    if end < queue.size:
        return queue
    larger = np.empty(2 * queue.size, dtype=queue.dtype)
    larger[:end] = queue
    return larger
