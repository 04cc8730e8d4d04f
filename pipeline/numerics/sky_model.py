"""The smooth glow of the sky: the simplest surface that holds, on the cells that are free of nebula.

The order of a surface is raised only if that predicts free cells that were left out of the fit, in compact groups, so that a
surface cannot win by bending into a nebula (Kelvin et al. 2023, MNRAS, on sky subtraction at low surface brightness, give
the reasons; from memory).
"""

from dataclasses import dataclass

import numpy as np

from pipeline.numerics.robust import mad_std
from pipeline.numerics.sky_terms import (
    CELLS_PER_TERM,
    field_frame,
    polynomial_terms,
    relative_scatter,
    solve,
    with_templates,
)
from pipeline.numerics.surface import PolynomialSurface, exponents

__all__ = ["Sky", "fit_sky", "fit_together", "fit_with_templates"]

FOLDS = 8
"""Groups of neighbouring cells for the held-out test; each is left out once."""

TINY = 1e-12
"""Ratio of errors that stands for 0 where a surface fits exactly."""

HELD_OUT_GAIN = 0.05
"""Relative gain in held-out error that a further order must bring; less is within the chance of the folds."""


@dataclass(frozen=True)
class Sky:
    """The sky of one channel.

    Attributes
    ----------
    surface : PolynomialSurface
    covariance : (K, K) float64, of its coefficients
    held_out_rms : residual of left-out free cells, by order tried
    held_out : (gy, gx) float64, residual of each free cell about a surface of the chosen order that was fitted
        without it and its neighbours; NaN elsewhere
    """

    surface: PolynomialSurface
    covariance: np.ndarray
    held_out_rms: tuple
    held_out: np.ndarray

    def uncertainty(self, x, y):
        """Standard deviation of the surface at positions ``x``, ``y``."""
        terms = polynomial_terms(x, y, self.surface.order, self.surface)
        return np.sqrt(np.einsum("...i,ij,...j", terms, self.covariance, terms))


def fit_sky(cells, free, *, max_order):
    """Surface of each channel on the free cells, of the order that held-out cells ask for.

    Returns
    -------
    list of Sky, one a channel
    """
    return [sky for sky, _ in fit_with_templates(cells, free, None, max_order=max_order)]


def fit_with_templates(cells, free, templates, *, max_order):
    """Surface of each channel, and the shares in it of ``templates``, on the free cells.

    Parameters
    ----------
    templates : (gy, gx, T), or None

    Returns
    -------
    list of (Sky, (T,) float64), one a channel
    """
    return fit_together([(cells, free, templates)], max_order=max_order)[0]


def fit_together(parts, *, max_order):
    """As :func:`fit_with_templates` for several sets of planes, whose surfaces are of one order.

    A higher order is taken only where it lowers the error of left-out groups noticeably, all planes taken together: what
    lights the sky is the same for all, and one of them alone goes astray more easily.

    Parameters
    ----------
    parts : list of (cells, free, templates)

    Returns
    -------
    list of what :func:`fit_with_templates` returns
    """
    tried = [_orders(*part, max_order) for part in parts]
    chosen = 0
    for order in range(1, min(map(len, tried))):
        one, other = (np.concatenate([part[n].squares for part in tried]) for n in (order, chosen))
        if _predicts_better(one, other):
            chosen = order
    return [_fitted(*part, chosen, trials) for part, trials in zip(parts, tried, strict=True)]


@dataclass(frozen=True)
class _Trial:
    """Surfaces of one order: residuals (C, gy, gx) of left-out cells, and their mean squares (C, groups), those of the usual
    noise.
    """

    left: np.ndarray
    squares: np.ndarray

    @property
    def rms(self):
        """(C,) over groups; the median, for one of them may hold a faint cloud."""
        return np.sqrt(np.nanmedian(self.squares, axis=1))


def _orders(cells, free, templates, max_order):
    """Trials of all orders that the cells can bear, lowest first."""
    use = free & np.isfinite(cells.value).all(axis=0)
    groups, scatter = _groups(cells, use), _scatter(cells, use)
    tried = []
    for order in range(max_order + 1):
        left = _held_out(cells, use, groups, order, templates, scatter)
        if left is None:
            break
        squares = [
            [np.mean(plane[use & (groups == g)] ** 2) for g in range(FOLDS)] for plane in left / scatter
        ]
        tried.append(_Trial(left, np.array(squares)))
    return tried


def _fitted(cells, free, templates, order, tried):
    """Sky and shares of each channel with surfaces of ``order``."""
    use = free & np.isfinite(cells.value).all(axis=0)
    frame = field_frame(cells.shape)
    noise = relative_scatter(cells, use)
    terms = with_templates(polynomial_terms(cells.x, cells.y, order, frame), templates)[use] / noise[:, None]
    size = len(exponents(order))
    inverse = np.linalg.pinv(terms.T @ terms)
    made = []
    for c, plane in enumerate(cells.value):
        levels = plane[use] / noise
        coefficients = solve(terms, levels)
        scatter = max(mad_std(levels - terms @ coefficients), float(np.median(cells.error[c][use])))
        surface = PolynomialSurface(order, coefficients[:size], frame.x0, frame.y0, frame.scale)
        rms = tuple(float(trial.rms[c]) for trial in tried)
        left = tried[order].left[c] if tried else np.full(plane.shape, np.nan)
        made.append((Sky(surface, scatter**2 * inverse[:size, :size], rms, left), coefficients[size:]))
    return made


def _scatter(cells, use):
    """(gy, gx) relative scatter of the cells in use; 1 elsewhere."""
    scatter = np.ones(use.shape)
    scatter[use] = relative_scatter(cells, use)
    return scatter


def _log_ratio(one, other):
    """Logarithm of errors over errors; 0 where both vanish."""
    ratio = np.divide(one, other, out=np.ones_like(one), where=other > 0)
    return np.log(np.maximum(ratio, TINY))


def _predicts_better(one, other):
    """Whether the errors of left-out groups are noticeably smaller, and in most of the groups.

    All channels together: what lights the sky is the same for all. Of many groups a better surface predicts many better; one
    that bends into a faint cloud does so in some and misses others by far (cf. the rule of one standard error, Breiman et
    al. 1984, Classification and Regression Trees; from memory).

    Parameters
    ----------
    one, other : (C, groups) mean squares of left-out residuals; NaN where a group is empty
    """
    # The median over groups: one group may hold a faint cloud.
    typical = 0.5 * _log_ratio(np.nanmedian(one, axis=1), np.nanmedian(other, axis=1)).mean()
    groups = 0.5 * np.nanmean(_log_ratio(one, other), axis=0)
    seen = groups[np.isfinite(groups)]
    error = np.std(seen, ddof=1) / np.sqrt(seen.size) if seen.size > 1 else 0.0
    gain = np.log(1 - HELD_OUT_GAIN)
    return typical < gain and (seen.size == 0 or seen.mean() + error < gain)


def _compact_groups(x, y):
    """(n,) number of the group of each place: ``FOLDS`` sectors around their middle, of equal numbers."""
    order = np.argsort(np.arctan2(y - y.mean(), x - x.mean()), kind="stable")
    ranks = np.empty(order.size, dtype=int)
    ranks[order] = np.arange(order.size)
    return ranks * FOLDS // max(order.size, 1)


def _held_out(cells, use, groups, order, templates, scatter):
    """(C, gy, gx) residuals of free cells about surfaces fitted without their group, or None with too few cells."""
    terms = with_templates(polynomial_terms(cells.x, cells.y, order, field_frame(cells.shape)), templates)
    least = CELLS_PER_TERM * terms.shape[-1]
    if use.sum() < least:
        return None
    left = np.full(cells.value.shape, np.nan)
    for group in range(FOLDS):
        out, fit = use & (groups == group), use & (groups != group)
        if not out.any() or fit.sum() < least:
            return None
        solution = solve(terms[fit] / scatter[fit, None], (cells.value[:, fit] / scatter[fit]).T)
        left[:, out] = cells.value[:, out] - (terms[out] @ solution).T
    return left


def _groups(cells, use):
    """Compact groups of the free cells; -1 elsewhere."""
    groups = np.full(use.shape, -1)
    groups[use] = _compact_groups(cells.x[use], cells.y[use])
    return groups
