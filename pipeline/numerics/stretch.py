"""From linear light to display values, keeping colours.

The brightness goes through one curve and the colour ratios stay, as proposed by Lupton et al. [1]_; only what the display
cannot show is drawn towards white at equal brightness.

References
----------
.. [1] R. Lupton et al., "Preparing red-green-blue images from CCD data", PASP 116 (2004) 133 (from memory).
"""

from dataclasses import dataclass

import numpy as np

from pipeline.numerics.colour import LUMINANCE, srgb_decode, srgb_encode
from pipeline.numerics.robust import clipped_stats

__all__ = ["Stretch", "find_stretch", "render_for_display"]

DEEPEST_SIGMA = 3.5
"""The sky's noise reaches black this far below the sky: 0.02 % of normally distributed pixels are darker."""

PEDESTAL_SIGMA = 8.0
"""Added to all channels before colour ratios are taken, so that noise about zero has no wild colours."""

SAMPLE = 400_000
"""Pixels that suffice for statistics."""


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
        top = (1.0 - self.sky_level) / np.arcsinh(self.white / self.soft)
        return self.sky_level + top * np.arcsinh(brightness / self.soft)


def find_stretch(rgb, valid, *, sky_level, softening_sigma, white_quantile):
    """The tone curve for an image.

    Parameters
    ----------
    rgb : (3, ny, nx) white-balanced linear light
    valid : (ny, nx) bool

    Returns
    -------
    Stretch
    """
    step = max(1, int(np.sqrt(valid.size / SAMPLE)))
    picked = valid[::step, ::step]
    samples = rgb[:, ::step, ::step][:, picked]
    if samples.shape[1] == 0:
        return Stretch(np.zeros(3), 1.0, 1.0, 10.0, sky_level)
    # The sky was set to zero by the flattening; the lower half of the pixels confirms it for each channel.
    sky = np.array([_sky_of(plane) for plane in samples])
    brightness = (samples - sky[:, None]).mean(axis=0)
    below = brightness[brightness < np.median(brightness)]
    sigma = float(np.median(np.abs(below - _usual(brightness))) * 1.4826) if below.size else 1.0
    sigma = max(sigma, 1e-12)
    white = max(float(np.quantile(brightness, white_quantile)), 30 * sigma)
    soft = softening_sigma * sigma
    # A steeper curve than this would push the sky's own noise into black.
    while (1 - sky_level) / np.arcsinh(white / soft) * np.arcsinh(DEEPEST_SIGMA * sigma / soft) > sky_level:
        soft *= 1.15
    return Stretch(sky, sigma, soft, white, sky_level)


def _usual(values):
    """The most frequent value, from the half of the clipped values that lies closest together."""
    _, median, _ = clipped_stats(values, sigma=2.5, iterations=8)
    return median


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
    light = np.asarray(rgb, dtype=np.float32) - stretch.sky[:, None, None].astype(np.float32)
    light = np.where(valid, light, 0.0)
    brightness = light.mean(axis=0)
    target = srgb_decode(stretch.curve(brightness))
    pedestal = PEDESTAL_SIGMA * stretch.sigma
    ratio = (light + pedestal) / np.maximum(brightness + pedestal, 0.2 * pedestal)
    shown = target * np.maximum(1.0 + saturation * (ratio - 1.0), 0.0)
    # Brightness of the mixture as the eye weighs it; colours that are too bright for the display move towards it.
    grey = np.clip(np.tensordot(LUMINANCE, shown, axes=1), 0.0, 1.0)
    highest = shown.max(axis=0)
    share = np.where(highest > 1.0, (1.0 - grey) / np.maximum(highest - grey, 1e-9), 1.0)
    shown = grey + (shown - grey) * np.clip(share, 0.0, 1.0)
    return np.moveaxis(srgb_encode(shown), 0, -1).astype(np.float32)


def _sky_of(plane):
    _, median, _ = clipped_stats(plane, sigma=2.0, iterations=10)
    return median
