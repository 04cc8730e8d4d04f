"""Survey the sky: reduce a filter set's stack to cells that are free of stars.

Flattening looks for free sky on all filter sets together, since gas shows best through one filter and dust through another.
What it needs to know of each is a small table, which is made here once. The stars of all sets are left out of every one: gas
has structure within a cell, so what a cell shows of it is the same in all sets only if they show it by the same pixels.
"""

import numpy as np

from pipeline import qa
from pipeline.fitsio import stored_linear
from pipeline.numerics.sky_cells import cell_table
from pipeline.numerics.stack_stars import star_mask
from pipeline.sky_tables import SkyTable, write_sky_table
from pipeline.star_tables import read_stars

__all__ = ["run", "tabulate"]

STAR_LIMIT_SIGMA = 0.2
"""Starlight above this share of the pixel noise is masked; the medians of cells ignore what is below."""

CELLS_ACROSS = 16
"""Cells that the shorter side of an image should at least have."""

MIN_CELL_PX = 8
"""Smallest cell: below, its median is too noisy to tell nebula from sky."""


def tabulate(image, stars, *, cell, star_growth):
    """Reduce a stack to star-free cells.

    Parameters
    ----------
    image : LinearImage
    stars : sequence of StackStars, of this stack and of others
    cell : edge of a cell, pixels
    star_growth : factor on the radii of the stars' masks

    Returns
    -------
    Cells
    """
    usable = image.valid
    for found in stars:
        limit = STAR_LIMIT_SIGMA * found.noise
        usable &= ~star_mask(found, image.shape[1:], surface_brightness=limit, growth=star_growth)
    return cell_table(image.value, image.variance, usable, cell=cell)


def run(layout, unit, settings, *, filter_sets):
    """Survey the stack of filter set ``unit``, without the stars of all ``filter_sets``."""
    options = settings["flatten"]
    with qa.record(layout, "survey_sky", unit) as record:
        image = stored_linear(layout.stack(unit))
        record.input(layout.stack(unit))
        cell = int(np.clip(min(image.shape[1:]) // CELLS_ACROSS, MIN_CELL_PX, options["cell_px"]))
        stars = []
        for name in filter_sets:
            record.input(layout.stack_stars(name))
            stars.append(read_stars(layout.stack_stars(name)))
        cells = None
        if image.has_data:
            cells = tabulate(image, stars, cell=cell, star_growth=options["star_growth"])
            known = np.isfinite(cells.value).all(axis=0)
            record.metrics({"cell_px": cell, "cells": known.size, "cells_known": int(known.sum())})
        write_sky_table(layout.sky(unit), SkyTable(cells, cell, image.shape[0]))
