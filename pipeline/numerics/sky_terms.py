"""The terms that a sky is made of, at the places of cells: a polynomial over the field, and any templates."""

import numpy as np

from pipeline.numerics.surface import PolynomialSurface, exponents

__all__ = [
    "CELLS_PER_TERM",
    "MODEL_FLOOR",
    "field_frame",
    "polynomial_terms",
    "relative_scatter",
    "solve",
    "with_templates",
]

CELLS_PER_TERM = 3
"""Cells that each coefficient must at least be backed by."""

MODEL_FLOOR = 1e-3
"""Departure from a smooth surface that a real sky is granted, relative to its level: flat-field errors."""


def relative_scatter(cells, part):
    """Scatter of each cell's sky about a surface over that of the usual cell: what its equation is divided by.

    Cells that stars leave few pixels, or those to one side, are noisier, in all planes alike. A twentieth of the cells is so by
    two, and without weights the surface is less well known by a sixth.

    Parameters
    ----------
    cells : Cells
    part : (gy, gx) bool, which of them; all with data

    Returns
    -------
    (n,) float64
    """
    if not part.any():
        return np.ones(0)
    level = np.median(cells.value[:, part], axis=1, keepdims=True)
    granted = np.hypot(cells.error[:, part], MODEL_FLOOR * np.abs(level))
    usual = np.median(granted, axis=1, keepdims=True)
    return np.divide(granted, usual, out=np.ones_like(granted), where=usual > 0).mean(axis=0)


def field_frame(shape):
    """Normalisation of the surfaces of an image of ``shape`` (ny, nx): its centre and half its diagonal.

    Returns
    -------
    PolynomialSurface, empty
    """
    ny, nx = shape
    return PolynomialSurface(0, np.zeros(1), 0.5 * (nx - 1), 0.5 * (ny - 1), 0.5 * float(np.hypot(nx, ny)))


def polynomial_terms(x, y, order, frame):
    """(..., K) terms of a surface of ``order`` at positions ``x``, ``y``."""
    u, v = (np.asarray(x) - frame.x0) / frame.scale, (np.asarray(y) - frame.y0) / frame.scale
    return np.stack([u**i * v**j for i, j in exponents(order)], axis=-1)


def with_templates(terms, templates, part=...):
    """Terms of a surface followed by ``templates`` (gy, gx, T), or None, at the same cells, ``part`` of the field."""
    return terms if templates is None else np.concatenate([terms, templates[part]], axis=-1)


def solve(design, target):
    """Least-squares coefficients of ``target`` (n, ...) in ``design`` (n, K)."""
    return np.linalg.lstsq(design, target, rcond=None)[0]
