"""Survey the sky: find the stars of a filter set's stack, and reduce the rest to cells.

Flattening looks for free sky on all filter sets together, since gas shows best through one filter and dust through another.
What it needs to know of each is a small table, which is made here once. So is the table of stars, for all stages that need
them: stars stand out of their surroundings, so a sky that is taken off later does not change them.
"""

import numpy as np

from pipeline import qa
from pipeline.fitsio import read_linear
from pipeline.numerics.bands import in_bands
from pipeline.numerics.sky_cells import cell_table
from pipeline.numerics.spread_sample import every_nth
from pipeline.numerics.stack_stars import detect_stars, no_stars, star_mask
from pipeline.numerics.surface import fit_surface
from pipeline.sky_tables import SkyTable, write_sky_table
from pipeline.star_tables import write_star_table

__all__ = ["run", "tabulate"]

STAR_LIMIT_SIGMA = 0.2
"""Starlight above this share of the pixel noise is masked; the medians of cells ignore what is below."""

LEVEL_PIXELS, LEAST_LEVEL_PIXELS = 20_000, 100
"""Pixels that tell the slope and bend of a sky; and how few do not."""

LEVEL_CLIP_SIGMA = 3.0
"""Departure beyond which a pixel is of a star."""

BAND_ROWS = 64
"""Rows that are levelled at a time: they stay in the cache."""

CELLS_ACROSS = 16
"""Cells that the shorter side of an image should at least have."""

MIN_CELL_PX = 8
"""Smallest cell: below, its median is too noisy to tell nebula from sky."""


def tabulate(image, *, cell, star_sigma, star_growth):
    """Find the stars of a stack, and reduce it to star-free cells.

    Parameters
    ----------
    image : LinearImage
    cell : edge of a cell, pixels
    star_sigma, star_growth : detection threshold, factor on the mask radii

    Returns
    -------
    cells : Cells
    stars : StackStars
    """
    usable = image.valid
    luminance, seen = image.value.mean(axis=0), usable.all(axis=0)
    _level(luminance, seen)
    stars = detect_stars(luminance, seen, sigma=star_sigma)
    usable &= ~star_mask(
        stars, luminance.shape, surface_brightness=STAR_LIMIT_SIGMA * stars.noise, growth=star_growth
    )
    return cell_table(image.value, image.variance, usable, cell=cell), stars


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
    """Survey the stack of filter set ``unit``."""
    options = settings["flatten"]
    with qa.record(layout, "survey_sky", unit) as record:
        image = read_linear(layout.stack(unit), rejected=False)
        record.input(layout.stack(unit))
        cell = int(np.clip(min(image.shape[1:]) // CELLS_ACROSS, MIN_CELL_PX, options["cell_px"]))
        cells, stars = None, no_stars()
        if image.has_data:
            cells, stars = tabulate(
                image, cell=cell, star_sigma=options["star_sigma"], star_growth=options["star_growth"]
            )
            known = np.isfinite(cells.value).all(axis=0)
            record.metrics({"cell_px": cell, "cells": known.size, "cells_known": int(known.sum())})
        write_sky_table(layout.sky(unit), SkyTable(cells, cell, image.shape[0]))
        write_star_table(layout.stack_stars(unit), stars, options["star_sigma"])
