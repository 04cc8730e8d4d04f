"""Tables on disk: ECSV for what people read, FITS binary tables for long star lists."""

from pathlib import Path

import numpy as np
from astropy.table import MaskedColumn, Table

from pipeline.atomic import replaced
from pipeline.errors import InputError

__all__ = ["read_table", "write_table"]

FORMATS = {".ecsv": "ascii.ecsv", ".fits": "fits"}
"""File suffix to the format name of astropy's table reader and writer."""

EMPTY_OF_KIND = {"U": "", "S": "", "O": "", "f": np.nan}
"""What an empty cell stands for, by numpy's kind of the column."""


def write_table(path, table):
    """Write an astropy ``Table`` atomically; the suffix (.ecsv or .fits) chooses the format."""
    with replaced(path) as temporary:
        table.write(temporary, format=_format(path), overwrite=True)


def read_table(path):
    """Read a table that :func:`write_table` wrote.

    Raises
    ------
    InputError
        If the file is missing or is not such a table.
    """
    try:
        table = Table.read(path, format=_format(path))
    except (OSError, ValueError, TypeError) as error:
        raise InputError(f"{path}: not a readable table ({error})") from error
    for name in table.colnames:
        column = table[name]
        if isinstance(column, MaskedColumn):
            # Both formats read an empty text or a NaN back as "masked"; we wrote it as what it was.
            table[name] = column.filled(EMPTY_OF_KIND.get(column.dtype.kind))
    return table


def _format(path):
    suffix = Path(path).suffix
    if suffix not in FORMATS:
        raise ValueError(f"{path}: a table's suffix is one of {sorted(FORMATS)}, got {suffix!r}")
    return FORMATS[suffix]
