"""Bring images of different sharpness to one point-spread function.

A difference of two images shows rings around stars unless both have the same point-spread function (PSF).
The PSF of each image is measured on its stars; a kernel is fitted that turns the sharper PSF into the
broadest one; the image is convolved with it.
"""

from dataclasses import dataclass

import numpy as np
from scipy import linalg, optimize, signal, special

from pipeline.numerics.bands import in_bands
from pipeline.numerics.point_spread import psf_fwhm
from pipeline.numerics.small_kernel import convolve
from pipeline.numerics.stack_stars import SIGMA_PER_FWHM

__all__ = ["Kernel", "convolved", "gaussian_kernel", "matching_kernel"]

REGULARISATIONS = tuple(10.0 ** np.arange(-5.0, 1.1))
"""Weights of the smoothness term that are tried, in units of the mean diagonal of the normal equations."""

SMOOTH_STRENGTH = 1e-5
"""That weight between profiles, which have no noise."""

SLOPE_PRIOR = 0.06
"""Standard deviation of the difference of ln beta between planes: one telescope made both, through other filters and on other
nights."""

ROUGHNESS = 0.1
"""Weight of the penalty on the roughness of a correction relative to that on its size."""

REACH_POWER = 2.0
"""A correction at distance r is expected to fall off as (1 + r^2 / s^2)^-power, s being the sigma of the target: in the wings
of a Moffat profile of beta 3 or so, where corrections are some share of the profile itself."""

NEARLY = 1.05
"""Held-out error, relative to the least, up to which a smoother kernel is preferred."""

BAND_ROWS = 64
"""Rows that a core copies at a time."""


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


def matching_kernel(source, target, *, half, strengths=REGULARISATIONS):
    """Kernel K with K * source = target: that between profiles, corrected pixel by pixel (after Bramich 2008, MNRAS 386, L77).

    First comes the kernel M between the profiles of both PSFs, which has the wings that a Gaussian lacks. The correction D = w E
    minimises |(M + w E) * S - T|^2 + lambda (|E|^2 + rho |laplacian E|^2) with sum D = 0, where w(r) is how corrections are
    expected to fall off. So the more the PSFs are in the noise, the closer the kernel stays to M, and first of all far out, where
    a lobe of noise would show beside every bright star. lambda is the largest whose kernel, fitted to the remainders of one half
    of the stars, matches those of the other nearly as well as any; without halves, the middle of the range.

    Parameters
    ----------
    source, target : PointSpread, of stamps of one size
    half : half size of the kernel
    strengths : values of lambda to choose from

    Returns
    -------
    Kernel
    """
    source, target = _drawn_together(source, target)
    reach = target.half
    spread = psf_fwhm(target.image(reach)) * SIGMA_PER_FWHM
    smooth = _Match(source.smooth(reach + half), target.smooth(reach), half, spread)
    (start,) = smooth.corrected(smooth.best_gaussian(), (SMOOTH_STRENGTH,))

    def match(which=None):
        return _Match(source.image(reach + half, which), target.image(reach, which), half, spread)

    chosen = len(strengths) // 2
    if source.halves and target.halves and len(strengths) > 1:
        check = match(1)
        errors = [np.sum(check.misfit(kernel) ** 2) for kernel in match(0).corrected(start, strengths)]
        # The smoothest kernel that does nearly as well as any: the errors themselves are noisy.
        chosen = int(np.flatnonzero(np.array(errors) <= NEARLY * min(errors))[-1])
    whole = match()
    (kernel,) = whole.corrected(start, (strengths[chosen],))
    residual = float(np.abs(whole.misfit(kernel)).max() / whole.target.max())
    return Kernel(kernel, "fitted", residual, strengths[chosen])


class _Match:
    """The least squares of a kernel of half size ``half`` from ``source`` to ``target``, which is smaller by the kernel."""

    def __init__(self, source, target, half, spread):
        self.source, self.target, self.half = source, target, half
        grid = np.arange(-half, half + 1)
        distance = np.hypot(grid[:, None], grid[None, :]).ravel()
        self.expected = (1.0 + (distance / spread) ** 2) ** -REACH_POWER

    def misfit(self, kernel):
        """(k, k) difference of the matched source from the target."""
        return signal.fftconvolve(self.source, kernel, mode="valid") - self.target

    def corrected(self, start, strengths):
        """``start`` with the correction of each of ``strengths``."""
        size = len(start)
        columns = np.lib.stride_tricks.sliding_window_view(self.source, self.target.shape)[::-1, ::-1]
        design = columns.reshape(size * size, -1) * self.expected[:, None]
        normal = design @ design.T
        right = -design @ self.misfit(start).ravel()
        penalty = np.trace(normal) / size**2 * (np.eye(size * size) + ROUGHNESS * _laplacian_penalty(size))
        kernels = []
        for strength in strengths:
            factor = linalg.cho_factor(normal + strength * penalty)
            free, shift = linalg.cho_solve(factor, np.column_stack([right, self.expected])).T
            # The multiple of the second that makes the sum of the correction 0.
            found = free - shift * (self.expected @ free) / (self.expected @ shift)
            kernels.append(start + (self.expected * found).reshape(size, size))
        return kernels

    def best_gaussian(self):
        """Gaussian kernel of the width that turns the source best into the target."""
        found = optimize.minimize_scalar(
            lambda sigma: np.sum(self.misfit(_gaussian(sigma, self.half)) ** 2),
            bounds=(0.05, 0.5 * self.half), method="bounded", options={"xatol": 1e-3},
        )  # fmt: skip
        return _gaussian(found.x, self.half)


def _drawn_together(source, target):
    """Both PSFs, their ln beta drawn together by ``SLOPE_PRIOR``, that more which is less well known.

    Where gas shows, the wings of neither are known well. An error of one alone would be a ring round every star; the same error
    of both hardly is.
    """
    slopes = np.array([psf.profile.parameters[5] for psf in (source, target)])
    variance = np.array([psf.fits.slope_error**2 for psf in (source, target)])
    too_far = (slopes[1] - slopes[0]) / (variance.sum() + SLOPE_PRIOR**2)
    return [
        psf.with_slope(slope)
        for psf, slope in zip((source, target), slopes + [1, -1] * variance * too_far, strict=True)
    ]


def gaussian_kernel(fwhm_from, fwhm_to):
    """Gaussian that widens ``fwhm_from`` to ``fwhm_to`` (pixels), exact if both are Gaussian."""
    if not fwhm_to > fwhm_from:
        return Kernel(np.ones((1, 1)), "identity", np.nan)
    sigma = np.sqrt(fwhm_to**2 - fwhm_from**2) * SIGMA_PER_FWHM
    return Kernel(_gaussian(sigma, max(1, int(np.ceil(4 * sigma)))), "gaussian", np.nan)


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


def _laplacian_penalty(size):
    """Matrix L^T L of the five-point Laplacian on a size x size grid, outside taken as 0."""
    eye = np.eye(size)
    second = -2 * eye + np.eye(size, k=1) + np.eye(size, k=-1)
    laplacian = np.kron(second, eye) + np.kron(eye, second)
    return laplacian.T @ laplacian
