"""Relative background: a smooth surface by which a frame's sky differs from the reference's.

The sky object and the stars are the same in both once the frame is on the reference's photometric scale, so
they cancel in the difference; what is left is glow, cloud and dawn. The difference is looked at on a grid of
anchor pixels that is fine enough to average the noise away and coarse enough to cost nothing: the median
over each cell of the grid is blind to stars, hits and trails, and the surface is fitted to the cells.

Frames are fitted to the reference one by one. Fitting them all at once, or again to the mean of what was matched, would give
the same: with P the fit, a frame x becomes x - P(x - r), so that every matched frame has the surface P(r) of the reference
r, and so has their mean m; hence P(x - m) = P(x) - P(r), which is what was taken off before. The noise of the reference
is in P(r) alike for all frames and nights; it is a surface of the whole stack, which flattening removes, and no noise between
frames. That holds for one set of cells; where a frame covers fewer, the difference is the noise of cells' medians.
"""

from dataclasses import dataclass

import numpy as np

from pipeline.numerics.robust import mad_std
from pipeline.numerics.surface import PolynomialSurface, fit_surface

__all__ = ["RelativeBackground", "SampleGrid", "fit_relative_background"]

CELLS_ALONG_LONG_SIDE = 24
"""Cells along the longer side of the image; a quadratic or cubic surface needs far fewer, the rest averages."""

POINTS_PER_CELL = 20
"""Places looked at along each axis of a cell (400 a cell, some 150 000 in all): the median of a cell then has
1.25 / sqrt(400) = 6 % of the noise of one pixel, the constant of the surface 0.3 %."""

LEAST_SHARE_OF_CELL = 0.3
"""A cell with fewer places than this share is left out; its median is taken over a corner only."""

CLIP_SIGMA = 3.0
"""Cells further from the surface than this many robust standard deviations hold something that does not cancel
(a halo, a ghost, a wisp of cloud)."""


@dataclass(frozen=True)
class SampleGrid:
    """Places on the anchor's grid, gathered into cells.

    Attributes
    ----------
    shape : (ny, nx) of the anchor
    cells : (rows, columns) of cells
    points : (rows, columns) of places in a cell
    x, y : (n,) float64, whole anchor pixels; ordered by cell row, row in cell, cell column, column in cell
    """

    shape: tuple[int, int]
    cells: tuple[int, int]
    points: tuple[int, int]
    x: np.ndarray
    y: np.ndarray

    @classmethod
    def over(cls, shape):
        """A grid over an image of ``shape``."""
        side = max(shape) / CELLS_ALONG_LONG_SIDE
        cells = tuple(int(max(1, round(n / side))) for n in shape)
        points = tuple(int(np.clip(n // c, 1, POINTS_PER_CELL)) for n, c in zip(shape, cells, strict=True))
        # Middles of equal intervals, on whole pixels.
        rows, columns = (
            np.floor((np.arange(c * p) + 0.5) * n / (c * p))
            for n, c, p in zip(shape, cells, points, strict=True)
        )
        y, x = (axis.ravel() for axis in np.meshgrid(rows, columns, indexing="ij"))
        return cls(tuple(shape), cells, points, x, y)

    @property
    def centres(self):
        """x (columns,), y (rows,): middles of the cells."""
        return tuple(
            (np.arange(c) + 0.5) * n / c - 0.5
            for n, c in zip(self.shape[::-1], self.cells[::-1], strict=True)
        )

    def cell_medians(self, values):
        """(..., rows, columns) medians of ``values`` (..., n); NaN where a cell has too few finite ones."""
        values = np.asarray(values, dtype=np.float64)
        lead = values.shape[:-1]
        (rows, columns), (p, q) = self.cells, self.points
        split = values.reshape(*lead, rows, p, columns, q)
        split = np.moveaxis(split, -3, -2).reshape(*lead, rows, columns, p * q)
        finite = np.isfinite(split)
        count = finite.sum(axis=-1)
        # Sorted with the missing ones last; then the median is the middle of what is there.
        ordered = np.sort(np.where(finite, split, np.inf), axis=-1)
        low, high = np.maximum((count - 1) // 2, 0), np.minimum(count // 2, p * q - 1)
        with np.errstate(invalid="ignore"):
            middle = 0.5 * (
                np.take_along_axis(ordered, low[..., None], -1)
                + np.take_along_axis(ordered, high[..., None], -1)
            )
        return np.where(count >= max(1, LEAST_SHARE_OF_CELL * p * q), middle[..., 0], np.nan)


@dataclass(frozen=True)
class RelativeBackground:
    """Difference of a frame's sky from the reference's, in one channel.

    Attributes
    ----------
    surface : PolynomialSurface on the anchor's grid, electrons per second on the reference's scale
    residual : robust standard deviation of the cells about it, same unit
    cells : number of cells used
    """

    surface: PolynomialSurface
    residual: float
    cells: int


def fit_relative_background(grid, difference, *, order=2):
    """Surface of scale x frame - reference, in one channel.

    Parameters
    ----------
    grid : SampleGrid
    difference : (n,) at the places of the grid; NaN where either is missing
    order : total degree; it is lowered where the overlap has too few cells to carry it

    Returns
    -------
    RelativeBackground, or None if the two do not overlap
    """
    medians = grid.cell_medians(difference)
    x_centres, y_centres = grid.centres
    x, y = np.meshgrid(x_centres, y_centres)
    usable = np.isfinite(medians)
    for degree in range(order, -1, -1):
        terms = (degree + 1) * (degree + 2) // 2
        # Three cells a term keep a surface from swinging outside of a small overlap.
        if usable.sum() >= (3 * terms if degree else 1):
            break
    else:
        return None
    ny, nx = grid.shape
    surface, used = fit_surface(
        x[usable],
        y[usable],
        medians[usable],
        order=degree,
        x0=0.5 * (nx - 1),
        y0=0.5 * (ny - 1),
        scale=0.5 * float(np.hypot(nx, ny)),
        clip_sigma=CLIP_SIGMA,
    )
    residual = medians[usable][used] - surface.evaluate(x[usable][used], y[usable][used])
    return RelativeBackground(surface, float(mad_std(residual)), int(used.sum()))
