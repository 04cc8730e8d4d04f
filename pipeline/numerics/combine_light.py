"""The recipes that put gas and stars together, in linear light, and how strongly the gas is boosted."""

import numpy as np
from numba import njit
from scipy import ndimage

from pipeline.numerics.bands import in_bands
from pipeline.numerics.colour import LUMINANCE
from pipeline.numerics.spread_sample import every_nth

__all__ = [
    "RECIPES",
    "LineStrength",
    "auto_boosts",
    "light_balance",
    "line_colour",
    "line_strength",
    "put_together",
    "trusted",
    "warm",
]

RECIPES = ("sum", "screen", "luminance", "mix", "natural")
"""Names of the recipes."""

BLOCK_PX = 16
"""Blocks whose median tells how bright gas is: larger than stars' remnants, smaller than nebulae."""

BLOCKS = 25_000
"""Blocks that are looked at: 250 of them are brighter than the quantile below, more than the noise asks for."""

BRIGHT_QUANTILE = 0.99
"""The block brighter than all but this share is the brightest gas; the few beyond may be anything."""

DETECTED_SIGMA = 0.75
"""Brightest gas below this much of the noise of one pixel is not there: the median of a block is known to
0.1 of that, the background and the separation of the lines to a few times 0.1."""

NOISE_LIMIT = 10.0
"""A line's noise is boosted to at most this much of the picture's own; denoising takes nearly all of that away."""

LEAKAGE = 0.05
"""A line fainter than this share of the brightest one may be nothing but that line's leakage, which it must not
outshine: it gets no higher boost."""

NOISY = 2.0
"""Variance, relative to the usual, from which a line map is faded: half as many frames as elsewhere."""

SIGNIFICANT_SIGMA = 3.0
"""Gas that stands this far out of the noise of a single pixel is never faded."""

HIGHEST_BOOST = 200.0
"""Beyond, an automatic boost would only show noise."""

LEAST_SHARE = 0.05
"""A line that the broadband hardly passes (luminance per unit of line flux) has no share of its own to multiply."""

COLOUR_REACH_PX = 3.0
"""Recipe luminance: sigma of the Gaussian over which the colour of the picture is averaged, about a star."""

COLOUR_FLOOR_SIGMA = 5.0
"""Recipe luminance: brightness, in sigma, below which the colour of the picture is taken to be neutral."""

BAND_ROWS = 64
"""Rows that are put together at a time: they stay in the cache through all steps."""


def line_colour(primaries, gains, response):
    """What one unit of boost adds to each channel per unit of line flux.

    The colour is that of the display primaries, taken back through the white balance; its luminance on the
    display is that of the line's own share of the broadband picture, so a boost is a plain multiple. Where the
    broadband does not show the line, it is that of the line flux itself.

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
    wanted = own if own > LEAST_SHARE else 1.0
    return primaries / gains * (wanted / float(LUMINANCE @ primaries))


class LineStrength:
    """How bright a line is against its noise.

    Attributes
    ----------
    bright : flux of the brightest gas, away from stars
    noise : of one pixel before denoising
    """

    def __init__(self, bright, noise):
        self.bright = bright
        self.noise = noise

    @property
    def detected(self):
        """Whether there is gas."""
        return self.bright > DETECTED_SIGMA * self.noise


def line_strength(flux, variance):
    """:class:`LineStrength` of a line map.

    Parameters
    ----------
    flux, variance : (ny, nx); variance NaN where unknown
    """
    known = np.isfinite(variance)
    ny, nx = (size // BLOCK_PX * BLOCK_PX for size in flux.shape)
    if not known.any():
        return LineStrength(0.0, np.inf)
    some = every_nth(variance)
    some = some[np.isfinite(some)] if np.isfinite(some).any() else variance[known]
    noise = float(np.sqrt(np.median(some)))
    if ny == 0 or nx == 0:
        return LineStrength(float(np.quantile(flux[known], BRIGHT_QUANTILE)), noise)

    def blocks(plane):
        cut = (
            plane[:ny, :nx].reshape(ny // BLOCK_PX, BLOCK_PX, nx // BLOCK_PX, BLOCK_PX).transpose(1, 3, 0, 2)
        )
        return every_nth(cut, BLOCKS).reshape(BLOCK_PX**2, -1).T

    whole = blocks(known).all(axis=1)
    if not whole.any():
        return LineStrength(float(np.quantile(flux[known], BRIGHT_QUANTILE)), noise)
    medians = np.median(blocks(flux)[whole], axis=1)
    return LineStrength(float(np.quantile(medians, BRIGHT_QUANTILE)), noise)


def trusted(flux, variance):
    """``flux``, faded where its noise is much above the usual and does not come from bright gas itself.

    At the border of the field few frames overlap; what is left of their noise would be boosted as well.

    Parameters
    ----------
    flux : (ny, nx) denoised line map
    variance : (ny, nx) of a pixel before denoising; NaN where unknown

    Returns
    -------
    (ny, nx) float32; 0 where unknown
    """
    some = every_nth(variance)
    if not (some > 0).any():
        some = variance
    known = some[np.isfinite(some) & (some > 0)]
    if not known.size:
        return np.where(np.isfinite(variance), flux, np.float32(0.0))
    limit = NOISY * float(np.median(known))
    out = np.empty(flux.shape, dtype=np.float32)
    in_bands(lambda start, stop: _fade(flux, variance, limit, out, start, stop), len(flux), rows=BAND_ROWS)
    return out


@njit(cache=True, nogil=True)
def _fade(flux, variance, limit, out, start, stop):
    """flux times the larger of limit / variance and (flux / (k sigma))^2, or 1 if that is less; 0 where unknown."""
    for y in range(start, stop):
        for x in range(flux.shape[1]):
            spread = variance[y, x]
            if not spread > 0.0 or not np.isfinite(spread):
                out[y, x] = 0.0
                continue
            bright = flux[y, x] * abs(flux[y, x]) / SIGNIFICANT_SIGMA**2
            out[y, x] = flux[y, x] * min(max(limit, bright) / spread, 1.0)


def warm():
    """Compile the kernel."""
    trusted(np.ones((4, 4), dtype=np.float32), np.ones((4, 4), dtype=np.float32))


def auto_boosts(strengths, brightness, *, noise, gas_level):
    """Boosts that bring the brightest gas of each line to ``gas_level`` times the picture's noise.

    Less where that would raise noise instead of gas; 1 where there is no gas.

    Parameters
    ----------
    strengths : dict line -> LineStrength
    brightness : dict line -> brightness in the picture (mean of the white-balanced channels) of one unit of
        flux at one unit of boost
    noise : noise of that mean in the picture, one pixel
    gas_level : wanted brightness, in units of ``noise``

    Returns
    -------
    dict line -> float
    """
    boosts = {}
    for name, strength in strengths.items():
        boost = 1.0
        if strength.detected:
            wanted = gas_level * noise / (strength.bright * brightness[name])
            allowed = NOISE_LIMIT * noise / (strength.noise * brightness[name])
            boost = float(np.clip(1.0 + min(wanted, allowed), 1.0, HIGHEST_BOOST))
        boosts[name] = boost
    if strengths:
        leader = max(strengths, key=lambda name: strengths[name].bright)
        for name, strength in strengths.items():
            if strength.bright < LEAKAGE * strengths[leader].bright:
                boosts[name] = min(boosts[name], boosts[leader])
    return boosts


def light_balance(gains):
    """(3,) weights that give the brightness of unbalanced channels: the mean of the balanced ones."""
    return np.asarray(gains, dtype=np.float64) / 3.0


def put_together(base, base_variance, gas, gas_variance, *, recipe, gains, white, share):
    """One picture from the broadband scene and the gas, with its variance.

    Parameters
    ----------
    base, base_variance : (3, ny, nx) broadband scene
    gas, gas_variance : (3, ny, nx) what the boosts add beyond the broadband's own share; for recipe mix, all
        of the gas; for recipe natural, all of it less what the broadband shows of it
    recipe : "sum", "natural": base + gas. "screen": base + gas (1 - base / white), so that gas fades on bright stars.
        "luminance": the gas brightens the picture without colouring it; base + Y(gas) times the colour of the
        base. "mix": (1 - share) base + share gas
    gains : (3,) white balance
    white : level at which screen is saturated, the unit of ``base``
    share : of mix

    Returns
    -------
    value, variance : (3, ny, nx) float32; the variance to first order, base and gas taken as independent
    """
    if recipe == "luminance":
        weights = (LUMINANCE * gains)[:, None, None]
        colour = _own_colour(base, base_variance, gains)
        brighter = (weights * gas).sum(axis=0)
        # All channels of the gas come from one map of each line: their errors go together.
        spread = (weights * np.sqrt(gas_variance)).sum(axis=0) ** 2
        value, variance = base + colour * brighter, base_variance + colour**2 * spread
        return value.astype(np.float32, copy=False), variance.astype(np.float32, copy=False)
    value, variance = np.empty(base.shape, np.float32), np.empty(base.shape, np.float32)

    def band(start, stop):
        rows = np.s_[:, start:stop]
        value[rows], variance[rows] = _put_together(
            base[rows], base_variance[rows], gas[rows], gas_variance[rows], recipe, white, share
        )

    in_bands(band, base.shape[1], rows=BAND_ROWS)
    return value, variance


def _put_together(base, base_variance, gas, gas_variance, recipe, white, share):
    """Value and variance by the recipes that look at a pixel alone."""
    if recipe in ("sum", "natural"):
        return base + gas, base_variance + gas_variance
    if recipe == "screen":
        dark = 1.0 - np.clip(base / white, 0.0, 1.0)
        slope = np.where((base > 0) & (base < white), 1.0 - gas / white, 1.0)
        return base + gas * dark, slope**2 * base_variance + dark**2 * gas_variance
    if recipe == "mix":
        variance = (1.0 - share) ** 2 * base_variance + share**2 * gas_variance
        return (1.0 - share) * base + share * gas, variance
    raise ValueError(f"recipe is one of {RECIPES}, got {recipe!r}")


def _own_colour(base, variance, gains):
    """(3, ny, nx) unbalanced colour of the scene, of luminance 1; neutral where the scene is dark."""
    balanced = np.stack(
        [
            ndimage.gaussian_filter(plane * gain, COLOUR_REACH_PX)
            for plane, gain in zip(base, gains, strict=True)
        ]
    )
    usual = np.array([np.median(plane[plane > 0]) if (plane > 0).any() else 0.0 for plane in variance])
    floor = max(COLOUR_FLOOR_SIGMA * float(np.sqrt(np.sum(light_balance(gains) ** 2 * usual))), 1e-12)
    shown = np.maximum(balanced, 0.0) + floor
    luminance = np.tensordot(LUMINANCE, shown, axes=1)
    return shown / luminance / gains[:, None, None]
