"""Gaussian smoothing of large planes, compiled, band by band on the cores that the job was given."""

import numpy as np
from numba import njit

from pipeline.numerics.bands import in_bands

__all__ = ["blurred", "warm"]

TRUNCATE_SIGMA = 4.0
"""Reach of the kernel: the default of scipy, which leaves out 6e-5 of its weight."""

BAND_ROWS = 64
"""Rows that a core is given at a time."""


def blurred(plane, sigma):
    """``plane`` convolved with a Gaussian, as by :func:`scipy.ndimage.gaussian_filter`; edges continue by reflection.

    Parameters
    ----------
    plane : (ny, nx) float32
    sigma : pixels

    Returns
    -------
    (ny, nx) float32; the same bytes whatever the number of cores
    """
    plane = np.ascontiguousarray(plane, dtype=np.float32)
    reach = int(TRUNCATE_SIGMA * sigma + 0.5)
    weights = np.exp(-0.5 / sigma**2 * np.arange(-reach, reach + 1) ** 2)
    weights = (weights / weights.sum())[reach:]
    rows, columns = (np.pad(np.arange(size), reach, mode="symmetric") for size in plane.shape)
    out = np.empty_like(plane)
    in_bands(
        lambda start, stop: _smooth(plane, weights, rows, columns, out, start, stop),
        len(plane),
        rows=BAND_ROWS,
    )
    return out


@njit(cache=True, nogil=True)
def _smooth(plane, weights, rows, columns, out, start, stop):
    """Along columns, then along rows; sums in double precision, in the order of scipy: the centre, then from far to near."""
    reach, nx = weights.size - 1, plane.shape[1]
    between, total = np.empty(nx + 2 * reach, dtype=np.float32), np.empty(nx)
    for y in range(start, stop):
        row = plane[y]
        for x in range(nx):
            total[x] = weights[0] * row[x]
        for k in range(reach, 0, -1):
            _add_both(total, plane[rows[y + reach - k]], plane[rows[y + reach + k]], weights[k])
        for x in range(between.size):
            between[x] = total[columns[x]]
        for x in range(nx):
            total[x] = weights[0] * between[reach + x]
        for k in range(reach, 0, -1):
            _add_both(total, between[reach - k :], between[reach + k :], weights[k])
        for x in range(nx):
            out[y, x] = total[x]


@njit(cache=True, nogil=True)
def _add_both(total, one, other, weight):
    for x in range(total.size):
        total[x] += weight * (np.float64(one[x]) + np.float64(other[x]))


def warm():
    """Compile the kernels."""
    blurred(np.ones((4, 4), dtype=np.float32), 1.0)
