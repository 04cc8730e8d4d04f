"""Convolution with a kernel of some tens of pixels at most, compiled.

For so small a kernel the plain sum over its taps takes half the time of transforms. It is as exact beside a bright star as
elsewhere, too: transforms in single precision spread a star's rounding over the whole of a block.
"""

import numpy as np
from numba import njit

from pipeline.numerics.bands import in_bands

__all__ = ["convolve", "warm"]

BAND_ROWS = 128
"""Rows that a core is given at a time."""

TAPS_AT_ONCE = 4
"""Taps that are added in one step, so that a sum is loaded and stored for several of them."""

CHUNK_PX = 2048
"""Pixels of a row that are summed at a time: they stay in the fastest cache."""


def convolve(padded, weights):
    """The part of a convolution that needs no pixels beyond the edge.

    Parameters
    ----------
    padded : (ny + 2 h, nx + 2 h) float32 or float64
    weights : (2 h + 1, 2 h + 1)

    Returns
    -------
    (ny, nx) of the type of ``padded``; the same bytes whatever the number of cores
    """
    size = len(weights)
    padded = np.ascontiguousarray(padded)
    taps = np.ascontiguousarray(weights[::-1, ::-1], dtype=padded.dtype)
    out = np.zeros((padded.shape[0] - size + 1, padded.shape[1] - size + 1), dtype=padded.dtype)
    in_bands(lambda start, stop: _add_taps(padded, taps, out, start, stop), len(out), rows=BAND_ROWS)
    return out


@njit(cache=True, nogil=True)
def _add_taps(padded, taps, out, start, stop):
    size, nx = taps.shape[0], out.shape[1]
    several = size - size % TAPS_AT_ONCE
    for y in range(start, stop):
        for first in range(0, nx, CHUNK_PX):
            total = out[y, first : first + CHUNK_PX]
            for j in range(size):
                row, tap = padded[y + j, first:], taps[j]
                for k in range(0, several, TAPS_AT_ONCE):
                    # Views, so that no index can be negative: only then is the loop vectorised.
                    one, two, three, four = row[k:], row[k + 1 :], row[k + 2 :], row[k + 3 :]
                    a, b, c, d = tap[k], tap[k + 1], tap[k + 2], tap[k + 3]
                    for x in range(total.size):
                        total[x] += a * one[x] + b * two[x] + c * three[x] + d * four[x]
                for k in range(several, size):
                    one, a = row[k:], tap[k]
                    for x in range(total.size):
                        total[x] += a * one[x]


def warm():
    """Compile the kernel."""
    for dtype in (np.float32, np.float64):
        convolve(np.ones((3, 3), dtype=dtype), np.ones((3, 3)))
