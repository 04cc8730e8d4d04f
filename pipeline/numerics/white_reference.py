"""Which mixture of the channels is white: the stars of the field decide."""

from dataclasses import dataclass

import numpy as np

from pipeline.numerics.robust import mad_std
from pipeline.numerics.stack_stars import aperture_flux, detect_stars, isolated

__all__ = ["WhiteReference", "white_reference"]

APERTURE_FWHM = 1.5
"""Radius of the apertures: wide enough that channels of different sharpness are compared fairly."""

LEAST_S_N = 20.0
LEAST_STARS = 5
"""Fewer stars say nothing about the usual star."""


@dataclass(frozen=True)
class WhiteReference:
    """Factors that make the usual star white.

    Attributes
    ----------
    gains : (3,) float64, green 1
    error : (3,) relative standard errors
    n_stars : stars used; 0 means that the gains are 1 for want of stars
    """

    gains: np.ndarray
    error: np.ndarray
    n_stars: int


def white_reference(value, variance, valid, stars=None):
    """Gains from the ensemble of stars: the median star of the field becomes white.

    The median star of a field is of about 5500 to 6500 K, close to sunlight (common practice, no source).

    Parameters
    ----------
    value, variance : (3, ny, nx), flat, sky at 0
    valid : (3, ny, nx) bool
    stars : StackStars of the mean of the channels, where they are known already

    Returns
    -------
    WhiteReference
    """
    nothing = WhiteReference(np.ones(3), np.full(3, np.nan), 0)
    if stars is None:
        stars = detect_stars(value.mean(axis=0), valid.all(axis=0))
    if len(stars) < LEAST_STARS or not np.isfinite(stars.typical_fwhm):
        return nothing
    width = stars.typical_fwhm
    good = np.flatnonzero(
        isolated(stars, radius_px=4 * width, shape=value.shape[1:])
        & (stars.elongation < 1.5)
        & (stars.fwhm < 1.6 * width)
    )
    if good.size < LEAST_STARS:
        return nothing
    x, y = stars.x[good], stars.y[good]
    # A star with a masked (clipped) core would tell the colour of its wings.
    inside = np.array([valid[:, round(b), round(a)].all() for a, b in zip(x, y, strict=True)])
    x, y = x[inside], y[inside]
    if x.size < LEAST_STARS:
        return nothing
    found = [
        aperture_flux(v, np.nan_to_num(s), x, y, radius_px=APERTURE_FWHM * width)
        for v, s in zip(value, variance, strict=True)
    ]
    flux, error = (np.array(part) for part in zip(*found, strict=True))
    bright = (flux > LEAST_S_N * error).all(axis=0)
    if bright.sum() < LEAST_STARS:
        return nothing
    logs = np.log(flux[1, bright] / flux[:, bright])
    spread = np.array([mad_std(row) for row in logs])
    return WhiteReference(
        np.exp(np.median(logs, axis=1)), 1.25 * spread / np.sqrt(bright.sum()), int(bright.sum())
    )
