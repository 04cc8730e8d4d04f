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


def convolve(plane, weights, *, out=None):
    """Convolution of a plane; edges are continued by reflection about the outermost pixels.

    Parameters
    ----------
    plane : (ny, nx) float32 or float64
    weights : (2 h + 1, 2 h + 1)
    out : (ny, nx) of the type of ``plane``, to be written over; None makes one

    Returns
    -------
    ``out``; the same bytes whatever the number of cores
    """
    half = len(weights) // 2
    taps = np.ascontiguousarray(weights[::-1, ::-1], dtype=plane.dtype)
    out = np.empty_like(plane) if out is None else out
    rows = np.pad(np.arange(len(plane)), half, mode="reflect")

    def band(start, stop):
        padded = np.pad(plane[rows[start : stop + 2 * half]], ((0, 0), (half, half)), mode="reflect")
        _add_taps(padded, taps, out, start, stop)

    in_bands(band, len(plane), rows=BAND_ROWS)
    return out


@njit(cache=True, nogil=True)
def _add_taps(padded, taps, out, start, stop):
    """Sums of some rows of ``out``, of which the first needs ``padded`` from its first row on."""
    size, nx = taps.shape[0], out.shape[1]
    several = size - size % TAPS_AT_ONCE
    for y in range(stop - start):
        for first in range(0, nx, CHUNK_PX):
            total = out[start + y, first : first + CHUNK_PX]
            total[:] = 0
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
        convolve(np.ones((4, 4), dtype=dtype), np.ones((3, 3)))
