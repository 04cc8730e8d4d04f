"""Calibrated samples of a raw frame at a few places, without calibrating the rest of it.

The survey of a frame looks at some 10^5 places of 10^7 pixels. Only the pixels around these are turned into electrons per
second; between them it is the linear kernel of :mod:`pipeline.numerics.sampling`, with the same rule for missing pixels.
"""

import numpy as np
from numba import njit

from pipeline.numerics.cfa import Cfa
from pipeline.numerics.frame_positions import Placement, frame_positions
from pipeline.numerics.pose import Pose
from pipeline.numerics.sampling import LEAST_WEIGHT

__all__ = ["sample_raw", "warm"]


def sample_raw(raw, pedestal, flat, invalid, factor, cfa, placement, positions, *, level):
    """Every channel of a raw frame at given places.

    Parameters
    ----------
    raw, pedestal, flat, invalid, factor, level : as for :func:`pipeline.numerics.raw_to_rate.raw_to_rate`
    cfa : Cfa
    placement : Placement
    positions : (x, y, area) from :func:`pipeline.numerics.frame_positions.frame_positions`, n places

    Returns
    -------
    (C, n) float32, electrons per second per output pixel; NaN where too few pixels can be used
    """
    x, y, area = positions
    ny, nx = raw.shape
    pedestal, flat = (
        plane if isinstance(plane, np.ndarray) else np.full((1, 1), plane, dtype=np.float32)
        for plane in (pedestal, flat)
    )
    value = np.empty((len(cfa.channels), x.size), dtype=np.float32)
    for c, channel in enumerate(cfa.channels):
        origins = (
            np.zeros((1, 2), dtype=np.int64)
            if cfa.is_mono
            else np.array(cfa.offsets(channel), dtype=np.int64)
        )
        _sample(
            raw, pedestal, flat, invalid, np.float32(factor), np.float32(np.inf if level is None else level), origins,
            1 if cfa.is_mono else 2, x, y, area, np.ascontiguousarray(placement.channel_offsets[c], dtype=np.float64),
            0.5 * (nx - 1), 0.5 * (ny - 1), 0.5 * np.hypot(nx, ny), value[c],
        )  # fmt: skip
    return value


def warm():
    """Compile the kernel for what cameras write, with and without masters."""
    placement = Placement(Pose.identity((8, 8)), np.zeros((3, 2, 3)))
    places = frame_positions(placement.pose, np.array([3.0]), np.array([3.0]))
    for kind in (np.uint16, np.int32, np.float32):
        sample_raw(
            np.ones((8, 8), dtype=kind), 0.0, 1.0, np.zeros((8, 8), dtype=bool), 1.0, Cfa("RGGB"), placement, places, level=None
        )  # fmt: skip


@njit(cache=True, nogil=True, error_model="numpy")
def _sample(
    raw, pedestal, flat, invalid, factor, level, origins, step, x, y, area, offset, x0, y0, scale, value
):  # fmt: skip
    ny, nx = raw.shape
    flat_field, dark_field = flat.size > 1, pedestal.size > 1
    for n in range(x.size):
        value[n] = np.nan
        if not (area[n] > 0):
            continue
        u, v = (x[n] - x0) / scale, (y[n] - y0) / scale
        xc = x[n] + offset[0, 0] + offset[0, 1] * u + offset[0, 2] * v
        yc = y[n] + offset[1, 0] + offset[1, 1] * u + offset[1, 2] * v
        total, mass = np.float32(0.0), np.float32(0.0)
        for m in range(origins.shape[0]):
            xl, yl = (xc - origins[m, 1]) / step, (yc - origins[m, 0]) / step
            i, j = int(np.floor(xl)), int(np.floor(yl))
            tx, ty = xl - i, yl - j
            for dj in range(2):
                for di in range(2):
                    row, column = origins[m, 0] + step * (j + dj), origins[m, 1] + step * (i + di)
                    if not (0 <= row < ny and 0 <= column < nx) or invalid[row, column]:
                        continue
                    number = np.float32(raw[row, column])
                    below = pedestal[row if dark_field else 0, column if dark_field else 0]
                    seen = flat[row if flat_field else 0, column if flat_field else 0]
                    pixel = (number - below) * factor / seen
                    if number < level and abs(pixel) < np.inf:
                        share = (tx if di else 1 - tx) * (ty if dj else 1 - ty)
                        total += share * pixel
                        mass += share
        if mass >= LEAST_WEIGHT * origins.shape[0]:
            value[n] = total / mass * area[n]
