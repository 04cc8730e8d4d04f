"""What a low-order surface leaves of the sky: a stiff spline through the free cells, if left-out cells ask for it.

Lamps near by, clouds and reflections in the tube bend a sky in ways that no low order follows. A thin-plate spline
(Duchon 1977; Wahba 1990, Spline Models for Observational Data; from memory) minimises

    sum over free cells of (residual - f)^2  +  stiffness * (bending energy of f).

It sees the cells that are free of nebula and no others, so across a nebula it is as straight as its surroundings allow. The
stiffness, and whether it is used at all, is settled by predicting whole blocks of the field that were left out: a spline
that follows noise misses there. It is kept within the values that it takes where there is free sky.
"""

import numpy as np
from scipy.interpolate import RBFInterpolator, RectBivariateSpline

__all__ = ["fit_remainder"]

STIFFNESSES = tuple(10.0 ** np.arange(-2.0, 3.1))
"""Weights of the bending energy that are tried, cells at unit distance over the field's half diagonal."""

MOST_POINTS = 600
"""Free cells, or means of neighbouring ones, that a spline rests on: its equations are as many."""

FOLDS = 8
"""Groups of blocks; each is left out once."""

BLOCKS_ACROSS = 8
"""Blocks along the half diagonal: an eighth of the field must be bridged."""

LEAST_GAIN = 0.1
"""Relative fall of the mean square of left-out residuals that a spline must bring."""

SURE_SIGMA = 2.5
"""By how many standard errors over blocks it must be a fall: one in a hundred, for noise, of a few stiffnesses."""

LEAST_POINTS = 40
"""Points below which there is nothing but the surface."""

NODES_ACROSS = 24
"""Places across the longer side at which the spline is evaluated; cubic between them, since it is far smoother."""

WITHIN = (1.0, 99.0)
"""Percentiles of its own values at free cells that the spline may not leave where it has to extrapolate."""


def fit_remainder(cells, free, skies):
    """Splines of what the skies leave in their free cells.

    Parameters
    ----------
    cells : Cells
    free : (gy, gx) bool
    skies : list of Sky, one a channel

    Returns
    -------
    (C, ny, nx) float32, what is to be subtracted besides the surfaces; None where left-out cells are not predicted better
    """
    points = _points(cells, free, skies)
    if points is None:
        return None
    at, left = points
    block = np.floor(at * BLOCKS_ACROSS).astype(int)
    # Neighbouring blocks are of different groups.
    groups = (block[:, 0] + 3 * block[:, 1]) % FOLDS
    _, block = np.unique(block, axis=0, return_inverse=True)
    scale = np.mean(left**2, axis=0)
    best, least = None, left**2 / scale
    for stiffness in STIFFNESSES[::-1]:
        predicted = np.zeros_like(left)
        for group in np.unique(groups):
            out = groups == group
            predicted[out] = _spline(at[~out], left[~out], stiffness)(at[out])
        miss = (left - predicted) ** 2 / scale
        if _is_better(miss, least, block):
            best, least = stiffness, miss
    if best is None:
        return None
    return _on_grid(_spline(at, left, best), at, cells.shape)


def _is_better(one, other, block):
    """Whether squares of left-out residuals (n, C) are smaller, surely so over the blocks."""
    fall = np.bincount(block, (other - one).mean(axis=1))
    error = np.std(fall, ddof=1) * np.sqrt(fall.size)
    return fall.sum() > max(LEAST_GAIN * other.mean(axis=1).sum(), SURE_SIGMA * error)


def _points(cells, free, skies):
    """(n, 2) places over the half diagonal, and (n, C) residuals: free cells, or means of neighbours; None with too few."""
    use = free & np.isfinite(cells.value).all(axis=0)
    side = int(np.ceil(np.sqrt(max(use.sum() / MOST_POINTS, 1.0))))
    rows, columns = np.nonzero(use)
    bins, index = np.unique((rows // side) * use.shape[1] + columns // side, return_inverse=True)
    if bins.size < LEAST_POINTS:
        return None
    count = np.bincount(index)
    x, y = cells.x[use], cells.y[use]
    scale = 0.5 * float(np.hypot(*cells.shape))
    at = np.stack([np.bincount(index, plane / scale) / count for plane in (x, y)], axis=1)
    left = [
        np.bincount(index, plane[use] - sky.surface.evaluate(x, y)) / count
        for plane, sky in zip(cells.value, skies, strict=True)
    ]
    return at, np.stack(left, axis=1)


def _spline(at, left, stiffness):
    return RBFInterpolator(at, left, smoothing=stiffness, kernel="thin_plate_spline", degree=1)


def _on_grid(spline, at, shape):
    """(C, ny, nx) float32 values of a spline at every pixel."""
    ny, nx = shape
    step = max(ny, nx) / NODES_ACROSS
    y = np.linspace(0, ny - 1, max(int(np.ceil(ny / step)) + 1, 4))
    x = np.linspace(0, nx - 1, max(int(np.ceil(nx / step)) + 1, 4))
    scale = 0.5 * float(np.hypot(ny, nx))
    nodes = np.stack(np.meshgrid(x, y), axis=-1).reshape(-1, 2) / scale
    low, high = np.percentile(spline(at), WITHIN, axis=0)
    values = np.clip(spline(nodes), low, high).T.reshape(-1, y.size, x.size)
    pixels = [RectBivariateSpline(y, x, plane)(np.arange(ny), np.arange(nx)) for plane in values]
    return np.array(pixels, dtype=np.float32)
