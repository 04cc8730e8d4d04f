"""Find the stars of a filter set's stack, once, for all stages that need them."""

import numpy as np

from pipeline import qa
from pipeline.fitsio import read_linear
from pipeline.numerics.bands import in_bands
from pipeline.numerics.spread_sample import every_nth
from pipeline.numerics.stack_stars import detect_stars, no_stars
from pipeline.numerics.surface import fit_surface
from pipeline.star_tables import write_star_table

__all__ = ["run", "stars_of"]

LEVEL_PIXELS, LEAST_LEVEL_PIXELS = 20_000, 100
"""Pixels that tell the slope and bend of a sky; and how few do not."""

LEVEL_CLIP_SIGMA = 3.0
"""Departure beyond which a pixel is of a star."""

BAND_ROWS = 64
"""Rows that are levelled at a time: they stay in the cache."""


def stars_of(image, *, sigma):
    """Stars of a stack, found on the mean of its channels once the slope and bend of the sky are taken off.

    Stars stand out of their surroundings, so what else of a sky is taken off later does not change them.

    Parameters
    ----------
    image : LinearImage
    sigma : threshold of the detection

    Returns
    -------
    StackStars
    """
    luminance, seen = image.value.mean(axis=0), image.valid.all(axis=0)
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


def run(layout, unit, settings):
    """Find the stars of filter set ``unit``."""
    sigma = settings["flatten"]["star_sigma"]
    with qa.record(layout, "find_stars", unit) as record:
        image = read_linear(layout.stack(unit), rejected=False)
        record.input(layout.stack(unit))
        stars = stars_of(image, sigma=sigma) if image.has_data else no_stars()
        record.metric("stars_in_stack", len(stars))
        write_star_table(layout.stack_stars(unit), stars, sigma)
