"""The smooth glow of the sky under a nebula: find cells of free sky, fit the simplest surface that holds.

The image is reduced to cells, whose robust location is free of stars. Nebula adds light and never takes any
away, so the sky is the lower edge of the cells. Cells above it in any channel of any filter set are
objects in all of them (gas shows best through the dual-band filter, dust in the broadband). The surface
starts as a plane, and its order is raised only if that predicts free cells that were left out of the fit,
in compact groups, so that a surface cannot win by bending into a nebula (Kelvin et al. 2023, MNRAS, on
sky subtraction at low surface brightness, give the reasons; from memory).
"""

from dataclasses import dataclass

import numpy as np
from scipy import ndimage

from pipeline.numerics.robust import mad_std
from pipeline.numerics.sky_cells import Cells
from pipeline.numerics.surface import PolynomialSurface, exponents

__all__ = [
    "Sky",
    "agreeing_cells",
    "find_free_cells",
    "fit_sky",
    "fit_with_templates",
]

FOLDS = 8
"""Groups of neighbouring cells for the held-out test; each is left out once."""

MODEL_FLOOR = 1e-3
"""Departure from a smooth surface that a real sky is granted, relative to its level: flat-field errors."""

CONSENSUS = 0.85
"""A lower order is preferred if it explains this share of the cells that a higher order explains."""

POLISH_ROUNDS = 2
"""Rounds in which the scatter of the sky cells may widen their limit; more would let it creep into a nebula."""

LONELY_SHARE = 0.25
"""Share of a cell's 3 x 3 neighbourhood that must be free as well: itself and two more, at least."""

CELLS_PER_TERM = 3
"""Cells that each coefficient must at least be backed by."""

FINAL_SCALE = 2.0
"""Last scale of the selection, in standard deviations of a cell: near the noise, yet wide enough for it."""

SCALE_STEP = 1.4
"""Factor between successive scales; finer steps give the same result on simulated nebulae."""

ROUNDS_PER_SCALE = 3
"""Refits at each scale."""

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
        terms = _terms(x, y, self.surface.order, self.surface)
        return np.sqrt(np.einsum("...i,ij,...j", terms, self.covariance, terms))


def find_free_cells(tables, *, max_order, clip_sigma=3.0):
    """Cells without object light in any channel of any table.

    For each order the surfaces of all planes are fitted at once with one weight per cell, asymmetric
    and non-convex: cells below the surface count in full, cells far above it in any plane hardly at all
    (Geman & McClure's function). The scale at which "far" begins shrinks from the spread of the data to
    the noise (graduated non-convexity, Blake & Zisserman 1987; from memory), which needs no starting point.
    The order is the lowest that makes nearly as many cells agree with pure sky as any other.

    Parameters
    ----------
    tables : sequence of Cells on the same grid
    max_order : highest order of the sky surface
    clip_sigma : distance from the sky, in standard deviations, up to which a cell counts as free

    Returns
    -------
    free : (gy, gx) bool
    """
    first = tables[0]
    value = np.concatenate([table.value for table in tables])
    error = np.concatenate([table.error for table in tables])
    together = Cells(first.x, first.y, value, error, first.shape)
    known = np.isfinite(value).all(axis=0)
    return agreeing_cells(together, known, max_order=max_order, clip_sigma=clip_sigma)


def agreeing_cells(cells, known, *, max_order, clip_sigma, templates=None):
    """Cells in which every plane is a surface, plus any shares of templates, and nothing on top.

    Parameters
    ----------
    cells : Cells, all planes of which are judged together
    known : (gy, gx) bool, cells with data
    max_order, clip_sigma : as for :func:`find_free_cells`
    templates : (gy, gx, T) light whose shares in the planes are fitted as well, or None

    Returns
    -------
    (gy, gx) bool
    """
    if known.sum() < CELLS_PER_TERM * len(exponents(1)):
        return known
    frame = _frame(cells.shape)
    x, y, planes, error = cells.x[known], cells.y[known], cells.value[:, known], cells.error
    tolerance = np.hypot(error[:, known], MODEL_FLOOR * np.abs(np.median(planes, axis=1))[:, None])
    best = None
    for order in range(1, max_order + 1):
        terms = _with(templates, _terms(x, y, order, frame), known)
        if known.sum() < CELLS_PER_TERM * terms.shape[1]:
            break
        agrees = _polished(terms, planes, tolerance, clip_sigma)
        if best is None or CONSENSUS * agrees.sum() > best.sum():
            best = agrees
    free = np.zeros(known.shape, dtype=bool)
    free[known] = best
    # A free cell amid object cells is one by chance.
    return free & (_smoothed(free.astype(np.float64), known) > LONELY_SHARE)


def _polished(terms, planes, tolerance, clip_sigma):
    """(n,) bool: cells that agree with the sky once its own scatter is known.

    The annealed fit hugs the lower edge within the photon noise. Faint starlight spreads the sky cells
    further than that; their scatter about their own median widens the limit, a few times.
    """
    score = _annealed_scores(terms, planes, tolerance)
    agrees = np.abs(score).max(axis=0) < clip_sigma
    inverse = 1 / tolerance.mean(axis=1)
    for _ in range(POLISH_ROUNDS):
        if agrees.sum() < CELLS_PER_TERM * terms.shape[1]:
            break
        fit = terms @ _solve(terms[agrees], planes[:, agrees].T)
        score = (planes - fit.T) * inverse[:, None]
        level = np.median(score[:, agrees], axis=1)[:, None]
        scatter = np.maximum(mad_std(score[:, agrees], axis=1), 1.0)[:, None]
        agrees = (np.abs(score - level) < clip_sigma * scatter).all(axis=0)
    return agrees


def _annealed_scores(terms, planes, tolerance):
    """(P, n) residuals in units of the tolerance, about the surfaces that hug the lower edge."""
    weight = np.ones(planes.shape[1])
    inverse = 1 / tolerance.mean(axis=1)
    scale = None
    while True:
        for _ in range(ROUNDS_PER_SCALE):
            root = np.sqrt(weight)
            fit = terms @ _solve(terms * root[:, None], (planes * root).T)
            score = (planes - fit.T) * inverse[:, None]
            excess = np.maximum(score.max(axis=0), 0.0)
            if scale is None:
                scale = max(float(excess.max()), FINAL_SCALE)
            weight = (scale**2 / (scale**2 + excess**2)) ** 2
        if scale <= FINAL_SCALE:
            return score
        scale = max(scale / SCALE_STEP, FINAL_SCALE)


def fit_sky(cells, free, *, max_order):
    """Surface of each channel on the free cells, of the order that held-out cells ask for.

    Returns
    -------
    list of Sky, one a channel
    """
    return [sky for sky, _ in fit_with_templates(cells, free, None, max_order=max_order)]


def fit_with_templates(cells, free, templates, *, max_order):
    """Surface of each channel, and the shares in it of ``templates``, on the free cells.

    A higher order is taken only where it lowers the error of left-out groups noticeably, all channels taken together:
    what lights the sky is the same for all, and one of them alone goes astray more easily.

    Parameters
    ----------
    templates : (gy, gx, T), or None

    Returns
    -------
    list of (Sky, (T,) float64), one a channel
    """
    use = free & np.isfinite(cells.value).all(axis=0)
    groups = _groups(cells, use)
    tried = []
    for order in range(max_order + 1):
        left = _held_out(cells, use, groups, order, templates)
        if left is None:
            break
        squares = np.array(
            [[np.mean(plane[use & (groups == g)] ** 2) for g in range(FOLDS)] for plane in left]
        )
        tried.append((np.sqrt(np.nanmedian(squares, axis=1)), left, squares))
    chosen = 0
    for order in range(1, len(tried)):
        if _predicts_better(tried[order][2], tried[chosen][2]):
            chosen = order
    frame = _frame(cells.shape)
    terms = _with(templates, _terms(cells.x, cells.y, chosen, frame))[use]
    size = len(exponents(chosen))
    inverse = np.linalg.pinv(terms.T @ terms)
    made = []
    for c, plane in enumerate(cells.value):
        coefficients = _solve(terms, plane[use])
        scatter = max(mad_std(plane[use] - terms @ coefficients), float(np.median(cells.error[c][use])))
        surface = PolynomialSurface(chosen, coefficients[:size], frame.x0, frame.y0, frame.scale)
        rms = tuple(float(errors[c]) for errors, *_ in tried)
        left = tried[chosen][1][c] if tried else np.full(plane.shape, np.nan)
        made.append((Sky(surface, scatter**2 * inverse[:size, :size], rms, left), coefficients[size:]))
    return made


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


def _held_out(cells, use, groups, order, templates):
    """(C, gy, gx) residuals of free cells about surfaces fitted without their group, or None with too few cells."""
    terms = _with(templates, _terms(cells.x, cells.y, order, _frame(cells.shape)))
    least = CELLS_PER_TERM * terms.shape[-1]
    if use.sum() < least:
        return None
    left = np.full(cells.value.shape, np.nan)
    for group in range(FOLDS):
        out, fit = use & (groups == group), use & (groups != group)
        if not out.any() or fit.sum() < least:
            return None
        solution = _solve(terms[fit], cells.value[:, fit].T)
        left[:, out] = cells.value[:, out] - (terms[out] @ solution).T
    return left


def _with(templates, terms, part=...):
    """Terms of a surface followed by templates at the same cells."""
    return terms if templates is None else np.concatenate([terms, templates[part]], axis=-1)


def _smoothed(plane, known):
    weight = ndimage.uniform_filter(known.astype(np.float64), 3, mode="constant")
    total = ndimage.uniform_filter(np.where(known, plane, 0.0), 3, mode="constant")
    return np.divide(total, weight, out=np.zeros_like(total), where=weight > 0)


def _solve(design, target):
    return np.linalg.lstsq(design, target, rcond=None)[0]


def _frame(shape):
    """Normalisation of the surface: centre and half diagonal of the image."""
    ny, nx = shape
    return PolynomialSurface(0, np.zeros(1), 0.5 * (nx - 1), 0.5 * (ny - 1), 0.5 * float(np.hypot(nx, ny)))


def _terms(x, y, order, frame):
    u, v = (np.asarray(x) - frame.x0) / frame.scale, (np.asarray(y) - frame.y0) / frame.scale
    return np.stack([u**i * v**j for i, j in exponents(order)], axis=-1)


def _groups(cells, use):
    """Compact groups of the free cells; -1 elsewhere."""
    groups = np.full(use.shape, -1)
    groups[use] = _compact_groups(cells.x[use], cells.y[use])
    return groups
