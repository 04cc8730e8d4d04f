"""Lateral colour and dispersion: how far the stars of one colour lie from the common position."""

from dataclasses import dataclass

import numpy as np
from scipy import special

from pipeline.numerics.pose import AFFINE_TERMS, basis
from pipeline.numerics.robust import mad_std

__all__ = ["ChannelOffset", "fit_channel_offset"]

ERROR_FLOOR_PX = 0.02
"""Error of a difference of two positions of one star that its noise does not explain: the star's own spectrum
decides where within the passband its light lies."""

CLIP_SIGMA = 4.0
"""Differences beyond this are blends of two stars of unlike colour."""

CLIP_ROUNDS = 5
"""Upper limit of refits after clipping."""

MIN_POSITIONS = 30
"""Fewer measured positions than this tell no offset below a tenth of a pixel."""

FALSE_ALARM = 1e-4
"""Probability at which noise alone is taken for an offset. Positions of one star in several frames are not
independent, hence the caution."""


@dataclass(frozen=True)
class ChannelOffset:
    """D(x, y) = M (1, u, v): added to a common position it gives that of the channel's light.

    Attributes
    ----------
    matrix : (2, 3) float64, pixels; rows for x and y; zero where nothing significant was found
    n_positions : measurements used
    scatter_px : robust scatter of one difference about the fit; NaN without measurements
    """

    matrix: np.ndarray
    n_positions: int
    scatter_px: float


def fit_channel_offset(x, y, dx, dy, sigma, shape):
    """Constant and linear part of the offset, each only if it is significant.

    Parameters
    ----------
    x, y : (n,) common positions
    dx, dy : (n,) position of the channel minus the common one; entries with NaN are left out
    sigma : (n,) expected error of a coordinate of the difference, pixels
    shape : (ny, nx) of the frame

    Returns
    -------
    ChannelOffset
    """
    difference = np.column_stack([dx, dy])
    known = np.isfinite(difference).all(axis=1) & np.isfinite(sigma)
    if known.sum() < MIN_POSITIONS:
        return ChannelOffset(np.zeros((2, 3)), int(known.sum()), np.nan)
    phi = basis(np.asarray(x)[known], np.asarray(y)[known], shape)[:, :AFFINE_TERMS]
    difference = difference[known]
    error = np.hypot(np.asarray(sigma)[known], ERROR_FLOOR_PX)
    used = np.ones(len(error), dtype=bool)
    for _ in range(CLIP_ROUNDS):
        fitted, covariance = _weighted(phi[used], difference[used], error[used])
        pulls = (difference - phi @ fitted) / error[:, None]
        scale = max(1.0, float(mad_std(pulls[used])))
        now = np.abs(pulls).max(axis=1) < CLIP_SIGMA * scale
        if np.array_equal(now, used) or now.sum() < MIN_POSITIONS:
            break
        used = now
    covariance *= scale**2
    matrix = np.zeros((2, 3))
    slopes = sum(column[1:] @ np.linalg.solve(covariance[1:, 1:], column[1:]) for column in fitted.T)
    if special.chdtrc(4, slopes) < FALSE_ALARM:
        matrix = fitted.T
    else:
        constant, its_covariance = _weighted(phi[used, :1], difference[used], error[used])
        if special.chdtrc(2, (constant**2).sum() / (its_covariance[0, 0] * scale**2)) < FALSE_ALARM:
            matrix[:, 0] = constant[0]
    residual = difference[used] - phi[used] @ matrix.T
    return ChannelOffset(matrix, int(used.sum()), float(mad_std(residual)))


def _weighted(design, values, error):
    """Least squares of both coordinates; (terms, 2) coefficients and their common covariance."""
    weighted = design / error[:, None]
    covariance = np.linalg.inv(weighted.T @ weighted)
    return covariance @ (weighted.T @ (values / error[:, None])), covariance
