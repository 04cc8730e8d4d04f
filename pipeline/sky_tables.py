"""The table of a stack's star-free cells: small, for every filter set's flattening looks at those of all."""

from dataclasses import dataclass

import numpy as np
from astropy.table import Table

from pipeline.bundles import channels_for
from pipeline.numerics.sky_cells import Cells
from pipeline.tables import read_table, write_table

__all__ = ["SkyTable", "read_sky_table", "write_sky_table"]


@dataclass(frozen=True)
class SkyTable:
    """Cells of a stack, and what of the stack is needed with them.

    Attributes
    ----------
    cells : Cells, or None where the stack has no data
    cell_px : edge of a cell
    channels : number of planes of the stack
    """

    cells: Cells | None
    cell_px: int
    channels: int

    @property
    def channel_names(self):
        """Channel names in plane order."""
        return channels_for(self.channels)


def write_sky_table(path, sky):
    """Write a :class:`SkyTable`, one row a cell."""
    columns, meta = {"x": np.zeros(0), "y": np.zeros(0)}, {"CELLPX": sky.cell_px, "CHANNELS": sky.channels}
    columns |= {"value": np.zeros((0, sky.channels)), "error": np.zeros((0, sky.channels))}
    if sky.cells is not None:
        cells = sky.cells
        columns = {"x": cells.x.ravel(), "y": cells.y.ravel()}
        columns |= {name: getattr(cells, name).reshape(sky.channels, -1).T for name in ("value", "error")}
        meta |= {"NY": cells.shape[0], "NX": cells.shape[1], "CELLROWS": len(cells.x)}
    write_table(path, Table(columns, meta=meta))


def read_sky_table(path):
    """Read what :func:`write_sky_table` wrote.

    Raises
    ------
    InputError
        If the file is missing or is no table.
    """
    table = read_table(path)
    meta, cells = table.meta, None
    if len(table):
        x, y = (np.array(table[name], dtype=np.float64).reshape(meta["CELLROWS"], -1) for name in ("x", "y"))
        value, error = (
            np.array(table[name], dtype=np.float64, order="C")
            .reshape(-1, meta["CHANNELS"])
            .T.reshape(-1, *x.shape)
            for name in ("value", "error")
        )
        cells = Cells(x, y, value, error, (meta["NY"], meta["NX"]))
    return SkyTable(cells, meta["CELLPX"], meta["CHANNELS"])
