"""From linear light to display values, keeping colours.

The brightness goes through one curve and the colour ratios of the light above the sky stay, as proposed by Lupton
et al. [1]_:

    shown_c = T(0) + (T(I) - T(0)) light_c / I,    I = mean over c of light_c

with T the curve, T(0) the level of the sky, neutral, and light_c the light above the sky. What the display cannot
show is drawn towards grey of the same brightness, but only until ``KEPT_COLOUR`` of its saturation is left; beyond,
it is made no brighter. So no channel is clipped, and the core of a coloured star keeps its hue.

References
----------
.. [1] R. Lupton et al., "Preparing red-green-blue images from CCD data", PASP 116 (2004) 133 (from memory).
"""

from dataclasses import dataclass

import numpy as np
from numba import njit

from pipeline.numerics.bands import in_bands
from pipeline.numerics.colour import srgb_decode, srgb_encode
from pipeline.numerics.robust import MAD_TO_SIGMA
from pipeline.numerics.spread_sample import every_nth
from pipeline.numerics.starlet import smoothed

__all__ = ["Stretch", "find_stretch", "render_for_display", "warm"]

DEEPEST_SIGMA = 3.5
"""The sky's noise reaches black this far below the sky: 0.02 % of normally distributed pixels are darker."""

SKY_BLOCK_PX = 16
"""Blocks whose median tells the level of the sky despite stars."""

SKY_SHARE = (0.02, 0.20)
"""Blocks between these quantiles of brightness are taken for empty sky: even a field full of nebula has its darkest
fifth; the very darkest are left out, for they may be flaws."""

BLOCKS_LOOKED_AT = 8192
"""Blocks, evenly spread, that tell the sky: a fifth of them know it to 1/400 of the noise of a pixel."""

PIXELS_LOOKED_AT = 4_000_000
"""Pixels, evenly spread, that tell the level of white: 2000 are brighter than the usual one, known to 2 % in rank."""

LEAST_CONTRAST = 30.0
"""White is at least this many times the noise above the sky, or a field without stars would show noise as stars."""

COLOUR_SIGMA = 5.0
"""Brightness in units of its noise at which half of the colour of a pixel is its own, half that of its surroundings."""

COLOUR_PASSES = 2
"""Passes of the B3 spline (sigma 1 px each) over which the colour of faint pixels is averaged: the eye does not see
finer colour."""

KEPT_COLOUR = 0.35
"""Least share of its saturation that a bright pixel keeps (a matter of taste: enough to tell an orange star from a
blue one, little enough that cores look bright)."""

TABLE_STEPS = 4096
"""Entries of the tables of the transfer function; linear interpolation between them errs by less than 3e-7."""

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
        return self.sky_level + self.top * np.arcsinh(brightness / self.soft)

    @property
    def top(self):
        """Rise of the curve for each unit of arcsinh."""
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
    light = every_nth(rgb, PIXELS_LOOKED_AT).mean(axis=0)[every_nth(valid, PIXELS_LOOKED_AT)]
    highest = float(np.quantile(light, white_quantile) - sky.mean()) if light.size else 0.0
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
    tables = (
        srgb_encode(np.linspace(0, 1, TABLE_STEPS + 1) ** 2),
        srgb_decode(np.linspace(0, 1, TABLE_STEPS + 1)),
    )
    reach = 2 * COLOUR_PASSES

    def band(start, stop):
        low, high = max(start - reach, 0), min(stop + reach, ny)
        light = np.asarray(rgb[:, low:high], dtype=np.float32) - stretch.sky[:, None, None].astype(np.float32)
        light = np.where(valid[low:high], light, np.float32(0.0))
        faint = np.empty((3, *light.shape[1:]), dtype=np.float32)
        _faint_colours(light, faint, COLOUR_SIGMA * stretch.sigma)
        for _ in range(COLOUR_PASSES):
            faint = np.stack([smoothed(plane, 1) for plane in faint])
        _show(
            light, faint, start - low, shown[start:stop], *tables,
            tuple(map(float, (stretch.sky_level, stretch.top, stretch.soft, stretch.sigma))), COLOUR_SIGMA,
            float(saturation),
        )  # fmt: skip

    in_bands(band, ny, rows=BAND_ROWS)
    return shown


def warm():
    """Compile the kernels."""
    stretch = Stretch(np.zeros(3), 1.0, 1.0, 1.0, 0.1)
    render_for_display(np.zeros((3, 4, 4), np.float32), np.ones((4, 4), bool), stretch)


@njit(cache=True, nogil=True)
def _faintness(brightness, half):
    """Share of the colour that comes from the surroundings: 1 for faint pixels, 1/2 at ``half``, 0 for bright ones."""
    ratio = (brightness / half) ** 2
    return 1.0 / (1.0 + ratio * ratio)


@njit(cache=True, nogil=True)
def _faint_colours(light, out, half):
    """Weight of each pixel in the averages of colour, and weight times departure of red and green from the mean.

    Bright pixels neither take part in the averages nor are changed, so stars keep their colour and give none away.
    """
    _, ny, nx = light.shape
    for y in range(ny):
        for x in range(nx):
            mean = (light[0, y, x] + light[1, y, x] + light[2, y, x]) / 3.0
            weight = _faintness(mean, half)
            out[0, y, x] = weight
            out[1, y, x] = weight * (light[0, y, x] - mean)
            out[2, y, x] = weight * (light[1, y, x] - mean)


@njit(cache=True, nogil=True)
def _between(table, at):
    """Linear interpolation in a table over 0..1; ``at`` is clipped."""
    place = min(max(at, 0.0), 1.0) * (table.size - 1)
    k = min(int(place), table.size - 2)
    return table[k] + (place - k) * (table[k + 1] - table[k])


@njit(cache=True, nogil=True)
def _show(light, faint, above, shown, encode, decode, curve, colour_sigma, saturation):
    """Display values of a band of rows, which starts ``above`` rows below the first one of ``light``; see the head of the module.

    ``encode`` is a table over the square root.
    """
    sky_level, top, soft, sigma = curve
    sky = _between(decode, sky_level)
    ny, nx, _ = shown.shape
    departure = np.empty(3)
    for row in range(ny):
        y = row + above
        for x in range(nx):
            mean = (light[0, y, x] + light[1, y, x] + light[2, y, x]) / 3.0
            own = 1.0 - _faintness(mean, colour_sigma * sigma)
            weight = max(faint[0, y, x], 1e-6)
            for c in range(2):
                around = faint[1 + c, y, x] / weight
                departure[c] = (1.0 - own) * around + own * (light[c, y, x] - mean)
            departure[2] = -departure[0] - departure[1]
            encoded = sky_level + top * np.arcsinh(mean / soft)
            grey = _between(decode, encoded)
            safe = mean
            if not abs(mean) > 1e-3 * sigma:
                # (T(I) - T(0)) / I at its limit where I is 0, on either side.
                safe = 1e-3 * sigma
                encoded = sky_level + top * np.arcsinh(safe / soft)
            linear = ((encoded + 0.055) / 1.055) ** 2.4 if encoded > 0.04045 else max(encoded, 0.0) / 12.92
            gain = saturation * (min(linear, 1.0) - sky) / safe
            highest = max(gain * departure[0], gain * departure[1], gain * departure[2])
            lowest = min(gain * departure[0], gain * departure[1], gain * departure[2])
            share = 1.0
            if highest > 0.0 and grey > 0.0:
                grey = min(grey, 1.0 / (1.0 + KEPT_COLOUR * highest / grey))
                share = min(share, (1.0 - grey) / highest)
            if lowest < 0.0:
                share = min(share, -grey / lowest)
            for c in range(3):
                value = grey + share * gain * departure[c]
                shown[row, x, c] = _between(encode, np.sqrt(max(value, 0.0)))


def _sky_of(rgb, valid):
    """(3,) level of the empty sky and the noise of its brightness, from the darkest blocks."""
    ny, nx = valid.shape
    size = max(4, min(SKY_BLOCK_PX, min(ny, nx) // 8))
    by, bx = ny // size, nx // size

    def blocks(plane):
        cut = plane[: by * size, : bx * size].reshape(by, size, bx, size).transpose(1, 3, 0, 2)
        return every_nth(cut, BLOCKS_LOOKED_AT).reshape(size * size, -1).T

    whole = blocks(valid).all(axis=1) if by * bx else np.zeros(0, dtype=bool)
    if not whole.any():
        return np.array([np.median(plane[valid]) for plane in rgb]), 0.0
    chosen = np.stack([blocks(plane)[whole] for plane in rgb])
    levels = np.median(chosen, axis=2).astype(np.float64)
    dark = levels.mean(axis=0)
    low, high = np.quantile(dark, SKY_SHARE)
    empty = (dark >= low) & (dark <= high)
    pixels = chosen[:, empty].mean(axis=0)
    scatter = np.median(np.abs(pixels - np.median(pixels, axis=1, keepdims=True)), axis=1)
    return np.median(levels[:, empty], axis=1), float(MAD_TO_SIGMA * np.median(scatter))
