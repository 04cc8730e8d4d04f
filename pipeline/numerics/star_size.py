"""Gentle reduction of stars: each one as a better night would have shown it.

All stars have one profile P, a Moffat measured on isolated ones, and stand at known places with known light F_s. Their
sum is M = sum_s F_s P(r_s); the same stars, equally high but narrower, are M' = sum_s F_s P'(r_s). A pixel's light
above what lies behind the stars is multiplied by

    1 - (1 - M' / M) M / (M + n),

with n the noise: 1 in the centre of a star, M' / M on its flanks, 1 far outside. The factor is the same in all
channels, so every pixel of a star keeps its colour, and it depends on ratios only, so a clipped core does no harm and no
dark ring can arise.
"""

import numpy as np

from pipeline.numerics.common_psf import psf_stars
from pipeline.numerics.fill import filled
from pipeline.numerics.moffat import enclosed_fraction, moffat_fwhm
from pipeline.numerics.moffat_fit import fit_moffat
from pipeline.numerics.stack_stars import aperture_flux, star_mask

__all__ = ["StarProfile", "measure_profile", "reduced", "reduction_factor"]

NARROWEST = 0.5
"""FWHM of a fully reduced star over what it was; half is as far as the eye takes it for a star of this picture."""

LEAST_STARS = 5
"""Stars that the profile must rest on."""

REACH_SIGMA = 0.3
"""A star is followed out to where its model falls below this much of the noise of a pixel."""

LARGEST_REACH_FWHM = 25.0
"""No star is followed further than this."""

KNOT_SHARE = 0.8
"""Concentration, in that of a star, below which a source is a knot: one 1.4 times as wide as a star."""

MAY_BE_CLIPPED = 0.25
"""Share of the highest peak above which a star may be clipped."""

STAMP_FWHM = 3.0
"""Half size of the squares to which profiles are fitted, in FWHM."""


class StarProfile:
    """A round Moffat profile of unit height.

    Attributes
    ----------
    fwhm_px, beta : its width and exponent
    """

    def __init__(self, fwhm_px, beta):
        self.fwhm_px = fwhm_px
        self.beta = beta

    def __call__(self, r2, *, narrower=1.0):
        """Height at squared distance ``r2`` (px^2), with the FWHM multiplied by ``narrower``."""
        alpha = self.fwhm_px * narrower / moffat_fwhm(1.0, self.beta)
        return (1.0 + r2 / alpha**2) ** -self.beta

    @property
    def area_px2(self):
        """Light over height: pi alpha^2 / (beta - 1)."""
        alpha = self.fwhm_px / moffat_fwhm(1.0, self.beta)
        return np.pi * alpha**2 / (self.beta - 1.0)


def measure_profile(image, valid, stars):
    """The :class:`StarProfile` of an image, median of its isolated stars; None with fewer than five.

    Parameters
    ----------
    image : (ny, nx) float32
    valid : (ny, nx) bool
    stars : StackStars
    """
    chosen = psf_stars(stars, image.shape)
    if len(chosen) < LEAST_STARS:
        return None
    radius = int(np.ceil(STAMP_FWHM * stars.typical_fwhm))
    fits = fit_moffat(
        np.ascontiguousarray(image, dtype=np.float32), valid, np.zeros((2, 2), dtype=np.uint8),
        stars.x[chosen], stars.y[chosen], fwhm_guess=stars.typical_fwhm, radius=radius,
    )  # fmt: skip
    if fits.ok.sum() < LEAST_STARS:
        return None
    return StarProfile(float(np.median(fits.fwhm[fits.ok])), float(np.median(fits.beta[fits.ok])))


def reduction_factor(image, stars, profile, *, amount, noise):
    """Factor on the light of stars above what lies behind them.

    Parameters
    ----------
    image : (ny, nx) on which the stars were found
    stars : StackStars
    profile : StarProfile
    amount : 0 nothing, 1 half the FWHM
    noise : of a pixel, in the unit in which the stars were measured

    Returns
    -------
    (ny, nx) float32, 0..1
    """
    before, after = np.zeros(image.shape, dtype=np.float32), np.zeros(image.shape, dtype=np.float32)
    if not len(stars):
        return np.ones_like(before)
    narrower = 1.0 - (1.0 - NARROWEST) * amount
    alpha = profile.fwhm_px / moffat_fwhm(1.0, profile.beta)
    ny, nx = image.shape
    heights = _heights(image, stars, profile)
    for s in np.flatnonzero(heights > REACH_SIGMA * noise):
        height = heights[s]
        reach = alpha * np.sqrt((height / (REACH_SIGMA * noise)) ** (1 / profile.beta) - 1.0)
        reach = min(reach, LARGEST_REACH_FWHM * profile.fwhm_px)
        x0, x1 = max(int(stars.x[s] - reach), 0), min(int(stars.x[s] + reach) + 2, nx)
        y0, y1 = max(int(stars.y[s] - reach), 0), min(int(stars.y[s] + reach) + 2, ny)
        r2 = (np.arange(x0, x1)[None, :] - stars.x[s]) ** 2 + (np.arange(y0, y1)[:, None] - stars.y[s]) ** 2
        inside = r2 <= reach**2
        before[y0:y1, x0:x1] += np.where(inside, height * profile(r2), 0.0)
        after[y0:y1, x0:x1] += np.where(inside, height * profile(r2, narrower=narrower), 0.0)
    return 1.0 - (before - after) / (before + np.float32(noise))


def reduced(image, stars, factor, *, noise):
    """The image with the light of its stars multiplied by ``factor``, and the factor that its noise has.

    Parameters
    ----------
    image : (C, ny, nx) float32
    stars : StackStars
    factor : (ny, nx) of :func:`reduction_factor`
    noise : of a pixel, in the unit in which the stars were measured

    Returns
    -------
    (C, ny, nx) float32
    """
    covered = star_mask(stars, factor.shape, surface_brightness=noise)
    out = np.empty_like(image)
    for plane, result in zip(image, out, strict=True):
        behind = filled(plane, covered)
        above = np.maximum(plane - behind, np.float32(0.0))
        result[:] = plane - (np.float32(1.0) - factor) * above
    return out


def _heights(image, stars, profile):
    """(n,) heights of the stars above their surroundings; 0 for what is no star.

    A knot of gas is a source as well, but less concentrated. Of the brightest, that is not asked: a clipped core is
    flat, too.
    """
    plane = np.ascontiguousarray(image, dtype=np.float32)
    inner, light = (
        aperture_flux(plane, None, stars.x, stars.y, radius_px=share * profile.fwhm_px)[0]
        for share in (0.5, 1.0)
    )
    within = [enclosed_fraction(share, 1.0, profile.beta) for share in (0.5, 1.0)]
    star = (inner > KNOT_SHARE * within[0] / within[1] * light) | (
        stars.peak > MAY_BE_CLIPPED * stars.peak.max()
    )
    return np.where(star, np.maximum(light, 0.0), 0.0) / within[1] / profile.area_px2
