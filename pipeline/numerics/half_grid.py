"""A grey image of every second row and column, on which stars, knots and trails are looked for.

The luminance of ``cfa.luminance`` is smooth on the scale of two pixels, so a quarter of its samples tells what
stands out of the sky and costs a quarter of the time. What is found is then measured on the frame's own samples.
"""

import numpy as np
from numba import njit

from pipeline.numerics.centroid import windowed_moments

__all__ = ["STEP", "half_luminance", "luminance_moments", "warm"]

STEP = 2
"""Frame pixels per pixel of the half grid; pixel (i, j) of it lies on pixel (2 i, 2 j) of the frame."""

DRIFT_SIGMA, DRIFT_PX = 2.0, 1.0
"""How far a windowed centre may move, see ``centroid.windowed_moments``."""

WINDOW_REACH = 4.0
"""The same for the radius of the window."""


@njit(cache=True, nogil=True)
def half_luminance(frame):
    """Convolution with [1 2 1] x [1 2 1] / 16 at every second row and column; R/4 + G/2 + B/4 on a colour array.

    Parameters
    ----------
    frame : (ny, nx) float32

    Returns
    -------
    (ceil(ny / 2), ceil(nx / 2)) float32; edges are mirrored about the edge pixel, which keeps the colour pattern
    """
    ny, nx = frame.shape
    out = np.empty(((ny + 1) // 2, (nx + 1) // 2), dtype=np.float32)
    for j in range(out.shape[0]):
        middle = 2 * j
        above = middle - 1 if middle > 0 else min(1, ny - 1)
        below = middle + 1 if middle < ny - 1 else max(ny - 2, 0)
        for i in range(out.shape[1]):
            centre = 2 * i
            left = centre - 1 if centre > 0 else min(1, nx - 1)
            right = centre + 1 if centre < nx - 1 else max(nx - 2, 0)
            out[j, i] = np.float32(0.0625) * (
                frame[above, left] + frame[above, right] + frame[below, left] + frame[below, right]
                + np.float32(2.0) * (frame[above, centre] + frame[below, centre] + frame[middle, left] + frame[middle, right])
                + np.float32(4.0) * frame[middle, centre]
            )  # fmt: skip
    return out


@njit(cache=True, nogil=True)
def luminance_moments(frame, background, smooth, x, y, sigma):
    """``centroid.windowed_moments`` of the luminance at full resolution, which is made only around each place.

    Parameters
    ----------
    frame : (ny, nx) float32
    background : (ceil(ny / 2), ceil(nx / 2)) float32, that of the half grid
    smooth : whether to smooth with [1 2 1] x [1 2 1] / 16, for a colour array; else the frame itself is used
    x, y : (n,) float64 first guesses, frame pixels
    sigma : of the window, pixels

    Returns
    -------
    (n, 6) float64, see ``centroid.windowed_moments``
    """
    ny, nx = frame.shape
    out = np.full((x.size, 6), np.nan)
    half = int(np.ceil((WINDOW_REACH + DRIFT_SIGMA) * sigma + DRIFT_PX)) + 1
    patch = np.empty((2 * half + 1, 2 * half + 1), dtype=np.float32)
    for star in range(x.size):
        row0, column0 = int(np.rint(y[star])) - half, int(np.rint(x[star])) - half
        level = background[
            min(max(row0 + half, 0) // 2, background.shape[0] - 1),
            min(max(column0 + half, 0) // 2, background.shape[1] - 1),
        ]
        for j in range(2 * half + 1):
            # Beyond the frame its edge goes on, mirrored: such a star is not listed, but must not trip anything.
            row = _mirrored(row0 + j, ny)
            above, below = _mirrored(row - 1, ny), _mirrored(row + 1, ny)
            for i in range(2 * half + 1):
                column = _mirrored(column0 + i, nx)
                if smooth:
                    left, right = _mirrored(column - 1, nx), _mirrored(column + 1, nx)
                    value = np.float32(0.0625) * (
                        frame[above, left] + frame[above, right] + frame[below, left] + frame[below, right]
                        + np.float32(2.0)
                        * (frame[above, column] + frame[below, column] + frame[row, left] + frame[row, right])
                        + np.float32(4.0) * frame[row, column]
                    )  # fmt: skip
                else:
                    value = frame[row, column]
                patch[j, i] = value - level
        out[star] = windowed_moments(patch, x[star : star + 1] - column0, y[star : star + 1] - row0, sigma)[0]
        out[star, 0] += column0
        out[star, 1] += row0
    return out


@njit(cache=True, inline="always")
def _mirrored(index, size):
    if index < 0:
        index = -index
    if index >= size:
        index = 2 * (size - 1) - index
    return min(max(index, 0), size - 1)


def warm():
    """Compile the kernels."""
    frame = np.ones((12, 12), dtype=np.float32)
    half = half_luminance(frame)
    luminance_moments(frame, half, True, np.full(1, 5.0), np.full(1, 5.0), 1.0)
