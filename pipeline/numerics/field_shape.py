"""What the shapes of stars over the field say of the optics: tilt, field curvature, and the pattern of elongation.

Widths relative to each light's median, and elongations, are fitted by low polynomials in the place on the sensor,
u = (x - x0) / s, v = (y - y0) / s, with the half diagonal s: r = 1 in the corners.

    width / median  = 1 + a u + b v + c (r^2 - mean r^2) + p (u^2 - v^2) + q (2 u v)
    (e1, e2)        = (c1, c2) + k (u^2 - v^2, 2 u v)

e = (long - short) / (long + short) of a star's axes, e1 and e2 its cos and sin parts at twice the angle of the long one. A
sensor that is tilted and out of focus shows the plane (a, b); one that is tilted about a line of best focus widens both
sides alike, (p, q). Elongation of one direction everywhere (c1, c2) comes from guiding, wind or collimation; k > 0
is elongation that points to the centre (radial), k < 0 across (tangential), both growing with r^2 as third-order
astigmatism does (Schroeder, Astronomical Optics, chapter 5, from memory).

Errors are those of a cluster-robust least-squares fit (Liang & Zeger 1986, from memory): the same star in many lights
counts as one witness, since what is special about it does not average out.
"""

from dataclasses import dataclass

import numpy as np
from scipy import special

from pipeline.numerics.robust import mad_std

__all__ = ["FieldShape", "field_shape", "normal_deviation"]

CLUSTERS = 24
"""Cells along each axis whose stars, of all lights, count as one witness: hardly ever two stars in one."""

LEAST_CLUSTERS = 12
"""Fewer places in the field cannot carry six terms and their errors."""

CLIP_SIGMA = 4.0
"""Stars further from the fit are blends or galaxies."""


@dataclass(frozen=True)
class FieldShape:
    """Shapes over the field; every figure with its standard error.

    Attributes
    ----------
    n_stars, n_places : fitted star images, and distinct places in the field
    width_px : median FWHM of all
    tilt_px, tilt_px_err : difference of FWHM between the two ends of a diagonal along the slope
    tilt_angle_deg : direction in which stars get wider, from +x towards +y
    tilt_sigma : significance, as the deviation of a normal distribution that is as unlikely
    curvature_px, curvature_px_err : FWHM in the corners minus that in the middle
    ridge_px, ridge_px_err, ridge_angle_deg, ridge_sigma : widening at both ends of one diameter more than of the one across
    common_e, common_e_err, common_angle_deg, common_sigma : elongation of one direction everywhere
    radial_e, radial_e_err : e in the corners along (+) or across (-) the line to the centre
    """

    n_stars: int
    n_places: int
    width_px: float
    tilt_px: float
    tilt_px_err: float
    tilt_angle_deg: float
    tilt_sigma: float
    curvature_px: float
    curvature_px_err: float
    ridge_px: float
    ridge_px_err: float
    ridge_angle_deg: float
    ridge_sigma: float
    common_e: float
    common_e_err: float
    common_angle_deg: float
    common_sigma: float
    radial_e: float
    radial_e_err: float

    def as_metrics(self):
        """Flat dict for a QA record."""
        return {f"field_{name}": value for name, value in vars(self).items()}


def field_shape(frame, x, y, fwhm, e1, e2, shape):
    """Fit the shapes of the stars of many lights.

    Parameters
    ----------
    frame : (n,) int, light of each star
    x, y : (n,) pixels
    fwhm : (n,) pixels
    e1, e2 : (n,)
    shape : (ny, nx) of the frames

    Returns
    -------
    FieldShape, or None where too few places in the field have a star
    """
    columns = [np.asarray(values, dtype=np.float64) for values in (x, y, fwhm, e1, e2)]
    good = np.isfinite(columns).all(axis=0)
    frame = np.asarray(frame)[good]
    x, y, fwhm, e1, e2 = (column[good] for column in columns)
    ny, nx = shape
    place = (np.clip(y * CLUSTERS / ny, 0, CLUSTERS - 1).astype(int)) * CLUSTERS
    place += np.clip(x * CLUSTERS / nx, 0, CLUSTERS - 1).astype(int)
    if np.unique(place).size < LEAST_CLUSTERS:
        return None
    half = 0.5 * np.hypot(nx, ny)
    u, v = (x - (nx - 1) / 2) / half, (y - (ny - 1) / 2) / half
    ratio = np.empty_like(fwhm)
    for light in np.unique(frame):
        own = frame == light
        ratio[own] = fwhm[own] / np.median(fwhm[own])
    r2, p, q, one = u * u + v * v, u * u - v * v, 2 * u * v, np.ones_like(u)
    width, width_cov, used = _robust_fit(np.stack([one, u, v, r2, p, q], axis=1), ratio, place)
    if width is None:
        return None
    # Both components of the elongation in one system: three unknowns, two equations a star.
    zero = np.zeros_like(one)
    design = np.concatenate([np.stack([one, zero, p], axis=1), np.stack([zero, one, q], axis=1)])
    bend, bend_cov, _ = _robust_fit(design, np.concatenate([e1, e2]), np.concatenate([place, place]))
    if bend is None:
        return None
    median = float(np.median(fwhm))
    tilt, tilt_err, tilt_sigma = _vector(width[1:3], width_cov[1:3, 1:3])
    ridge, ridge_err, ridge_sigma = _vector(width[4:6], width_cov[4:6, 4:6])
    common, common_err, common_sigma = _vector(bend[:2], bend_cov[:2, :2])
    return FieldShape(
        n_stars=int(used.sum()),
        n_places=int(np.unique(place[used]).size),
        width_px=median,
        tilt_px=2 * tilt * median,
        tilt_px_err=2 * tilt_err * median,
        tilt_angle_deg=float(np.degrees(np.arctan2(width[2], width[1]))),
        tilt_sigma=tilt_sigma,
        curvature_px=float(width[3] * median),
        curvature_px_err=float(np.sqrt(width_cov[3, 3]) * median),
        ridge_px=2 * ridge * median,
        ridge_px_err=2 * ridge_err * median,
        ridge_angle_deg=float(np.degrees(0.5 * np.arctan2(width[5], width[4])) % 180),
        ridge_sigma=ridge_sigma,
        common_e=common,
        common_e_err=common_err,
        common_angle_deg=float(np.degrees(0.5 * np.arctan2(bend[1], bend[0])) % 180),
        common_sigma=common_sigma,
        radial_e=float(bend[2]),
        radial_e_err=float(np.sqrt(bend_cov[2, 2])),
    )


def _robust_fit(design, target, cluster):
    """(coefficients, covariance, used) of clipped least squares with cluster-robust errors; None where singular."""
    used = np.ones(target.size, dtype=bool)
    for _ in range(5):
        a = design[used]
        if np.linalg.matrix_rank(a) < a.shape[1]:
            return None, None, used
        coefficients = np.linalg.lstsq(a, target[used], rcond=None)[0]
        residual = target - design @ coefficients
        now = np.abs(residual) <= CLIP_SIGMA * mad_std(residual[used])
        if np.array_equal(now, used) or now.sum() < 2 * a.shape[1]:
            break
        used = now
    a, residual, groups = design[used], residual[used], cluster[used]
    bread = np.linalg.inv(a.T @ a)
    names, index = np.unique(groups, return_inverse=True)
    scores = np.zeros((names.size, a.shape[1]))
    np.add.at(scores, index, a * residual[:, None])
    n, k = names.size, a.shape[1]
    if n <= k:
        return None, None, used
    # n / (n - k): a fit of k terms to n witnesses makes their residuals that much too small.
    return coefficients, bread @ (scores.T @ scores) @ bread * n / (n - k), used


def _vector(vector, covariance):
    """(length, its standard error, significance) of a vector of two components.

    The significance is that of chi^2 with two degrees of freedom, which is exceeded by chance with exp(-chi^2 / 2),
    turned into the one-sided deviation of a normal distribution.
    """
    length = float(np.hypot(*vector))
    direction = vector / length if length > 0 else np.array([1.0, 0.0])
    error = float(np.sqrt(direction @ covariance @ direction))
    chi2 = float(vector @ np.linalg.solve(covariance, vector))
    return length, error, normal_deviation(chi2)


def normal_deviation(chi2):
    """Deviation of a normal distribution that is as unlikely as ``chi2`` with two degrees of freedom."""
    # The logarithm of the tail probability, -chi^2 / 2, never underflows.
    return float(max(0.0, -special.ndtri_exp(-0.5 * chi2)))
