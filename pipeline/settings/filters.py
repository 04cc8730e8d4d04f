"""What follows from the filter sets of a config: which spelling means which, and which lines they carry."""

import re

from pipeline.settings.tables.filter_sets import LINES_NM

__all__ = ["CONTINUUM_ROLES", "filter_set_of", "lines_of", "passbands_of", "same_name", "spellings"]

CONTINUUM_ROLES = ("broadband", "unfiltered")
"""Roles of filter sets that show stars and dust as they are, the better first."""

HALF_BAND_NM = 5.0
"""Half width in nm of a passband that a config does not give, about each line the filter is made for; common
narrowband filters are 3 to 12 nm wide."""

VISIBLE_NM = (400.0, 700.0)
"""What a broadband filter passes where the config does not say."""


def same_name(name):
    """A filter's name reduced to what counts: letters and digits, small."""
    return re.sub(r"[\W_]+", "", str(name)).casefold()


def spellings(name, filter_set):
    """All names, reduced by ``same_name``, that mean this filter set."""
    return [same_name(spelling) for spelling in filter_set["filter_names"] or [name]]


def filter_set_of(text, filter_sets):
    """Name of the filter set that a FILTER header or folder name means, or None."""
    wanted = same_name(text)
    return next((name for name, entry in filter_sets.items() if wanted in spellings(name, entry)), None)


def lines_of(filter_set):
    """Lines that a dual-band or narrowband filter set is made for, as named in the config; others: none."""
    if filter_set["role"] not in ("dualband", "narrowband"):
        return []
    if filter_set["lines"]:
        return list(filter_set["lines"])
    passed = [
        line
        for line, nm in LINES_NM.items()
        if any(low <= nm <= high for low, high in filter_set["passbands_nm"])
    ]
    # Through one band [N II] cannot be told from H-alpha; the pair goes by the name of the stronger line.
    return [line for line in passed if line != "NII" or "Ha" not in passed]


def passbands_of(filter_set):
    """Pairs of first and last wavelength in nm that pass, or None if everything does."""
    if filter_set["passbands_nm"]:
        return [tuple(band) for band in filter_set["passbands_nm"]]
    if filter_set["role"] == "unfiltered":
        return None
    if filter_set["role"] == "broadband":
        return [VISIBLE_NM]
    return [(LINES_NM[line] - HALF_BAND_NM, LINES_NM[line] + HALF_BAND_NM) for line in filter_set["lines"]]
