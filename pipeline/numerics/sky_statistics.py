"""Level, noise and gradient of a frame's sky."""

from dataclasses import dataclass

import numpy as np

from pipeline.numerics.robust import clipped_stats, mad_std
from pipeline.numerics.surface import fit_surface

__all__ = ["Gradient", "noise_of", "sky_gradient", "sky_level"]

SAMPLES = 60_000
"""Pixels per plane that are looked at; they fix a median and a scatter to 0.5 % of the noise of a pixel, more would
only take time."""

CELLS = 16
"""Cells along each axis of the gradient map."""

CELL_SAMPLES = 400
"""Pixels per plane and cell; the median of as many has 6 % of a pixel's noise, the plane through 256 cells of four
planes 0.4 %."""

GRADIENT_CLIP_SIGMA = 3.0
"""Cells with a bright object in them stand out of the plane by more than this and are left out."""


@dataclass(frozen=True)
class Gradient:
    """A plane fitted to the sky.

    Attributes
    ----------
    amplitude : its greatest difference between two corners of the frame, electron/s per pixel
    angle_deg : direction in which the sky brightens, from x towards y, in [0, 360)
    """

    amplitude: float
    angle_deg: float


def sky_level(planes, usable_planes):
    """Clipped median of one colour.

    Parameters
    ----------
    planes, usable_planes : lists of (ny, nx) views, see ``Cfa.planes``

    Returns
    -------
    float; NaN if no pixel is usable
    """
    values = np.concatenate(
        [_thinned(plane)[_thinned(good)] for plane, good in zip(planes, usable_planes, strict=True)]
    )
    return clipped_stats(values)[1]


def noise_of(planes, usable_planes):
    """Standard deviation of a sample of one colour, from differences of neighbours in the same plane.

    The median absolute difference sees neither stars nor nebulae nor gradients, which change slowly.
    """
    differences = []
    for plane, good in zip(planes, usable_planes, strict=True):
        step = max(1, int(np.sqrt(plane.size / SAMPLES)))
        left, right = plane[::step, : -1 : 2 * step], plane[::step, 1 :: 2 * step]
        both = good[::step, : -1 : 2 * step] & good[::step, 1 :: 2 * step]
        differences.append((left - right)[both])
    return float(mad_std(np.concatenate(differences)) / np.sqrt(2.0))


def sky_gradient(frame, usable, cfa):
    """Robust plane through the medians of a grid of cells, averaged over the colours of the array.

    Parameters
    ----------
    frame : (ny, nx) float32
    usable : (ny, nx) bool
    cfa : Cfa

    Returns
    -------
    Gradient; NaN where too few cells are usable
    """
    ny, nx = frame.shape
    step = 1 if cfa.is_mono else 2
    maps = [
        _cell_medians(frame[dy::step, dx::step], usable[dy::step, dx::step])
        for dy in range(step)
        for dx in range(step)
    ]
    level = np.mean(maps, axis=0)
    x = (np.arange(CELLS) + 0.5) * nx / CELLS - 0.5
    y = (np.arange(CELLS) + 0.5) * ny / CELLS - 0.5
    columns, rows = np.meshgrid(x, y)
    try:
        plane, _ = fit_surface(
            columns,
            rows,
            level,
            order=1,
            x0=0.5 * (nx - 1),
            y0=0.5 * (ny - 1),
            scale=0.5 * max(nx, ny),
            clip_sigma=GRADIENT_CLIP_SIGMA,
        )
    except ValueError:
        return Gradient(np.nan, np.nan)
    _, gx, gy = plane.coefficients / plane.scale
    return Gradient(
        float(abs(gx) * (nx - 1) + abs(gy) * (ny - 1)), float(np.degrees(np.arctan2(gy, gx)) % 360.0)
    )


def _thinned(plane):
    step = max(1, int(np.sqrt(plane.size / SAMPLES)))
    return plane[::step, ::step]


def _cell_medians(plane, good):
    """(CELLS, CELLS) medians; NaN where a cell has no usable pixel."""
    rows, columns = (_sampled_lines(size) for size in plane.shape)
    at = np.ix_(rows.ravel(), columns.ravel())
    values = np.where(good[at], plane[at], np.inf).astype(np.float64)
    cells = (
        values.reshape(CELLS, rows.shape[1], CELLS, columns.shape[1]).swapaxes(1, 2).reshape(CELLS, CELLS, -1)
    )
    cells.sort(axis=2)
    count = np.isfinite(cells).sum(axis=2, keepdims=True)
    low, high = np.maximum((count - 1) // 2, 0), np.minimum(count // 2, cells.shape[2] - 1)
    middle = 0.5 * (np.take_along_axis(cells, low, axis=2) + np.take_along_axis(cells, high, axis=2))
    return np.where(count > 0, middle, np.nan)[:, :, 0]


def _sampled_lines(size):
    """(CELLS, n) evenly spread rows (or columns) of every cell, as many as it may have."""
    count = max(1, min(int(np.sqrt(CELL_SAMPLES)), size // CELLS))
    return (((np.arange(CELLS * count) + 0.5) * size) // (CELLS * count)).astype(int).reshape(CELLS, count)
