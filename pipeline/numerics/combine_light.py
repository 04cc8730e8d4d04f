"""The recipes that put gas and stars together, in linear light."""

import numpy as np

from pipeline.numerics.colour import LUMINANCE

__all__ = ["RECIPES", "auto_boost", "line_colour", "put_together"]

RECIPES = ("sum", "screen", "mix")
"""Names of the recipes."""

BRIGHT_QUANTILE = 0.995
"""Gas brighter than all but this share of the pixels counts as the brightest: stars' remnants are fewer."""

DETECTED_SIGMA = 3.0
"""Brightest gas below this much of its own noise is not there."""

HIGHEST_BOOST = 200.0
"""Beyond, an automatic boost would only show noise."""


def line_colour(primaries, gains, response):
    """What one unit of boost adds to each channel per unit of line flux.

    The colour is that of the display primaries, taken back through the white balance; its luminance on the
    display is that of the line's own share of the broadband picture, so a boost is a plain multiple. Where there is no
    broadband, it is that of the line flux itself.

    Parameters
    ----------
    primaries : (3,) linear display colour of the line
    gains : (3,) white balance
    response : (3,) broadband response to the line; zeros without a broadband

    Returns
    -------
    (3,) float64
    """
    own = float(LUMINANCE @ (gains * response))
    wanted = own if own > 0 else 1.0
    return primaries / gains * (wanted / float(LUMINANCE @ primaries))


def auto_boost(line, line_noise, colour, gains, noise, gas_level):
    """Boost that brings the brightest gas to ``gas_level`` times the picture's noise; 1 where there is no gas.

    Parameters
    ----------
    line : (ny, nx) denoised line flux
    line_noise : its noise per pixel before denoising
    colour : from :func:`line_colour`
    gains : (3,) white balance
    noise : noise of the mean of the white-balanced channels
    gas_level : wanted brightness, in units of ``noise``
    """
    bright = float(np.quantile(line, BRIGHT_QUANTILE))
    if not bright > DETECTED_SIGMA * line_noise / 4:
        return 1.0
    per_boost = bright * float(np.mean(colour * gains))
    return float(np.clip(1.0 + gas_level * noise / per_boost, 1.0, HIGHEST_BOOST))


def put_together(base, gas, *, recipe, white, share):
    """One picture from the broadband scene and the boosted gas.

    Parameters
    ----------
    base, gas : (3, ny, nx); gas is what the boosts add beyond the broadband's own
    recipe : "sum": base + gas. "screen": base + gas (1 - base / white), so that gas fades on bright stars.
        "mix": (1 - share) base + share (base + 2 gas)
    white : level at which ``screen`` is saturated, the same unit
    share : of ``mix``
    """
    if recipe == "sum":
        return base + gas
    if recipe == "screen":
        return base + gas * (1.0 - np.clip(base / white, 0.0, 1.0))
    if recipe == "mix":
        return (1.0 - share) * base + share * (base + 2.0 * gas)
    raise ValueError(f"recipe is one of {RECIPES}, got {recipe!r}")
