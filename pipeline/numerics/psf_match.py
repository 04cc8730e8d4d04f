"""Bring images of different sharpness to one point-spread function.

A difference of two images shows rings around stars unless both have the same point-spread function (PSF).
The PSF of each image is measured on its stars; a kernel is fitted that turns the sharper PSF into the
broadest one; the image is convolved with it.
"""

from dataclasses import dataclass

import numpy as np
from scipy import ndimage, optimize, signal, special

from pipeline.numerics.bands import in_bands
from pipeline.numerics.robust import mad_std
from pipeline.numerics.small_kernel import convolve
from pipeline.numerics.stack_stars import SIGMA_PER_FWHM

__all__ = ["Kernel", "convolved", "empirical_psf", "gaussian_kernel", "matching_kernel", "psf_fwhm", "stamps"]

REGULARISATIONS = tuple(10.0 ** np.arange(-5.0, 1.1))
"""Weights of the smoothness term that are tried, in units of the mean diagonal of the normal equations."""

CLIP_SIGMA = 4.0
"""Departure of a pixel of a star image from the median of all that marks a neighbour."""

FIELD_VARIATION = 0.1
"""Relative difference of star profiles over a field that is no reason to clip."""

MAX_WEIGHT_RATIO = 30.0
"""Largest weight of a star relative to the median: one star should not rule, it may be a close double."""

ROUGHNESS = 0.1
"""Weight of the penalty on the roughness of a correction relative to that on its size."""

REACH_POWER = 2.0
"""A correction at distance r is expected to fall off as (1 + r^2 / s^2)^-power, s being the sigma of the target: in the wings
of a Moffat profile of beta 3 or so, where corrections are some share of the profile itself."""

NEARLY = 1.05
"""Held-out error, relative to the least, up to which a smoother kernel is preferred."""

BAND_ROWS = 64
"""Rows that a core copies at a time."""

ANNULUS_SHARE = 0.75
"""Outside this share of the half size a stamp counts as background."""


@dataclass(frozen=True)
class Kernel:
    """A convolution kernel.

    Attributes
    ----------
    weights : (2h+1, 2h+1) float64, sum 1
    method : "identity", "fitted" or "gaussian"
    residual : largest |matched - target| of the PSF relative to its peak; NaN if not measured
    strength : weight of the smoothness term; NaN if not fitted
    """

    weights: np.ndarray
    method: str
    residual: float
    strength: float = np.nan


def stamps(plane, x, y, half):
    """Star images centred by interpolation, background removed, flux 1.

    The splines are quintic, since cubic ones blur sharp stars by percents.

    Parameters
    ----------
    plane : (ny, nx)
    x, y : (n,) positions at least ``half`` + 3 pixels inside the plane
    half : half size in pixels

    Returns
    -------
    (n, 2 half + 1, 2 half + 1) float64; stars without positive flux give NaN
    """
    grid = np.arange(-half, half + 1)
    distance = np.hypot(grid[:, None], grid[None, :])
    ring = distance > ANNULUS_SHARE * half
    margin = half + 3  # the spline needs a few pixels more than it returns
    out = np.full((len(x), grid.size, grid.size), np.nan)
    for index, (cx, cy) in enumerate(zip(x, y, strict=True)):
        ix, iy = int(np.rint(cx)), int(np.rint(cy))
        cut = plane[iy - margin : iy + margin + 1, ix - margin : ix + margin + 1].astype(np.float64)
        if cut.shape != (2 * margin + 1, 2 * margin + 1) or not np.isfinite(cut).all():
            continue
        centred = ndimage.shift(cut, (iy - cy, ix - cx), order=5, mode="nearest")[3:-3, 3:-3]
        centred = centred - np.median(centred[ring])
        flux = centred[~ring].sum()
        if flux > 0:
            out[index] = centred / flux
    return out


def empirical_psf(star_stamps):
    """Point-spread function of star images, 0 outside the disc, sum 1; None where no stamp is usable.

    The weighted mean of the stamps is a Moffat profile with an elliptical cross-section plus a remainder; the
    remainder of each ring of pixels is kept as far as it exceeds the noise there (James & Stein 1961; from memory). So
    the core is what was measured, and the wings, which are all noise but hold percents of the light, are smooth.

    Weights are the inverse variances of the stamps' backgrounds (flux is 1, so bright stars weigh more), none
    more than ``MAX_WEIGHT_RATIO`` times the median. A pixel far off the median of all stamps (a neighbour) is
    replaced by that median.

    Parameters
    ----------
    star_stamps : (n, k, k) from :func:`stamps`
    """
    cuts = star_stamps[np.isfinite(star_stamps).all(axis=(1, 2))]
    if not len(cuts):
        return None
    half = cuts.shape[1] // 2
    grid = np.arange(-half, half + 1)
    radius = np.hypot(grid[:, None], grid[None, :])
    inside = radius <= ANNULUS_SHARE * half
    noise = np.array([mad_std(cut[~inside]) for cut in cuts])
    middle = np.median(cuts, axis=0)
    # Besides noise, stars differ a little over the field, in proportion to the profile.
    limit = CLIP_SIGMA * np.hypot(noise[:, None, None], FIELD_VARIATION * np.abs(middle))
    cuts = np.where(np.abs(cuts - middle) > limit, middle, cuts)
    positive = noise[noise > 0]
    floor = np.median(positive) / np.sqrt(MAX_WEIGHT_RATIO) if positive.size else 1.0
    weights = 1 / np.maximum(noise, floor) ** 2
    weights /= weights.sum()
    mean = np.tensordot(weights, cuts, axes=1)
    smooth, level = _fitted_moffat(mean, inside)
    remainder = mean - smooth - level
    variance = float(np.sum((weights * noise) ** 2))
    psf = np.where(inside, smooth + _significant(remainder, radius, variance), 0.0)
    total = psf.sum()
    return psf / total if total > 0 else None


def _fitted_moffat(image, inside):
    """Elliptical Moffat profile (Moffat 1969) and background level that fit ``image`` best."""
    half = image.shape[0] // 2
    y, x = np.mgrid[-half : half + 1, -half : half + 1]
    peak = float(image.max())
    width = max(np.sqrt((image > 0.5 * peak).sum() / np.pi), 0.5)

    def parts(p):
        height, x0, y0, a, b, c, beta, level = p
        u, v = x - x0, y - y0
        return height * (1 + a**2 * u**2 + 2 * c * u * v + b**2 * v**2) ** -beta, level

    def misfit(p):
        profile, level = parts(p)
        return (profile + level - image).ravel() / peak

    start = np.array([peak, 0.0, 0.0, 0.65 / width, 0.65 / width, 0.0, 3.0, 0.0])
    low = np.array([0.0, -1.5, -1.5, 0.05 / width, 0.05 / width, 0.0, 1.2, -peak])
    high = np.array([3 * peak, 1.5, 1.5, 3 / width, 3 / width, 1.0, 12.0, peak])
    # The cross term stays below the geometric mean of the others, so that the profile falls in every direction.
    low[5], high[5] = -0.5 * (0.65 / width) ** 2, 0.5 * (0.65 / width) ** 2
    found = optimize.least_squares(misfit, start, bounds=(low, high), x_scale=np.maximum(np.abs(start), 0.1))
    return parts(found.x)


def _significant(remainder, radius, variance):
    """``remainder`` times, in each ring of pixels, the share of its power that is not noise."""
    ring = np.rint(radius).astype(int)
    count = np.bincount(ring.ravel())
    power = np.bincount(ring.ravel(), (remainder**2).ravel()) / count
    share = np.clip(1 - variance / np.maximum(power, variance), 0.0, 1.0)
    return remainder * ndimage.median_filter(share, 3, mode="nearest")[ring]


def psf_fwhm(psf):
    """Full width at half maximum: diameter of the disc whose area is that of the pixels above half the peak.

    The area is counted on a grid eight times finer, so that it changes smoothly with the width.
    """
    fine = ndimage.zoom(psf, 8, order=3)
    # The outermost samples of both grids coincide.
    area = (fine > 0.5 * fine.max()).sum() * ((psf.shape[0] - 1) / (fine.shape[0] - 1)) ** 2
    return float(2 * np.sqrt(area / np.pi))


def matching_kernel(source, target, *, half, source_check=None, target_check=None, strengths=REGULARISATIONS):
    """Kernel K with K * source = target: a Gaussian, corrected pixel by pixel (after Bramich 2008, MNRAS 386, L77).

    The Gaussian G of the best width comes first; the correction D = w E minimises
    |(G + w E) * S - T|^2 + lambda (|E|^2 + rho |laplacian E|^2) with sum D = 0, where w(r) is how corrections are expected to
    fall off. So the more the PSFs are in the noise, the closer the kernel stays to a Gaussian, and first of all far out, where
    a lobe of noise would show beside every bright star. lambda is the largest whose kernel matches a
    second pair of PSFs, from stars that the fit has not seen, nearly as well as any; without such a pair, the
    middle of the range.

    Parameters
    ----------
    source, target : (k, k) float64, PSFs of sum 1
    half : half size of the kernel
    source_check, target_check : the same from other stars
    strengths : values of lambda to choose from

    Returns
    -------
    Kernel
    """
    size = 2 * half + 1
    start = _best_gaussian(source, target, half)
    columns = np.lib.stride_tricks.sliding_window_view(np.pad(source, half), source.shape)[::-1, ::-1]
    grid = np.arange(-half, half + 1)
    spread = psf_fwhm(target) * SIGMA_PER_FWHM
    expected = (1.0 + (grid[:, None] ** 2 + grid[None, :] ** 2).ravel() / spread**2) ** -REACH_POWER
    design = columns.reshape(size * size, -1).T * expected
    normal = design.T @ design
    right = design.T @ (target - _convolve_small(source, start)).ravel()
    penalty = np.eye(size * size) + ROUGHNESS * _laplacian_penalty(size)
    unit = np.trace(normal) / size**2

    def solve(strength):
        # Bordered by a Lagrange multiplier for the sum.
        total = expected[:, None]
        bordered = np.block([[normal + strength * unit * penalty, total], [total.T, np.zeros((1, 1))]])
        found = np.linalg.solve(bordered, np.append(right, 0.0))[:-1]
        return start + (expected * found).reshape(size, size)

    candidates = [solve(strength) for strength in strengths]
    best = len(candidates) // 2
    if source_check is not None and target_check is not None:
        errors = [np.sum((_convolve_small(source_check, k) - target_check) ** 2) for k in candidates]
        # The smoothest kernel that does nearly as well as any: the errors themselves are noisy.
        best = int(np.flatnonzero(np.array(errors) <= NEARLY * min(errors))[-1])
    difference = _convolve_small(source, candidates[best]) - target
    return Kernel(candidates[best], "fitted", float(np.abs(difference).max() / target.max()), strengths[best])


def gaussian_kernel(fwhm_from, fwhm_to):
    """Gaussian that widens ``fwhm_from`` to ``fwhm_to`` (pixels), exact if both are Gaussian."""
    if not fwhm_to > fwhm_from:
        return Kernel(np.ones((1, 1)), "identity", np.nan)
    sigma = np.sqrt(fwhm_to**2 - fwhm_from**2) * SIGMA_PER_FWHM
    return Kernel(_gaussian(sigma, max(1, int(np.ceil(4 * sigma)))), "gaussian", np.nan)


def _best_gaussian(source, target, half):
    """Gaussian kernel of the width that turns ``source`` best into ``target``."""

    def misfit(sigma):
        return np.sum((_convolve_small(source, _gaussian(sigma, half)) - target) ** 2)

    found = optimize.minimize_scalar(
        misfit, bounds=(0.05, 0.5 * half), method="bounded", options={"xatol": 1e-3}
    )
    return _gaussian(found.x, half)


def _gaussian(sigma, half):
    """Gaussian integrated over pixels, sum 1; a narrow one tends to the identity."""
    edges = special.ndtr((np.arange(-half, half + 2) - 0.5) / sigma)
    one = np.diff(edges)
    weights = np.outer(one, one)
    return weights / weights.sum()


def convolved(plane, kernel, *, out=None):
    """``plane`` convolved with a kernel; edges are continued by reflection.

    A kernel of sum 1 keeps both the mean of an image and its equivalent uncorrelated variance (the
    variance of block means times the pixels in a block), so a variance plane goes through the same
    function. That is exact where the variance varies little over the kernel.

    With ``out``, an array like ``plane``, the result is written into it.
    """
    out = np.empty_like(plane) if out is None else out
    if kernel.weights.size == 1:
        in_bands(
            lambda start, stop: np.copyto(out[start:stop], plane[start:stop]), len(plane), rows=BAND_ROWS
        )
        return out
    return convolve(plane, kernel.weights, out=out)


def _convolve_small(psf, weights):
    return signal.fftconvolve(psf, weights, mode="same")


def _laplacian_penalty(size):
    """Matrix L^T L of the five-point Laplacian on a size x size grid, outside taken as 0."""
    eye = np.eye(size)
    second = -2 * eye + np.eye(size, k=1) + np.eye(size, k=-1)
    laplacian = np.kron(second, eye) + np.kron(eye, second)
    return laplacian.T @ laplacian
