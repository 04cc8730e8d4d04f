"""What a sample becomes before it is compared with others: on the reference's scale, without its frame's background, its
completeness a byte.
"""

import numpy as np
from numba import njit

from pipeline.numerics.surface import exponents

__all__ = ["along_x", "background", "finish", "match"]


def along_x(surface, x, y):
    """A surface as polynomials along y.

    Parameters
    ----------
    surface : PolynomialSurface
    x, y : (w,) columns and (h,) rows

    Returns
    -------
    powers : (order + 1, w) float32, coefficients for every column
    v : (h,) float32, the variable of the polynomials
    """
    u, v = (x - surface.x0) / surface.scale, (y - surface.y0) / surface.scale
    columns = np.zeros((surface.order + 1, u.size))
    for (i, j), coefficient in zip(exponents(surface.order), surface.coefficients, strict=True):
        columns[j] += coefficient * u**i
    return columns.astype(np.float32), v.astype(np.float32)


@njit(cache=True, nogil=True, error_model="numpy")
def background(powers, at, out):
    """The surface along a row, into ``out`` (w,), from what :func:`along_x` gives."""
    last = powers.shape[0] - 1
    out[:] = powers[last]
    for j in range(last - 1, -1, -1):
        power = powers[j]
        for column in range(out.size):
            out[column] = out[column] * at + power[column]


@njit(cache=True, nogil=True, error_model="numpy")
def finish(line, share_line, scale, level, full, out, bytes_out):
    """A piece of a row: ``line`` times ``scale`` less ``level``, and ``share_line`` times ``full`` as bytes."""
    for column in range(line.size):
        out[column] = line[column] * scale - level[column]
    for column in range(line.size):
        share = share_line[column] * full + np.float32(0.5)
        # The smallest overlap still counts: with weight 0 its value would be taken for a saturated one's.
        share = share if share > np.float32(1.0) else np.float32(1.0)
        share = share if share < np.float32(255.0) else np.float32(255.0)
        bytes_out[column] = np.uint8(
            np.int32(share if share_line[column] > np.float32(0.0) else np.float32(0.0))
        )


@njit(cache=True, nogil=True, error_model="numpy")
def match(found, weight, scale, powers, v, full, values, weights, index):
    """Samples (h, w) of one channel into the rows (h, N, w) of frame ``index``."""
    scale, full = np.float32(scale), np.float32(full)
    level = np.empty(found.shape[1], dtype=np.float32)
    for row in range(found.shape[0]):
        background(powers, v[row], level)
        finish(found[row], weight[row], scale, level, full, values[row, index], weights[row, index])
