"""Stars of an image of several channels: found on their mean, once the slope and bend of the sky are taken off."""

import numpy as np

from pipeline.numerics.bands import in_bands
from pipeline.numerics.spread_sample import every_nth
from pipeline.numerics.stack_stars import DETECTION_SIGMA, detect_stars
from pipeline.numerics.surface import fit_surface

__all__ = ["stars_of"]

LEVEL_PIXELS, LEAST_LEVEL_PIXELS = 20_000, 100
"""Pixels that tell the slope and bend of a sky; and how few do not."""

LEVEL_CLIP_SIGMA = 3.0
"""Departure beyond which a pixel is of a star."""

BAND_ROWS = 64
"""Rows that are levelled at a time: they stay in the cache."""


def stars_of(value, valid, *, sigma=DETECTION_SIGMA):
    """Stars of an image, found on the mean of its channels once the slope and bend of the sky are taken off.

    Stars stand out of their surroundings, so what else of a sky is taken off later does not change them.

    Parameters
    ----------
    value : (C, ny, nx) float32
    valid : (C, ny, nx) bool; where a channel has no data, no star is looked for
    sigma : threshold of the detection, in the noise of a pixel

    Returns
    -------
    StackStars
    """
    luminance, seen = value.mean(axis=0), valid.all(axis=0)
    _level(luminance, seen)
    return detect_stars(luminance, seen, sigma=sigma)


def _level(plane, seen):
    """Take the slope and bend of a sky off, in place.

    Within a cell of the background that detection subtracts, a slope would count as noise. What the surface takes of a nebula
    is of no concern: it is far smoother than a star.
    """
    ny, nx = plane.shape
    some = every_nth(seen, LEVEL_PIXELS)
    if some.sum() < LEAST_LEVEL_PIXELS:
        return
    y, x = (every_nth(places, LEVEL_PIXELS)[some] for places in np.broadcast_arrays(*np.ogrid[:ny, :nx]))
    surface, _ = fit_surface(
        x, y, plane[y, x], order=2, x0=(nx - 1) / 2, y0=(ny - 1) / 2, scale=np.hypot(nx, ny) / 2,
        clip_sigma=LEVEL_CLIP_SIGMA,
    )  # fmt: skip

    def band(start, stop):
        plane[start:stop] -= surface.on_grid((ny, nx), rows=(start, stop)).astype(np.float32)

    in_bands(band, ny, rows=BAND_ROWS)
