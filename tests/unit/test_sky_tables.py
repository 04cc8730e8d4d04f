"""The table of a stack's cells on disk."""

import numpy as np

from pipeline.numerics.sky_cells import Cells
from pipeline.sky_tables import SkyTable, read_sky_table, write_sky_table


def test_what_is_written_comes_back_bit_by_bit(tmp_path):
    """Unknown cells as well; grids of one row and of one column."""
    rng = np.random.default_rng(1)
    for rows, columns, channels in ((4, 7, 3), (1, 5, 1), (5, 1, 3), (1, 1, 1)):
        x, y = np.meshgrid(rng.normal(size=columns), rng.normal(size=rows))
        value, error = rng.normal(size=(2, channels, rows, columns))
        value[0, 0, 0] = np.nan
        write_sky_table(tmp_path / "a.fits", SkyTable(Cells(x, y, value, error, (90, 130)), 32, channels))
        back = read_sky_table(tmp_path / "a.fits")
        assert (back.cell_px, back.channels, back.cells.shape) == (32, channels, (90, 130))
        assert len(back.channel_names) == channels
        for name, expected in (("x", x), ("y", y), ("value", value), ("error", error)):
            np.testing.assert_array_equal(getattr(back.cells, name), expected)


def test_a_stack_without_data_has_no_cells(tmp_path):
    write_sky_table(tmp_path / "a.fits", SkyTable(None, 8, 3))
    back = read_sky_table(tmp_path / "a.fits")
    assert back.cells is None and back.channel_names == ("R", "G", "B")
