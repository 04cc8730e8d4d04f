"""How much of the broadband continuum a narrow filter passes, as a function of colour.

Measured on stars, whose light is continuum: the ratio of their fluxes in the narrow and the broad set,
channel by channel, against their broadband colour (Spector, Finkelman & Brosch 2012, MNRAS 419, 2156;
from memory). One ratio for all colours errs by tens of percent, for reddened and hot stars in opposite ways.
"""

from dataclasses import dataclass

import numpy as np

from pipeline.numerics.robust import mad_std
from pipeline.numerics.spectrum import black_body_photons, in_band

__all__ = ["ColourLaw", "colour_index", "fit_colour_law", "predict_colour_law", "smoothed_colour"]

TEMPERATURES_K = np.geomspace(2800.0, 30000.0, 25)
"""Black bodies that stand for stars from M to O."""

STARS_PER_TERM = 12
"""Stars that each further coefficient of the polynomial must be backed by."""

TRUSTED_S_N = 3.0
"""Signal to noise of a smoothed continuum at which its colour counts half."""

CLIP_SIGMA = 3.0
"""Stars further off are variable, blended, or have strong lines."""

CLIP_ITERATIONS = 8
"""Refits after clipping; three or four settle it."""


@dataclass(frozen=True)
class ColourLaw:
    """k(colour) = sum_i p_i colour^i, colour clipped to ``colour_range``.

    Attributes
    ----------
    coefficients : (P,) float64
    colour_range : (low, high)
    scatter : robust relative scatter of the stars about the law; NaN if predicted
    n_stars : stars it rests on; 0 if predicted
    """

    coefficients: np.ndarray
    colour_range: tuple
    scatter: float
    n_stars: int

    def __call__(self, colour):
        """Ratio at ``colour`` (any shape)."""
        return np.polynomial.polynomial.polyval(np.clip(colour, *self.colour_range), self.coefficients)


def colour_index(blue, red):
    """Colour of a continuum, ln(blue / red), the larger the bluer."""
    return np.log(np.asarray(blue, dtype=np.float64) / np.asarray(red, dtype=np.float64))


def fit_colour_law(colour, ratio, ratio_error, *, max_terms=3):
    """Fit the narrow/broad ratio of stars against colour, with clipping.

    Parameters
    ----------
    colour, ratio, ratio_error : (n,) arrays, one entry a star
    max_terms : largest number of coefficients; fewer where there are few stars

    Returns
    -------
    ColourLaw, or None with fewer than ``STARS_PER_TERM`` usable stars
    """
    colour, ratio, error = (np.asarray(values, dtype=np.float64) for values in (colour, ratio, ratio_error))
    used = np.isfinite(colour) & np.isfinite(ratio) & np.isfinite(error) & (error > 0)
    # Bright stars are limited by the match of the PSFs, not by their photon noise: 1 % is added.
    weight = np.zeros_like(ratio)
    weight[used] = 1 / np.hypot(error[used], 0.01 * np.abs(ratio[used]))
    for _ in range(CLIP_ITERATIONS):
        terms = min(max_terms, int(used.sum()) // STARS_PER_TERM)
        if terms < 1:
            return None
        design = np.polynomial.polynomial.polyvander(colour, terms - 1) * weight[:, None]
        coefficients = np.linalg.lstsq(design[used], (ratio * weight)[used], rcond=None)[0]
        residual = np.where(weight > 0, ratio * weight, 0.0) - np.nan_to_num(design) @ coefficients
        now = (weight > 0) & (np.abs(residual) <= CLIP_SIGMA * mad_std(residual[used]))
        if np.array_equal(now, used) or now.sum() < STARS_PER_TERM:
            break
        used = now
    # The outermost stars carry the ends of a polynomial poorly.
    low, high = np.percentile(colour[used], (2, 98))
    model = np.polynomial.polynomial.polyval(colour[used], coefficients)
    scatter = float(mad_std(ratio[used] - model) / np.abs(np.median(model)))
    return ColourLaw(coefficients, (float(low), float(high)), scatter, int(used.sum()))


def predict_colour_law(narrow_curves, broad_curves, blue_curves, red_curves, *, terms=3):
    """The same law for black bodies from known curves, for want of stars.

    Parameters
    ----------
    narrow_curves, broad_curves : sequences of Curve whose product is the response of the two data
    blue_curves, red_curves : the same for the two broadband channels of the colour
    """
    colours, ratios = [], []
    for temperature in TEMPERATURES_K:

        def spectrum(wavelength, temperature=temperature):
            return black_body_photons(wavelength, temperature)

        colours.append(colour_index(in_band(spectrum, *blue_curves), in_band(spectrum, *red_curves)))
        ratios.append(in_band(spectrum, *narrow_curves) / in_band(spectrum, *broad_curves))
    if np.ptp(colours) == 0:
        return ColourLaw(np.array([np.median(ratios)]), (0.0, 0.0), np.nan, 0)
    coefficients = np.polynomial.polynomial.polyfit(colours, ratios, terms - 1)
    return ColourLaw(coefficients, (min(colours), max(colours)), np.nan, 0)


def smoothed_colour(blue, red, blue_noise, red_noise, typical):
    """Colour that falls back to ``typical`` where the continuum is lost in the noise.

    The index tends to ``typical`` as the signal tends to 0, and to the measured one far above the noise.

    Parameters
    ----------
    blue, red : (ny, nx) smoothed continuum
    blue_noise, red_noise : noise of the smoothed continuum
    typical : colour index

    Returns
    -------
    (ny, nx) float32
    """
    raw = np.log(np.maximum(blue, blue_noise) / np.maximum(red, red_noise))
    # Share of the measured colour: 1/2 where the weaker continuum is three times its noise, 0.99 at thirty times.
    weaker = np.minimum(np.maximum(blue, 0.0) / blue_noise, np.maximum(red, 0.0) / red_noise)
    share = weaker**2 / (weaker**2 + TRUSTED_S_N**2)
    return (typical + share * (raw - typical)).astype(np.float32)
