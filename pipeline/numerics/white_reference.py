"""Which mixture of the channels is white: the stars of the field decide, one star, or a class of stars."""

from dataclasses import dataclass

import numpy as np

from pipeline.numerics.levelled_stars import stars_of
from pipeline.numerics.robust import mad_std
from pipeline.numerics.stack_stars import aperture_flux, isolated

__all__ = ["StarColours", "WhiteReference", "star_colours", "temperatures", "white_of_class", "white_of_ensemble",
           "white_of_star", "white_reference"]  # fmt: skip

APERTURE_FWHM = 1.5
"""Radius of the apertures: wide enough that channels of different sharpness are compared fairly."""

LEAST_S_N = 20.0
LEAST_STARS = 5
"""Fewer stars say nothing about the usual star."""

MOST_STARS = 200
"""Stars that count, the brightest first: deeper stacks of later nights add fainter stars, which are redder, and must
not move the white."""

LEAST_LOCUS = 0.3
"""Distance in ln(ratio) between stars of 3000 and 10000 K below which a filter set does not tell temperatures."""

LARGEST_OFFSET = 0.35
"""Offset of the stars from the colours that the curves predict, beyond which the curves are not of this camera."""

MEDIAN_ERROR = 1.2533
"""Standard error of a median over that of a mean (normal errors): sqrt(pi / 2)."""


@dataclass(frozen=True)
class StarColours:
    """Colours of isolated stars, the brightest first.

    Attributes
    ----------
    x, y : (n,) pixels
    red, blue : (n,) ln(R / G), ln(B / G)
    red_error, blue_error : (n,) standard errors
    """

    x: np.ndarray
    y: np.ndarray
    red: np.ndarray
    blue: np.ndarray
    red_error: np.ndarray
    blue_error: np.ndarray


@dataclass(frozen=True)
class WhiteReference:
    """Factors that make white what shall be white.

    Attributes
    ----------
    gains : (3,) float64, green 1
    error : (3,) relative standard errors
    n_stars : stars used; 0 means that the gains are 1 for want of stars
    temperature_k, temperature_error_k : of what is white, as a black body; NaN where the colours do not tell
    """

    gains: np.ndarray
    error: np.ndarray
    n_stars: int
    temperature_k: float = np.nan
    temperature_error_k: float = np.nan


def white_reference(value, variance, valid, stars=None):
    """Gains from the ensemble of stars, see :func:`star_colours` and :func:`white_of_ensemble`."""
    return white_of_ensemble(star_colours(value, variance, valid, stars))


def white_of_ensemble(colours, locus=None):
    """The median star of the field becomes white.

    The median star of a field is of about 5500 to 6500 K, close to sunlight (common practice, no source).

    Parameters
    ----------
    colours : StarColours
    locus : Locus of the camera; tells the temperature of that star

    Returns
    -------
    WhiteReference
    """
    n = colours.red.size
    if n < LEAST_STARS:
        return WhiteReference(np.ones(3), np.full(3, np.nan), 0)
    middle = np.array([np.median(colours.red), np.median(colours.blue)])
    error = MEDIAN_ERROR * np.array([mad_std(colours.red), mad_std(colours.blue)]) / np.sqrt(n)
    return _white(middle, error, n, temperatures(colours, locus))


def white_of_star(colours, x, y, *, reach_px, locus=None):
    """The star at (x, y), within ``reach_px``, becomes white; None if none of the measured ones lies there."""
    if not colours.x.size:
        return None
    distance = np.hypot(colours.x - x, colours.y - y)
    k = int(np.argmin(distance))
    if distance[k] > reach_px:
        return None
    found = temperatures(colours, locus)
    return _white(
        np.array([colours.red[k], colours.blue[k]]), np.array([colours.red_error[k], colours.blue_error[k]]), 1,
        None if found is None else found[k : k + 1],
    )  # fmt: skip


def white_of_class(colours, temperature_k, locus):
    """Stars of a temperature become white, whether the field has any or not.

    Their colour is that of a black body seen through the camera's curves; what the curves do not tell, like the
    air's extinction, is taken from the stars of the field, as the median offset from the predicted colours.

    Returns
    -------
    WhiteReference, or None if the stars' colours do not fit the curves
    """
    if temperatures(colours, locus) is None:
        return None
    _, offset = locus.place(colours.red, colours.blue)
    shift = np.median(offset, axis=1)
    error = MEDIAN_ERROR * np.array([mad_std(row) for row in offset]) / np.sqrt(colours.red.size)
    white = locus.at(temperature_k) + shift
    # The offset across the locus is measured; that along it, which would be a wrong temperature, is not: the curves
    # are trusted there as far as they fit across.
    return _white(white, np.hypot(error, np.abs(shift)), colours.red.size, np.array([temperature_k]))


def temperatures(colours, locus):
    """(n,) temperatures of the stars in K; None where the colours do not tell.

    That is so without curves, with a filter set whose channels see nearly the same, with too few stars, and where
    the stars lie beside the predicted colours.
    """
    if locus is None or locus.length < LEAST_LOCUS or colours.red.size < LEAST_STARS:
        return None
    found, offset = locus.place(colours.red, colours.blue)
    if np.hypot(*np.median(offset, axis=1)) > LARGEST_OFFSET:
        return None
    return found


def star_colours(value, variance, valid, stars=None):
    """Colours of the isolated stars of an image.

    Parameters
    ----------
    value, variance : (3, ny, nx) flattened, sky at 0
    valid : (3, ny, nx) bool
    stars : StackStars of the mean of the channels, where they are known already

    Returns
    -------
    StarColours
    """
    nothing = StarColours(*np.zeros((6, 0)))
    if stars is None:
        stars = stars_of(value, valid)
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
        aperture_flux(v, s, x, y, radius_px=APERTURE_FWHM * width)
        for v, s in zip(value, variance, strict=True)
    ]
    flux, error = (np.array(part) for part in zip(*found, strict=True))
    bright = np.flatnonzero((flux > LEAST_S_N * error).all(axis=0))
    bright = bright[np.argsort(-flux.sum(axis=0)[bright], kind="stable")][:MOST_STARS]
    flux, share = flux[:, bright], (error / np.where(flux > 0, flux, np.inf))[:, bright]
    return StarColours(
        x[bright], y[bright], np.log(flux[0] / flux[1]), np.log(flux[2] / flux[1]),
        np.hypot(share[0], share[1]), np.hypot(share[2], share[1]),
    )  # fmt: skip


def _white(colour, error, n_stars, temperature_k):
    """WhiteReference that makes the colour (ln(R / G), ln(B / G)) white."""
    gains = np.exp(-np.array([colour[0], 0.0, colour[1]]))
    errors = np.array([error[0], 0.0, error[1]])
    if temperature_k is None:
        return WhiteReference(gains, errors, n_stars)
    spread = (
        MEDIAN_ERROR * mad_std(temperature_k) / np.sqrt(len(temperature_k))
        if len(temperature_k) > 1
        else np.nan
    )
    return WhiteReference(gains, errors, n_stars, float(np.median(temperature_k)), float(spread))
