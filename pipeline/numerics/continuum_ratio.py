"""How much of the broadband continuum a narrow filter passes, as a function of colour.

Measured on stars, whose light is continuum: the ratio of their fluxes in the narrow and the broad set,
channel by channel, against their broadband colour (Spector, Finkelman & Brosch 2012, MNRAS 419, 2156;
from memory). One ratio for all colours errs by tens of percent, for reddened and hot stars in opposite ways.
"""

from dataclasses import dataclass, replace

import numpy as np

from pipeline.numerics.robust import mad_std
from pipeline.numerics.spectrum import black_body_photons, in_band

__all__ = ["ColourLaw", "colour_index", "fit_colour_law", "levelled", "predict_colour_law", "smoothed_colour"]

TEMPERATURES_K = np.geomspace(2800.0, 30000.0, 25)
"""Black bodies that stand for stars from M to O."""

MIN_STARS = 6
"""Stars that a measured law must at least rest on."""

CORRECTION_PRIOR = (0.5, 0.1, 0.05)
"""Standard deviations of the level, slope and curvature in colour by which stars may differ from the curves, relative:
typical curves instead of the camera's own change the slope by some 0.05 per unit of colour."""

BEYOND = 0.3
"""How far beyond the colours of its stars a law holds; the prior keeps its correction within 3 % over that."""

MATCH_ERROR = 0.01
"""Relative error of a bright star's ratio, from the match of the PSFs."""

LEVEL_PRIOR = 0.007
"""Relative error of a law's level where it is measured on cores of stars: how far the cores of matched PSFs still differ, in the
mean over simulated scenes full of gas."""

LAW_DEGREE, LAW_NODES = 5, 41
"""Degree of the polynomial that stands for a law over the colours of its stars (it follows black bodies of any camera to
0.2 %), and points that it is fitted to."""

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


def fit_colour_law(colour, ratio, ratio_error, *, expected=None, max_terms=3):
    """Fit the narrow/broad ratio of stars against colour, with clipping.

    The law is ``expected(colour)`` times a polynomial in colour. Curves give the shape well and the level poorly, so
    the polynomial's coefficients about the typical colour are drawn to (1, 0, 0) by ``CORRECTION_PRIOR``: with few or
    poor stars the shape is that of the curves, with many good ones it is theirs.

    Parameters
    ----------
    colour, ratio, ratio_error : (n,) arrays, one entry a star
    expected : ColourLaw from curves; None for 1
    max_terms : largest number of coefficients of the polynomial; fewer where there are few stars

    Returns
    -------
    ColourLaw, or None with fewer than ``MIN_STARS`` usable stars
    """
    colour, ratio, error = (np.asarray(values, dtype=np.float64) for values in (colour, ratio, ratio_error))
    level = _extended(expected, colour) if expected is not None else np.ones_like(colour)
    known = np.isfinite(colour) & np.isfinite(ratio) & np.isfinite(error) & (error > 0)
    colour, ratio, error, level = colour[known], ratio[known], error[known], level[known]
    ratio, error = ratio / level, error / level
    # Bright stars are limited by the match of the PSFs, not by their photon noise: 1 % is added.
    weight = 1 / np.hypot(error, MATCH_ERROR * np.abs(ratio))
    used = np.ones(ratio.size, dtype=bool)
    for _ in range(CLIP_ITERATIONS):
        if used.sum() < MIN_STARS:
            return None
        middle = np.median(colour[used])
        terms = min(max_terms, len(CORRECTION_PRIOR))
        design = np.polynomial.polynomial.polyvander(colour - middle, terms - 1)
        start = np.median(
            ratio[used]
        )  # the level itself may be off by any factor: the shape is what is known
        prior = np.diag(1 / (start * np.array(CORRECTION_PRIOR[:terms])))
        system = np.vstack([design[used] * weight[used, None], prior])
        target = np.append((ratio * weight)[used], prior[:, 0] * start)
        correction = np.linalg.lstsq(system, target, rcond=None)[0]
        residual = (ratio - design @ correction) * weight
        now = np.abs(residual) <= CLIP_SIGMA * max(mad_std(residual[used]), 1.0)
        if np.array_equal(now, used) or now.sum() < MIN_STARS:
            break
        used = now
    low, high = colour[used].min() - BEYOND, colour[used].max() + BEYOND
    at = np.linspace(low, high, LAW_NODES)
    law = np.polynomial.polynomial.polyval(at - middle, correction)
    if expected is not None:
        law = law * _extended(expected, at)
    coefficients = np.polynomial.Polynomial.fit(at, law, LAW_DEGREE if terms > 1 else 0).convert().coef
    # Of the better half of the stars: that of the others is their own noise.
    good = used & (weight >= np.median(weight[used]))
    scatter = float(mad_std(ratio[good] - design[good] @ correction) / np.abs(start))
    return ColourLaw(coefficients, (float(low), float(high)), scatter, int(used.sum()))


def levelled(law, colour, ratio, ratio_error):
    """A law at the level of other ratios, which are less precise but hold all light.

    A mean that is drawn to the law's own level by ``LEVEL_PRIOR`` and leaves out what is far off it.

    Parameters as of :func:`fit_colour_law`.

    Returns
    -------
    ColourLaw
    """
    expected = _extended(law, colour)
    error = np.hypot(ratio_error / expected, MATCH_ERROR)
    known = np.isfinite(ratio) & np.isfinite(error)
    share, weight = (ratio / expected)[known], 1 / error[known] ** 2
    used, level = np.ones(share.size, dtype=bool), 1.0
    for _ in range(CLIP_ITERATIONS):
        level = (1 / LEVEL_PRIOR**2 + (weight * share)[used].sum()) / (
            1 / LEVEL_PRIOR**2 + weight[used].sum()
        )
        now = np.abs(share - level) * np.sqrt(weight) <= CLIP_SIGMA
        if np.array_equal(now, used):
            break
        used = now
    return replace(law, coefficients=level * law.coefficients)


def _extended(law, colour):
    """A law at any colour: beyond its range the logarithm goes on in a straight line.

    With Wien's approximation the logarithms of ratio and colour are both linear in 1 / T, so in each other; extinction
    moves a star nearly along the same line.
    """
    low, high = law.colour_range
    if not high > low:
        return np.full(np.shape(colour), float(law(low)))
    inside = np.clip(colour, low, high)
    step = 0.1 * (high - low)
    slopes = [np.log(law(end) / law(end - way * step)) / (way * step) for end, way in ((low, -1), (high, 1))]
    beyond = slopes[0] * np.minimum(colour - low, 0.0) + slopes[1] * np.maximum(colour - high, 0.0)
    return law(inside) * np.exp(beyond)


def predict_colour_law(narrow_curves, broad_curves, blue_curves, red_curves, *, terms=4):
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
    typical : colour index, one or (ny, nx)

    Returns
    -------
    (ny, nx) float32
    """
    raw = np.log(np.maximum(blue, blue_noise) / np.maximum(red, red_noise))
    # Share of the measured colour: 1/2 where the weaker continuum is three times its noise, 0.99 at thirty times.
    weaker = np.minimum(np.maximum(blue, 0.0) / blue_noise, np.maximum(red, 0.0) / red_noise)
    share = weaker**2 / (weaker**2 + TRUSTED_S_N**2)
    return (typical + share * (raw - typical)).astype(np.float32)
