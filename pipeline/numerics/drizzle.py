"""Resampling by dropping every raw pixel, shrunk, onto the output grid: variable-pixel linear reconstruction [1]_.

A raw pixel of a channel is shrunk to the share ``pixfrac`` of its side and falls on the output grid as a square that
is aligned with the grid; it adds to every output pixel in proportion to their overlap a,

    I = sum(a v A) / sum(a),        W = sum(a),

with v the pixel's rate and A the area of the output pixel in frame pixels, so that surface brightness is
conserved. No pixel is interpolated and no colour borrows from another: the star keeps the width it has in the frame,
but for the drop's and the output pixel's own. That asks for enough dithered frames to fill the grid: a colour
of a Bayer array has only a quarter of the pixels.

Noise. A drop covers the area D = (pixfrac side)^2 of output pixels and has one error for all of them. A block of B output
pixels with even weights has the mean sum_i w_i D v_i / sum_i w_i D, hence the equivalent uncorrelated variance of
an output pixel is

    V = sum(w^2 a D s^2) / (sum(w a))^2,

a D in the place of the a^2 that a single output pixel has. The ratio of the two is what correlates neighbours [2]_.

References
----------
.. [1] A. S. Fruchter, R. N. Hook, "Drizzle: a method for the linear reconstruction of undersampled images",
   PASP 114 (2002) 144, equations 2 to 5, and section 7 for the correlated noise (from memory).
.. [2] S. Casertano et al., AJ 120 (2000) 2747, appendix A6 (from memory): noise in a single pixel is low by
   (s/p)(1 - s/3p) for s < p, else by 1 - p/3s, s the output pixel and p the drop in raw pixels.
"""

from math import floor

import numpy as np
from numba import njit

from pipeline.numerics.cfa import Cfa
from pipeline.numerics.frame_positions import Placement
from pipeline.numerics.pose import Pose

__all__ = ["add_drops", "casertano_ratio", "drizzle", "drop_side", "largest_overlap", "warm"]


def drop_side(placement, pixfrac):
    """Side of a drop in output pixels."""
    return pixfrac * placement.pose.scale()


def largest_overlap(placement, pixfrac):
    """Area that a drop and an output pixel share at most, in output pixels: all of the smaller one."""
    return min(drop_side(placement, pixfrac), 1.0) ** 2


def casertano_ratio(side):
    """Noise of a single output pixel over the equivalent uncorrelated one [2]_.

    Parameters
    ----------
    side : of the drop, in output pixels
    """
    side = np.asarray(side, dtype=np.float64)
    ratio = 1.0 / np.maximum(side, 1e-12)
    return np.where(side > 1.0, ratio * (1.0 - ratio / 3.0), 1.0 - side / 3.0)[()]


def drizzle(frame, cfa, placement, window, *, pixfrac, first_row=0, first_column=0):
    """Every channel of a frame dropped onto a window of the output grid.

    Parameters
    ----------
    frame : (rows, columns) float32, electrons per second: part of the frame that reaches the window; NaN where a
        pixel is bad, infinity where it is saturated; neither is dropped
    cfa : Cfa of the whole frame
    placement : Placement
    window : (first row, stop row, first column, stop column) of the output grid
    pixfrac : side of the drop over that of the pixel, in (0, 1]
    first_row, first_column : of the frame that ``frame[0, 0]`` is

    Returns
    -------
    value : (C, h, w) float32, electrons per second per output pixel; NaN where nothing falls
    weight : (C, h, w) float32, sum of the overlaps, in output pixels
    """
    if not 0.0 < pixfrac <= 1.0:
        raise ValueError(f"pixfrac lies in (0, 1], got {pixfrac}")
    top, bottom, left, right = window
    sums = np.zeros((len(cfa.channels), 2, bottom - top, right - left), dtype=np.float32)
    add_drops(
        frame, cfa, placement, window, sums, pixfrac=pixfrac, first_row=first_row, first_column=first_column
    )
    signal, weight = sums[:, 0], sums[:, 1]
    with np.errstate(invalid="ignore", divide="ignore"):
        # Where nothing fell, 0 / 0 is the NaN that is wanted.
        return signal / weight, np.ascontiguousarray(weight)


def add_drops(frame, cfa, placement, window, sums, *, pixfrac, first_row=0, first_column=0):
    """Add the drops of a frame to sums (C, 2, h, w) float32 of a v A and of a; the rest as in :func:`drizzle`.

    Tells whether a pixel was saturated.
    """
    top, _, left, _ = window
    frame = np.ascontiguousarray(frame, dtype=np.float32)
    cell = np.roll(cfa.cell, (-first_row, -first_column), axis=(0, 1))
    maps = placement.output_maps.copy()
    maps[:, :, 0] -= (left, top)
    ny, nx = placement.pose.shape
    geometry = (0.5 * (nx - 1) - first_column, 0.5 * (ny - 1) - first_row, 0.5 * float(np.hypot(nx, ny)))
    curved = placement.pose.kind == "quadratic"
    return _drop(frame, cell, maps, *geometry, 0.5 * drop_side(placement, pixfrac), curved, sums)


def warm():
    """Compile the kernel of this module."""
    placement = Placement(Pose.identity((8, 8)), np.zeros((3, 2, 3)))
    drizzle(np.zeros((8, 8), dtype=np.float32), Cfa("RGGB"), placement, (0, 8, 0, 8), pixfrac=0.8)


@njit(cache=True, nogil=True, error_model="numpy")
def _drop(frame, cell, maps, x0, y0, scale, half, curved, sums):
    ny, nx = frame.shape
    height, width = sums.shape[2], sums.shape[3]
    small, saturated = 2.0 * half <= 1.0, False
    for row in range(ny):
        v = (row - y0) / scale
        for parity in range(min(2, nx)):
            channel = cell[row % 2, parity]
            a, b = maps[channel, 0], maps[channel, 1]
            # Along a row both coordinates are parabolas. Output pixel i spans i to i + 1 here.
            xa, xb, xc = a[0] + a[2] * v + a[5] * v * v + 0.5, (a[1] + a[4] * v) / scale, a[3] / scale**2
            ya, yb, yc = b[0] + b[2] * v + b[5] * v * v + 0.5, (b[1] + b[4] * v) / scale, b[3] / scale**2
            area = np.float32(scale * scale / abs(a[1] * b[2] - a[2] * b[1]))
            signal, weight = sums[channel, 0], sums[channel, 1]
            for column in range(parity, nx, 2):
                value = frame[row, column]
                # Neither NaN nor infinity is dropped.
                if not (abs(value) < np.inf):
                    saturated |= value > 0.0
                    continue
                u = column - x0
                x, y = xa + (xb + xc * u) * u, ya + (yb + yc * u) * u
                left, right, top, bottom = x - half, x + half, y - half, y + half
                if right <= 0.0 or bottom <= 0.0 or left >= width or top >= height:
                    continue
                if curved:
                    xu, xv = (xb + 2.0 * xc * u) * scale, a[2] + a[4] * u / scale + 2.0 * a[5] * v
                    yu, yv = (yb + 2.0 * yc * u) * scale, b[2] + b[4] * u / scale + 2.0 * b[5] * v
                    area = np.float32(scale * scale / abs(xu * yv - xv * yu))
                rate = value * area
                if small and left >= 0.0 and top >= 0.0 and left < width - 1 and top < height - 1:
                    # At most two by two output pixels, always written all: a branch would be guessed wrong.
                    i, j = int(left), int(top)
                    w1, z1 = max(right - (i + 1), 0.0), max(bottom - (j + 1), 0.0)
                    w0, z0 = np.float32(right - left - w1), np.float32(bottom - top - z1)
                    s00, s01 = w0 * z0, np.float32(w1) * z0
                    s10, s11 = w0 * np.float32(z1), np.float32(w1) * np.float32(z1)
                    signal[j, i] += s00 * rate
                    signal[j, i + 1] += s01 * rate
                    signal[j + 1, i] += s10 * rate
                    signal[j + 1, i + 1] += s11 * rate
                    weight[j, i] += s00
                    weight[j, i + 1] += s01
                    weight[j + 1, i] += s10
                    weight[j + 1, i + 1] += s11
                    continue
                for j in range(max(floor(top), 0), min(floor(bottom) + 1, height)):
                    z = min(bottom, j + 1.0) - max(top, float(j))
                    for i in range(max(floor(left), 0), min(floor(right) + 1, width)):
                        share = np.float32(z * (min(right, i + 1.0) - max(left, float(i))))
                        signal[j, i] += share * rate
                        weight[j, i] += share
    return saturated
