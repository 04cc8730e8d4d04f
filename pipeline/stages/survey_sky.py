"""Survey the sky: reduce a filter set's stack to cells that are free of stars.

Flattening looks for free sky on all filter sets together, since gas shows best through one filter and dust through another.
What it needs to know of each is a small table, which is made here once.
"""

import numpy as np

from pipeline import qa
from pipeline.fitsio import read_linear
from pipeline.numerics.sky_cells import cell_table
from pipeline.numerics.stack_stars import detect_stars, star_mask
from pipeline.sky_tables import SkyTable, write_sky_table

__all__ = ["run", "tabulate"]

STAR_LIMIT_SIGMA = 0.2
"""Starlight above this share of the pixel noise is masked; the medians of cells ignore what is below."""

CELLS_ACROSS = 16
"""Cells that the shorter side of an image should at least have."""

MIN_CELL_PX = 8
"""Smallest cell: below, its median is too noisy to tell nebula from sky."""


def tabulate(image, *, cell, star_sigma, star_growth):
    """Reduce a stack to star-free cells.

    Parameters
    ----------
    image : LinearImage
    cell : edge of a cell, pixels
    star_sigma, star_growth : detection threshold, factor on the mask radii

    Returns
    -------
    Cells
    """
    usable = image.valid
    luminance = image.value.mean(axis=0)
    stars = detect_stars(luminance, usable.all(axis=0), sigma=star_sigma)
    usable &= ~star_mask(
        stars, luminance.shape, surface_brightness=STAR_LIMIT_SIGMA * stars.noise, growth=star_growth
    )
    return cell_table(image.value, image.variance, usable, cell=cell)


def run(layout, unit, settings):
    """Survey the stack of filter set ``unit``."""
    options = settings["flatten"]
    with qa.record(layout, "survey_sky", unit) as record:
        image = read_linear(layout.stack(unit), rejected=False)
        record.input(layout.stack(unit))
        cell = int(np.clip(min(image.shape[1:]) // CELLS_ACROSS, MIN_CELL_PX, options["cell_px"]))
        cells = None
        if image.valid.any():
            cells = tabulate(
                image, cell=cell, star_sigma=options["star_sigma"], star_growth=options["star_growth"]
            )
            known = np.isfinite(cells.value).all(axis=0)
            record.metrics({"cell_px": cell, "cells": known.size, "cells_known": int(known.sum())})
        write_sky_table(layout.sky(unit), SkyTable(cells, cell, image.shape[0]))
