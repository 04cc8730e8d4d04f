"""Smooth surfaces of low order over the image plane."""

from dataclasses import dataclass

import numpy as np

from pipeline.numerics.robust import mad_std

__all__ = ["PolynomialSurface", "exponents", "fit_surface"]

CLIP_ITERATIONS = 10
"""Upper limit of refits after clipping; in practice three or four settle it."""


def exponents(order):
    """[(i, j), ...] of the terms u^i v^j up to total degree ``order``: 1, u, v, u^2, uv, v^2, ..."""
    return [(degree - j, j) for degree in range(order + 1) for j in range(degree + 1)]


@dataclass(frozen=True)
class PolynomialSurface:
    """z(x, y) = sum_k c_k u^i_k v^j_k with u = (x - x0) / scale, v = (y - y0) / scale.

    Attributes
    ----------
    order : total degree
    coefficients : (n_terms,) float64, in the unit of z
    x0, y0, scale : normalisation, pixels
    """

    order: int
    coefficients: np.ndarray
    x0: float
    y0: float
    scale: float

    def evaluate(self, x, y):
        """Surface at positions ``x``, ``y`` (broadcast against each other), float64."""
        u = (np.asarray(x, dtype=np.float64) - self.x0) / self.scale
        v = (np.asarray(y, dtype=np.float64) - self.y0) / self.scale
        total = np.zeros(np.broadcast(u, v).shape)
        for (i, j), coefficient in zip(exponents(self.order), self.coefficients, strict=True):
            total = total + coefficient * (u**i * v**j)
        return total

    def on_grid(self, shape, *, rows=None):
        """Surface at every pixel of an image of ``shape`` (ny, nx), or of its ``rows`` (first, stop), float64."""
        nx, (first, stop) = shape[1], rows or (0, shape[0])
        u, v = (np.arange(nx) - self.x0) / self.scale, (np.arange(first, stop) - self.y0) / self.scale
        # sum over i of u^i times a polynomial in v: the product of two thin matrices.
        across = np.vander(u, self.order + 1, increasing=True)
        down = np.zeros((stop - first, self.order + 1))
        for (i, j), coefficient in zip(exponents(self.order), self.coefficients, strict=True):
            down[:, i] += coefficient * v**j
        return down @ across.T


def fit_surface(x, y, z, *, order, x0=0.0, y0=0.0, scale=1.0, weights=None, clip_sigma=None):
    """Weighted least-squares polynomial surface, optionally with symmetric clipping.

    Parameters
    ----------
    x, y, z : (n,) arrays; entries with a non-finite z are left out
    order : total degree
    x0, y0, scale : normalisation; give the centre and half size of the image for good conditioning
    weights : (n,) inverse variances, or None for equal ones
    clip_sigma : leave out points further than this many robust standard deviations of the (weighted)
        residuals, and refit until nothing changes; None for no clipping

    Returns
    -------
    surface : PolynomialSurface
    used : (n,) bool

    Raises
    ------
    ValueError
        If there are fewer points than terms.
    """
    x, y, z = (np.asarray(values, dtype=np.float64).ravel() for values in (x, y, z))
    root = np.ones_like(z) if weights is None else np.sqrt(np.asarray(weights, dtype=np.float64).ravel())
    terms = exponents(order)
    u, v = (x - x0) / scale, (y - y0) / scale
    design = np.stack([u**i * v**j for i, j in terms], axis=1) * root[:, None]
    target = z * root
    used = np.isfinite(target) & (root > 0)
    for _ in range(CLIP_ITERATIONS):
        if used.sum() < len(terms):
            raise ValueError(f"a surface of order {order} needs {len(terms)} points, got {used.sum()}")
        coefficients = np.linalg.lstsq(design[used], target[used], rcond=None)[0]
        if clip_sigma is None:
            break
        residual = target - design @ coefficients
        scatter = mad_std(residual[used])
        now = np.isfinite(target) & (root > 0) & (np.abs(residual) <= clip_sigma * scatter)
        # Points that are all alike have no scatter to clip by.
        if scatter == 0 or np.array_equal(now, used) or now.sum() < len(terms):
            break
        used = now
    return PolynomialSurface(order, coefficients, x0, y0, scale), used
