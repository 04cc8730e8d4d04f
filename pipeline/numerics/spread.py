"""Choosing some of many stars so that they lie all over the field."""

import numpy as np

__all__ = ["spread_over_field"]

CELLS = 8
"""Cells along each axis: fine enough for a map of the field, coarse enough to hold several stars each."""


def spread_over_field(x, y, shape, count):
    """The first stars of every cell of the field in turn, until there are enough.

    Parameters
    ----------
    x, y : (n,) positions in order of preference, pixels
    shape : (ny, nx) of the field
    count : how many at most

    Returns
    -------
    (m,) int indices, ascending, m = min(n, count): all cells give their first star before any gives its second
    """
    x, y = np.asarray(x), np.asarray(y)
    if x.size <= count:
        return np.arange(x.size)
    column = np.clip((CELLS * x / shape[1]).astype(int), 0, CELLS - 1)
    row = np.clip((CELLS * y / shape[0]).astype(int), 0, CELLS - 1)
    cell = row * CELLS + column
    order = np.argsort(cell, kind="stable")
    _, first, sizes = np.unique(cell[order], return_index=True, return_counts=True)
    rank = np.empty(x.size, dtype=int)
    rank[order] = np.arange(x.size) - np.repeat(first, sizes)
    return np.sort(np.lexsort((np.arange(x.size), rank))[:count])
