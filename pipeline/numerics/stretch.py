"""From linear light to display values, keeping colours.

The brightness goes through one curve and the colour ratios of the light above the sky stay, as proposed by Lupton
et al. [1]_:

    shown_c = T(0) + (T(I) - T(0)) light_c / I,    I = mean over c of light_c

with T the curve, T(0) the level of the sky, neutral, and light_c the light above the sky. What the display cannot
show is drawn towards grey of the same brightness, which at the top is white.

References
----------
.. [1] R. Lupton et al., "Preparing red-green-blue images from CCD data", PASP 116 (2004) 133 (from memory).
"""

from dataclasses import dataclass

import numpy as np
from scipy import ndimage

from pipeline.numerics.colour import srgb_decode, srgb_encode
from pipeline.numerics.robust import MAD_TO_SIGMA

__all__ = ["Stretch", "find_stretch", "render_for_display"]

DEEPEST_SIGMA = 3.5
"""The sky's noise reaches black this far below the sky: 0.02 % of normally distributed pixels are darker."""

SKY_BLOCK_PX = 16
"""Blocks whose median tells the level of the sky despite stars."""

SKY_SHARE = (0.02, 0.20)
"""Blocks between these quantiles of brightness are taken for empty sky: even a field full of nebula has its darkest
fifth; the very darkest are left out, for they may be flaws."""

LEAST_CONTRAST = 30.0
"""White is at least this many times the noise above the sky, or a field without stars would show noise as stars."""

COLOUR_SIGMA = 5.0
"""Brightness in units of its noise at which half of the colour of a pixel is its own, half that of its surroundings."""

COLOUR_REACH_PX = 1.5
"""Sigma of the Gaussian over which the colour of faint pixels is averaged: the eye does not see finer colour."""

BAND_ROWS = 512
"""Rows that are rendered at a time, to bound the memory."""


@dataclass(frozen=True)
class Stretch:
    """A tone curve and what it was made for.

    Attributes
    ----------
    sky : (3,) level of the empty sky after white balance
    sigma : noise of the brightness, same unit
    soft : brightness at which the curve turns logarithmic
    white : brightness shown as white
    sky_level : encoded brightness of the sky
    """

    sky: np.ndarray
    sigma: float
    soft: float
    white: float
    sky_level: float

    def curve(self, brightness):
        """Encoded display brightness 0..1 of a brightness above the sky."""
        return self.sky_level + self._top() * np.arcsinh(brightness / self.soft)

    def gain(self, brightness):
        """(T(I) - T(0)) / I in linear display light; its limit where I is 0."""
        sky = srgb_decode(self.sky_level)
        small = 1e-3 * self.sigma
        safe = np.where(np.abs(brightness) < small, small, brightness)
        return (srgb_decode(self.curve(safe)) - sky) / safe

    def _top(self):
        return (1.0 - self.sky_level) / np.arcsinh(self.white / self.soft)


def find_stretch(rgb, valid, *, sky_level, softening_sigma, white_quantile):
    """The tone curve for an image.

    Parameters
    ----------
    rgb : (3, ny, nx) white-balanced linear light
    valid : (ny, nx) bool
    sky_level : encoded brightness that the empty sky shall have
    softening_sigma : where the curve turns logarithmic, in units of the noise
    white_quantile : share of the pixels that are darker than white

    Returns
    -------
    Stretch
    """
    if not valid.any():
        return Stretch(np.zeros(3), 1.0, softening_sigma, LEAST_CONTRAST, sky_level)
    sky, sigma = _sky_of(rgb, valid)
    brightness = np.mean([plane[valid] - level for plane, level in zip(rgb, sky, strict=True)], axis=0)
    highest = float(np.quantile(brightness, white_quantile))
    if not sigma > 0:
        sigma = highest / LEAST_CONTRAST if highest > 0 else 1.0
    white = max(highest, LEAST_CONTRAST * sigma)
    soft = softening_sigma * sigma
    # A steeper curve than this would push the sky's own noise into black.
    while (1 - sky_level) / np.arcsinh(white / soft) * np.arcsinh(DEEPEST_SIGMA * sigma / soft) > sky_level:
        soft *= 1.15
    return Stretch(sky, sigma, soft, white, sky_level)


def render_for_display(rgb, valid, stretch, *, saturation=1.0):
    """Encoded sRGB values.

    Parameters
    ----------
    rgb : (3, ny, nx) white-balanced linear light
    valid : (ny, nx) bool; elsewhere the sky's grey is shown
    stretch : Stretch
    saturation : 1 keeps the colours

    Returns
    -------
    (ny, nx, 3) float32, 0..1
    """
    ny, nx = valid.shape
    shown = np.empty((ny, nx, 3), dtype=np.float32)
    reach = int(np.ceil(4 * COLOUR_REACH_PX)) + 1  # ndimage's Gaussian ends at 4 sigma
    for start in range(0, ny, BAND_ROWS):
        stop = min(start + BAND_ROWS, ny)
        low, high = max(start - reach, 0), min(stop + reach, ny)
        band = _band(rgb[:, low:high], valid[low:high], stretch, saturation)
        shown[start:stop] = band[start - low : stop - low]
    return shown


def _band(rgb, valid, stretch, saturation):
    light = np.where(
        valid, np.asarray(rgb, dtype=np.float32) - stretch.sky[:, None, None].astype(np.float32), 0
    )
    brightness = light.mean(axis=0)
    colour = _calm(light - brightness, brightness, stretch.sigma)
    grey = np.clip(srgb_decode(stretch.curve(brightness)), 0.0, 1.0)
    departure = saturation * stretch.gain(brightness) * colour
    # The largest share of the colour with which no channel leaves the display's range.
    with np.errstate(divide="ignore", invalid="ignore"):
        room_above = np.where(departure.max(axis=0) > 0, (1.0 - grey) / departure.max(axis=0), 1.0)
        room_below = np.where(departure.min(axis=0) < 0, grey / -departure.min(axis=0), 1.0)
    share = np.minimum(np.minimum(room_above, room_below), 1.0)
    return np.moveaxis(srgb_encode(grey + share * departure), 0, -1).astype(np.float32)


def _calm(colour, brightness, sigma):
    """Departures of the channels from their mean, averaged with their surroundings where a pixel is faint.

    Bright pixels neither take part in the averages nor are changed, so stars keep their colour and give none away.
    """
    faint = 1.0 / (1.0 + (brightness / (COLOUR_SIGMA * sigma)) ** 4)
    total = ndimage.gaussian_filter(faint, COLOUR_REACH_PX, mode="nearest")
    calm = np.empty_like(colour)
    for plane, out in zip(colour, calm, strict=True):
        mean = ndimage.gaussian_filter(plane * faint, COLOUR_REACH_PX, mode="nearest") / np.maximum(
            total, 1e-6
        )
        out[:] = faint * mean + (1.0 - faint) * plane
    return calm


def _sky_of(rgb, valid):
    """(3,) level of the empty sky and the noise of its brightness, from the darkest blocks."""
    ny, nx = valid.shape
    size = max(4, min(SKY_BLOCK_PX, min(ny, nx) // 8))
    by, bx = ny // size, nx // size
    if by * bx == 0:
        return np.array([np.median(plane[valid]) for plane in rgb]), 0.0

    def blocks(plane):
        return (
            plane[: by * size, : bx * size]
            .reshape(by, size, bx, size)
            .swapaxes(1, 2)
            .reshape(-1, size * size)
        )

    whole = blocks(valid).all(axis=1)
    if not whole.any():
        return np.array([np.median(plane[valid]) for plane in rgb]), 0.0
    levels = np.array([np.median(blocks(plane)[whole], axis=1) for plane in rgb])
    dark = levels.mean(axis=0)
    low, high = np.quantile(dark, SKY_SHARE)
    chosen = (dark >= low) & (dark <= high)
    pixels = blocks(np.mean(rgb, axis=0))[whole][chosen]
    scatter = np.median(np.abs(pixels - np.median(pixels, axis=1, keepdims=True)), axis=1)
    return np.median(levels[:, chosen], axis=1), float(MAD_TO_SIGMA * np.median(scatter))
