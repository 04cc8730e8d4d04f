"""Bring all planes that are to be compared to the point-spread function of the broadest one."""

from dataclasses import dataclass

import numpy as np

from pipeline.numerics.bands import in_bands
from pipeline.numerics.fill import filled
from pipeline.numerics.point_spread import measured_psf, psf_fwhm, stamps
from pipeline.numerics.psf_match import Kernel, convolved, gaussian_kernel, matching_kernel
from pipeline.numerics.stack_stars import isolated

__all__ = ["MatchedPlanes", "match_planes", "psf_stars"]

STAMP_FWHM = 4.0
"""Half size of a star image, in FWHM: holds 98 % or more of the light of Moffat profiles with beta >= 3."""

KERNEL_FWHM = 2.0
"""Half size of a kernel, in FWHM of the target."""

MAX_STARS = 60
"""Stars that a PSF is measured on; more would not lower its error below that of the field's variation."""

MIN_STARS = 6
"""Stars below which a fitted kernel is not trusted and a Gaussian one has to do."""

MIN_PEAK_SIGMA = 30.0
"""Peak over noise of a star that is used."""

SAME_WIDTH = 1.005
"""Ratio of FWHM below which two planes count as equally sharp; a kernel would only add noise correlation."""

LEAST_VARIANCE = 0.1
"""Share of the local variance that remains at least, whatever the kernel."""

BAND_ROWS = 64
"""Rows that are worked on at a time."""


@dataclass(frozen=True)
class MatchedPlanes:
    """Planes at one PSF.

    Attributes
    ----------
    value, variance : (D, ny, nx) float32; variance NaN where there is no datum
    fwhm_px : (D,) float64 before matching; NaN if unknown
    kernels : list of Kernel
    n_stars : stars the PSFs rest on
    """

    value: np.ndarray
    variance: np.ndarray
    fwhm_px: np.ndarray
    kernels: list
    n_stars: int

    @property
    def target_fwhm_px(self):
        """FWHM that all planes now have."""
        return float(np.nanmax(self.fwhm_px)) if np.isfinite(self.fwhm_px).any() else np.nan


def psf_stars(stars, shape):
    """Indices of isolated, round, unsaturated and bright stars, the brightest first."""
    if not len(stars):
        return np.zeros(0, dtype=int)
    half = int(np.ceil(STAMP_FWHM * stars.typical_fwhm))
    good = stars.starlike() & isolated(stars, radius_px=half + 4, shape=shape)
    good &= (stars.peak > MIN_PEAK_SIGMA * stars.noise) & stars.surely_unsaturated()
    return np.flatnonzero(good)[:MAX_STARS]


def match_planes(value, variance, valid, stars):
    """Convolve each plane to the PSF of the broadest.

    All PSFs are centred on the same star positions, so a small shift between planes ends up in the kernel
    and is undone by it.

    Parameters
    ----------
    value, variance, valid : sequences of D planes (ny, nx), two of float32 and one of bool
    stars : StackStars common to all planes

    Returns
    -------
    MatchedPlanes
    """
    shape = (len(value), *value[0].shape)
    chosen = psf_stars(stars, shape[1:])
    psfs = [_psf(plane, stars, chosen) for plane in value]
    fwhm = np.array([np.nan if psf is None else psf_fwhm(psf.image(psf.half)) for psf in psfs])
    if np.isfinite(fwhm).any():
        target = int(np.nanargmax(fwhm))
        kernels = [_kernel(psf, psfs[target], f, fwhm[target]) for psf, f in zip(psfs, fwhm, strict=True)]
    else:
        kernels = [Kernel(np.ones((1, 1)), "identity", np.nan)] * len(value)
    out_value, out_variance = np.empty(shape, np.float32), np.empty(shape, np.float32)
    for d, kernel in enumerate(kernels):
        hole = ~valid[d]
        if hole.all():
            out_value[d], out_variance[d] = 0.0, np.nan
            continue
        whole = not hole.any()
        convolved(value[d] if whole else filled(value[d], hole), kernel, out=out_value[d])
        convolved(variance[d] if whole else filled(variance[d], hole), kernel, out=out_variance[d])
        # A fitted kernel may have faint negative lobes.
        if kernel.method != "identity":
            _lift(out_variance[d], variance[d])
        if not whole:
            out_variance[d][hole] = np.nan
    return MatchedPlanes(out_value, out_variance, fwhm, kernels, int(chosen.size))


def _lift(matched, variance):
    """Lift a variance, in place, to at least ``LEAST_VARIANCE`` of what it was."""

    def band(start, stop):
        rows = np.s_[start:stop]
        np.maximum(matched[rows], np.float32(LEAST_VARIANCE) * variance[rows], out=matched[rows])

    in_bands(band, len(matched), rows=BAND_ROWS)


def _psf(plane, stars, chosen):
    """PointSpread from all chosen stars; None without stars."""
    half = int(np.ceil(STAMP_FWHM * stars.typical_fwhm)) if chosen.size else 0
    return measured_psf(*stamps(plane, stars.x[chosen], stars.y[chosen], half))


def _kernel(source, target, fwhm, target_fwhm):
    if source is None or source is target or target_fwhm < SAME_WIDTH * fwhm:
        return Kernel(np.ones((1, 1)), "identity", np.nan)
    if min(len(psf.fits.height) for psf in (source, target)) < MIN_STARS:
        return gaussian_kernel(fwhm, target_fwhm)
    return matching_kernel(source, target, half=int(np.clip(np.ceil(KERNEL_FWHM * target_fwhm), 4, 12)))
