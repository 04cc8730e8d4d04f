"""Flux of stars before gas: weighted sums of pixels that no smooth background changes.

Gas beside a star is no ring of one level: it slopes and bends. A sum of pixels whose weights are orthogonal to every
polynomial of second order sees nothing of a background that is one, and the narrower it is the less it sees of the
structure that is left. Whatever the weights, planes of one point-spread function are weighed alike, so ratios of fluxes
need no profile that is exact. But matched planes still differ a little in their cores, all stars alike, and what a sum over
less than a star makes of that is a false level; so the level is that of whole stars above a ring.
"""

from dataclasses import dataclass

import numpy as np

from pipeline.numerics.stack_stars import RING_RADII, SIGMA_PER_FWHM

__all__ = ["StarWeights", "core_weights", "ring_weights"]

CORE_RADIUS_FWHM = 2.5
"""Radius within which the background under the weights of a core is a polynomial. Gas of any steepness moves a flux least
at 2 to 3 FWHM: narrower, the polynomial takes up the star; wider, it follows the gas no more."""

ORDER = 2
"""Order of that polynomial."""


@dataclass(frozen=True)
class StarWeights:
    """Weights of pixels round each of n stars.

    Attributes
    ----------
    column, row : (n,) int, pixel that holds the star
    weights : (n, 2 h + 1, 2 h + 1) float64, centred on that pixel
    """

    column: np.ndarray
    row: np.ndarray
    weights: np.ndarray

    def flux(self, plane, columns=0, rows=0):
        """Weighted sums of a plane (ny, nx), at the stars or ``columns`` and ``rows`` whole pixels, (n,) int, from them.

        Returns
        -------
        (n,) float64; NaN where the weights reach beyond the plane or onto a pixel that is NaN
        """
        return self._sums(plane, self.weights, columns, rows)

    def photon_noise(self, variance):
        """Standard deviation of :meth:`flux` from a plane of variances (ny, nx): (n,) float64."""
        return np.sqrt(self._sums(variance, self.weights**2, 0, 0))

    def _sums(self, plane, weights, columns, rows):
        half = weights.shape[1] // 2
        x, y = self.column + columns, self.row + rows
        inside = (x >= half) & (y >= half) & (x < plane.shape[1] - half) & (y < plane.shape[0] - half)
        reach = np.arange(-half, half + 1)
        out = np.full(x.shape, np.nan)
        cuts = plane[y[inside][:, None, None] + reach[:, None], x[inside][:, None, None] + reach[None, :]]
        # Not a product of matrices, whose library would start threads of its own.
        out[inside] = np.einsum("nij,nij->n", weights[inside], cuts.astype(np.float64))
        return out


def core_weights(x, y, fwhm):
    """Weights that measure the core of a star: a Gaussian as wide as the star, made blind to the background.

    Parameters
    ----------
    x, y : (n,) positions of stars
    fwhm : of the plane, pixels

    Returns
    -------
    StarWeights
    """

    def core(distance):
        return np.exp(-0.5 * (distance / (SIGMA_PER_FWHM * fwhm)) ** 2)

    return _weights(x, y, core, CORE_RADIUS_FWHM * fwhm)


def ring_weights(x, y, radius_px):
    """Weights that measure all light in a circle of ``radius_px`` above the mean of a ring; edge pixels count in part.

    Gas that bends moves them more than those of a core, while what the cores of matched PSFs still differ by does not.

    Parameters
    ----------
    x, y : (n,) positions of stars
    radius_px : of the circle, pixels

    Returns
    -------
    StarWeights
    """
    inner, outer = (factor * radius_px for factor in RING_RADII)
    column, row, u, v = _offsets(x, y, outer)
    distance = np.hypot(u, v)
    circle, within, ring = (np.clip(r + 0.5 - distance, 0.0, 1.0) for r in (radius_px, inner, outer))
    ring -= within
    share = circle.sum(axis=(1, 2)) / ring.sum(axis=(1, 2))
    return StarWeights(column, row, circle - share[:, None, None] * ring)


def _offsets(x, y, radius_px):
    """Pixels that hold the stars, and how far all those that ``radius_px`` may reach lie from them: (n, 1, k) and (n, k, 1)."""
    column, row = np.rint(x).astype(int), np.rint(y).astype(int)
    half = int(np.ceil(radius_px + 0.5))
    grid = np.arange(-half, half + 1)
    return column, row, (grid - (x - column)[:, None])[:, None, :], (grid - (y - row)[:, None])[:, :, None]


def _weights(x, y, profile, radius_px):
    """``profile`` of the distance from each star minus the polynomial that fits it best within ``radius_px``."""
    column, row, u, v = _offsets(x, y, radius_px)
    distance = np.hypot(u, v)
    inside = distance <= radius_px
    wanted = np.where(inside, profile(distance), 0.0)
    terms = np.stack(
        [
            inside * ((u / radius_px) ** i * (v / radius_px) ** j)
            for i in range(ORDER + 1)
            for j in range(ORDER + 1 - i)
        ],
        axis=-1,
    )
    normal = np.einsum("nyxi,nyxj->nij", terms, terms)
    right = np.einsum("nyxi,nyx->ni", terms, wanted)
    fitted = np.linalg.solve(normal, right[..., None])[..., 0]
    return StarWeights(column, row, wanted - np.einsum("nyxi,ni->nyx", terms, fitted))
