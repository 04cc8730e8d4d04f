"""The starlet transform: an image as a sum of details of growing size, and noise removed size by size.

The isotropic undecimated wavelet transform of Starck & Murtagh [1]_: c_0 is the image, c_(j+1) is c_j convolved
with the B3 spline h = [1, 4, 6, 4, 1] / 16 with 2^j - 1 zeros between its taps, and w_(j+1) = c_j - c_(j+1).
The image is the sum of all w_j and the last c, exactly.

References
----------
.. [1] J.-L. Starck, F. Murtagh, Astronomical Image and Data Analysis, 2nd ed. (2006), ch. 2 (from memory).
.. [2] T. T. Cai, "Adaptive wavelet estimation: a block thresholding and oracle inequality approach", Annals of
   Statistics 27 (1999) 898: blockwise James-Stein shrinkage (from memory).
"""

import numpy as np
from numba import njit
from scipy import ndimage

from pipeline.numerics.bands import in_bands
from pipeline.numerics.robust import MAD_TO_SIGMA
from pipeline.numerics.spread_sample import every_nth

__all__ = ["N_SCALES", "correlation_sigma", "denoise", "noise_gains", "smoothed", "starlet", "warm"]

N_SCALES = 5
"""Details up to 2^5 = 32 pixels; larger structure of gas stands far above any noise."""

CONTRAST_FLOOR = 4.0
"""Power over the limit of the noise from which contrast is raised: twice the amplitude that is kept."""

CONTRAST_RANGE = (0.25, 4.0)
"""Ratios of sure structure to its surroundings beyond which contrast is not raised further."""

MIN_SCALE_SHARE = 4
"""A scale larger than this part of the image is not looked at."""

CORRELATION_SIGMAS_PX = np.arange(0.0, 2.05, 0.1)
"""Correlation lengths of noise that are told apart: 0 is that of raw pixels, 0.85 px that of cubic interpolation on
the lattice of one colour of a Bayer array, more where planes were matched in sharpness as well."""

BAND_ROWS = 64
"""Rows that are prepared and finished at a time: they stay in the cache through all steps."""

CENTRE, NEAR, FAR = np.float32(6 / 16), np.float32(4 / 16), np.float32(1 / 16)
"""Taps of the B3 spline; in single precision they are exact, and the loops twice as wide."""


def smoothed(image, step):
    """``image`` convolved with the B3 spline, ``step`` pixels between its taps, mirrored at the edges.

    Parameters
    ----------
    image : (ny, nx)
    step : 1, 2, 4, ...

    Returns
    -------
    (ny, nx) float32
    """
    image = np.ascontiguousarray(image, dtype=np.float32)
    out = np.empty_like(image)
    in_bands(lambda start, stop: _smooth(image, out, step, start, stop), len(image))
    return out


def starlet(image, n_scales=N_SCALES):
    """Details and rest.

    Parameters
    ----------
    image : (ny, nx)

    Returns
    -------
    details : list of (ny, nx) float32, finest first
    rest : (ny, nx) float32
    """
    current = np.ascontiguousarray(image, dtype=np.float32)
    details = []
    for j in range(n_scales):
        smoother = smoothed(current, 2**j)
        details.append(current - smoother)
        current = smoother
    return details, current


def noise_gains(n_scales=N_SCALES, *, sampling_sigma_px=0.0):
    """Standard deviation of each detail of noise whose equivalent uncorrelated variance is 1.

    White noise of unit variance is correlated first by a Gaussian of ``sampling_sigma_px``, as resampling does; the
    transform is linear, so the response to one unit pulse gives the result exactly.
    """
    size = 8 * 2**n_scales + 1
    pulse = np.zeros((size, size))
    pulse[size // 2, size // 2] = 1.0
    if sampling_sigma_px:
        pulse = ndimage.gaussian_filter(pulse, sampling_sigma_px, mode="constant")
    return np.array(
        [np.sqrt(np.sum(detail.astype(np.float64) ** 2)) for detail in starlet(pulse, n_scales)[0]]
    )


def correlation_sigma(image, variance):
    """How far the noise of an image reaches, as the sigma in pixels of a Gaussian that would have smoothed it.

    The variance says how much noise there is; how much of it the finest detail holds, robustly, says how it is
    correlated. Stars and filaments are too few to matter there.

    Parameters
    ----------
    image, variance : (ny, nx) float32; variance > 0
    """
    finest = (every_nth(image) - every_nth(smoothed(image, 1))) / np.sqrt(every_nth(variance))
    share = MAD_TO_SIGMA * float(np.median(np.abs(finest)))
    gains = [noise_gains(1, sampling_sigma_px=sigma)[0] for sigma in CORRELATION_SIGMAS_PX]
    return float(np.interp(-share, -np.array(gains), CORRELATION_SIGMAS_PX))


def denoise(image, variance, *, sigma, contrast=0.0, sampling_sigma_px=None, n_scales=N_SCALES):
    """Take away details that do not stand out of the noise, and if wanted raise those that do.

    A detail w of noise s is multiplied by max(0, 1 - ((k^2 / 2) s^2 / P)^2), with P the mean of w^2 around it, weighted
    by the spline of its own scale. That is blockwise James-Stein shrinkage [2]_ with overlapping blocks, but for the
    square, which lets the factor approach 1 faster: filaments keep their contrast (on a simulated one of 7 sigma the
    bias falls from 4 to below 3 %), and an outlying pixel still makes no speckle. The noise comes
    from the propagated variance, averaged over the reach of the detail, not from
    the scatter of the data, in which faint structure counts as noise.

    Structure larger than the coarsest scale is never touched. Hence the variance of the means of large blocks, which is
    what the variance planes of this project mean, is the same before and after.

    Parameters
    ----------
    image, variance : (ny, nx), equivalent uncorrelated variance; NaN where unknown
    sigma : k; 0 returns the image
    contrast : number or (ny, nx), how much more contrast sure details get: the image is multiplied by
        ((c + s + n) / (c + n))^contrast, with c the coarsest scale, s the sum of the sure details, and n the usual
        noise of a pixel. Sure are those whose power exceeds ``CONTRAST_FLOOR`` times the limit below which a detail
        is noise, so that noise is not raised. A factor turns nothing dark that is not so already
    sampling_sigma_px : correlation length of the noise; None: :func:`correlation_sigma`

    Returns
    -------
    (ny, nx) float32; 0 where unknown
    """
    some = every_nth(variance)
    if not np.isfinite(some).any():
        some = variance
    some = some[np.isfinite(some)]
    usual = np.float32(np.median(some)) if some.size else np.float32(0.0)
    known = np.empty(image.shape, dtype=bool)
    current, spread = np.empty(image.shape, dtype=np.float32), np.empty(image.shape, dtype=np.float32)

    def prepare(start, stop):
        rows = slice(start, stop)
        np.isfinite(variance[rows], out=known[rows])
        current[rows] = np.where(known[rows], image[rows], 0.0)
        spread[rows] = np.where(known[rows], variance[rows], usual)

    in_bands(prepare, len(image), rows=BAND_ROWS)
    if sigma <= 0 or not spread.min() > 0:
        return current
    if sampling_sigma_px is None:
        sampling_sigma_px = correlation_sigma(current, spread)
    n_scales = max(1, min(n_scales, int(np.log2(max(min(current.shape) / MIN_SCALE_SHARE, 2)))))
    total = np.zeros_like(current)
    sure = np.zeros_like(current) if np.any(contrast) else np.zeros((0, 0), dtype=np.float32)
    for j, gain in enumerate(noise_gains(n_scales, sampling_sigma_px=sampling_sigma_px)):
        smoother, spread = smoothed(current, 2**j), smoothed(spread, 2**j)
        _shrink(total, current, smoother, spread, 0.5 * sigma**2 * gain**2, sure, 2**j)
        current = smoother
    contrast = np.asarray(contrast, dtype=np.float32)

    def finish(start, stop):
        rows = slice(start, stop)
        total[rows] += current[rows]
        if sure.size:
            coarse = np.maximum(current[rows], np.float32(0.0)) + np.sqrt(usual)
            total[rows] *= np.clip(1 + sure[rows] / coarse, *CONTRAST_RANGE) ** (
                contrast[rows] if contrast.ndim else contrast
            )
        np.copyto(total[rows], 0.0, where=~known[rows])

    in_bands(finish, len(total), rows=BAND_ROWS)
    return total


def _shrink(total, current, smoother, spread, limit, sure, step):
    """Add the details of one scale, shrunk, to ``total``, and the sure ones to ``sure``."""
    power = np.empty_like(current)
    in_bands(lambda start, stop: _square_difference(current, smoother, power, start, stop), len(current))
    power = smoothed(power, step)
    in_bands(
        lambda start, stop: _add_shrunk(total, current, smoother, power, spread, limit, sure, start, stop),
        len(current),
    )


def warm():
    """Compile the kernels."""
    tiny = np.ones((4, 4), dtype=np.float32)
    denoise(tiny, tiny, sigma=1.0)


@njit(cache=True, nogil=True)
def _mirror(index, size):
    """Index reflected about the centres of the first and last pixel."""
    if size == 1:
        return 0
    period = 2 * (size - 1)
    index = abs(index) % period
    return period - index if index >= size else index


@njit(cache=True, nogil=True)
def _smooth(image, out, step, start, stop):
    """Along columns, then along rows, one row after the other."""
    ny, nx = image.shape
    between = np.empty(nx + 4 * step, dtype=np.float32)
    # Views of the row, and of those above and below it, so that no index can be negative: only then are the loops vectorised.
    inner = between[2 * step : 2 * step + nx]
    near_left, near_right, far_right = between[step:], between[3 * step :], between[4 * step :]
    for y in range(start, stop):
        row, above, below = image[y], image[_mirror(y - step, ny)], image[_mirror(y + step, ny)]
        far_above, far_below = image[_mirror(y - 2 * step, ny)], image[_mirror(y + 2 * step, ny)]
        for x in range(nx):
            inner[x] = CENTRE * row[x] + NEAR * (above[x] + below[x]) + FAR * (far_above[x] + far_below[x])
        for x in range(2 * step):
            between[x] = inner[_mirror(x - 2 * step, nx)]
            between[2 * step + nx + x] = inner[_mirror(nx + x, nx)]
        target = out[y]
        for x in range(nx):
            target[x] = (
                CENTRE * inner[x] + NEAR * (near_left[x] + near_right[x]) + FAR * (between[x] + far_right[x])
            )


@njit(cache=True, nogil=True)
def _square_difference(one, other, out, start, stop):
    for y in range(start, stop):
        for x in range(one.shape[1]):
            difference = one[y, x] - other[y, x]
            out[y, x] = difference * difference


@njit(cache=True, nogil=True)
def _add_shrunk(total, current, smoother, power, spread, factor, sure, start, stop):
    """Total += (current - smoother) max(0, 1 - (limit / power)^2), limit = factor spread; to ``sure``, unless it is
    empty, the same with a higher limit.
    """
    for y in range(start, stop):
        for x in range(total.shape[1]):
            limit = factor * spread[y, x]
            if power[y, x] > limit:
                share = limit / power[y, x]
                detail = current[y, x] - smoother[y, x]
                total[y, x] += detail * (1.0 - share * share)
                share *= CONTRAST_FLOOR
                if sure.size and share < 1.0:
                    sure[y, x] += detail * (1.0 - share * share)
