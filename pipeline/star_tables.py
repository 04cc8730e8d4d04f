"""The table of a stack's stars: found once, for each stage that asks for them."""

import numpy as np
from astropy.table import Table

from pipeline.numerics.stack_stars import StackStars
from pipeline.tables import read_table, write_table

__all__ = ["known_stars", "read_stars", "stars_of_set", "write_star_table"]

COLUMNS = ("x", "y", "flux", "peak", "fwhm", "elongation")
"""Those of :class:`StackStars` that have a value for each star."""

FIGURES = {"typical_fwhm": "TYPFWHM", "noise": "NOISE"}
"""Those that the stars have in common, and their keywords."""


def write_star_table(path, stars, sigma):
    """Write :class:`StackStars` that were found above ``sigma`` times the noise, one row a star."""
    meta = {"SIGMA": float(sigma)}
    # FITS has no number that stands for an unknown one: what is not known is left out.
    meta |= {
        keyword: getattr(stars, name)
        for name, keyword in FIGURES.items()
        if np.isfinite(getattr(stars, name))
    }
    write_table(path, Table({name: getattr(stars, name) for name in COLUMNS}, meta=meta))


def read_stars(path):
    """Read what :func:`write_star_table` wrote.

    Raises
    ------
    InputError
        If the file is missing or is no table.
    """
    return _stars(read_table(path))


def known_stars(path, sigma):
    """The stars of a table; None without a table, or where another threshold than ``sigma`` was asked of it.

    Raises
    ------
    InputError
        If the file is no table.
    """
    if not path.is_file():
        return None
    table = read_table(path)
    return _stars(table) if table.meta["SIGMA"] == sigma else None


def stars_of_set(layout, name, sigma, record):
    """The stars that were found on the stack of filter set ``name``, an input in ``record``; None as for :func:`known_stars`."""
    table = layout.stack_stars(name)
    record.input(table)
    return known_stars(table, sigma)


def _stars(table):
    columns = {name: np.array(table[name], dtype=np.float64) for name in COLUMNS}
    return StackStars(
        **columns, **{name: table.meta.get(keyword, np.nan) for name, keyword in FIGURES.items()}
    )
