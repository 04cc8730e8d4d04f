"""Cells of an image that hold nothing but sky, in all planes of all filter sets.

Nebula adds light and never takes any away, so the sky is the lower edge of the cells. Two steps find it.

The first needs no starting point: the surfaces of all planes are fitted at once with one weight per cell, asymmetric and
non-convex: cells below the surface count in full, cells far above it in any plane hardly at all (Geman & McClure's
function). The scale at which "far" begins shrinks from the spread of the data to the noise (graduated non-convexity, Blake &
Zisserman 1987; from memory).

The second settles which cells are sky, by the likelihood of a mixture (expectation maximisation, Dempster, Laird & Rubin
1977; from memory). With z_c the residual of plane c over the scatter of sky cells there, a cell is

    sky      z_c ~ N(0, 1) in every plane,
    object   z_c ~ N(e, 1 + (s e)^2): the same excess e in all planes but for its colour, which varies by s;
             e > 0 has the density 1 / ((e + k) log(1 + E / k)) up to the largest, E.

What its neighbours are tells what a cell is likely to be (a hidden Markov random field in its mean-field form, Zhang, Brady
& Smith 2001; from memory). So the floor of a lane amid nebula, a few cells wide, does not pass for sky merely because a
surface can be bent to it.
"""

import numpy as np
from scipy import ndimage

from pipeline.numerics.robust import mad_std
from pipeline.numerics.sky_cells import Cells
from pipeline.numerics.sky_terms import (
    CELLS_PER_TERM,
    MODEL_FLOOR,
    field_frame,
    polynomial_terms,
    relative_scatter,
    solve,
    with_templates,
)
from pipeline.numerics.surface import exponents

__all__ = ["agreeing_cells", "cells_near", "explained_cells", "find_free_cells"]

CLOSER = 0.8
"""Factor by which a higher order must bring sky cells closer to the surface, or gain as much in likelihood by more of them."""

LONELY_SHARE = 0.25
"""Share of a cell's 3 x 3 neighbourhood that must be free as well: itself and two more, at least."""

FINAL_SCALE = 2.0
"""Last scale of the first step, in standard deviations of a cell: near the noise, yet wide enough for it."""

SCALE_STEP = 1.4
"""Factor between successive scales; finer steps give the same result on simulated nebulae."""

ROUNDS_PER_SCALE = 3
"""Refits at each scale."""

EXCESS_KNEE = 4.0
"""k: nebula is as often fainter than this many standard deviations of a sky cell as theirs allows; brighter, every octave of
it is equally frequent."""

LEAST_RANGE = 30.0
"""E at least: a field without any nebula must not take what noise there is for its whole range."""

EXCESS_COLOUR = 1.0
"""s: the excess of one plane is unlike that of the mean by a factor of two either way, as gas and dust are."""

NEIGHBOURS_SAY = 0.9
"""Part of what a cell is likely to be that its neighbours tell; the rest is the share of sky in the whole field."""

LIKELY = (0.02, 0.98)
"""How surely a cell can be object or sky before it is looked at."""

OUTLIER_SHARE = 0.01
"""Share of cells that are neither: remnants of trails and stars, which may be darker than the sky."""

MOST_WIDENING = 2.0
"""Largest scatter of sky cells, over what noise and ``MODEL_FLOOR`` grant: faint stars add to it; beyond is nebula."""

FIRST_SHARE = 0.4
"""Share of sky that the mixture starts from."""

ROUNDS = 60
"""Rounds of the mixture; most take twenty."""

SETTLED = 3e-5
"""Change of the log-likelihood, per cell, at which it is done."""

CLIP_ROUNDS = 20
"""Rounds of clipping where all light is explained; most take five."""

LOG_TWO_PI = np.log(2 * np.pi)

AROUND = np.array([[1.0, 1.0, 1.0], [1.0, 0.0, 1.0], [1.0, 1.0, 1.0]])
"""The neighbours of a cell."""


def find_free_cells(tables, *, max_order, clip_sigma=3.0):
    """Cells without object light in any channel of any table.

    Parameters
    ----------
    tables : sequence of Cells on the same grid
    max_order : highest order of the sky surface
    clip_sigma : distance from the sky, in standard deviations, up to which a cell may count as free

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

    The order of the surface is the lowest of nearly the likelihood of the others.

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
    frame = field_frame(cells.shape)
    x, y, planes = cells.x[known], cells.y[known], cells.value[:, known]
    error = np.median(cells.error[:, known], axis=1)
    granted = np.hypot(error, MODEL_FLOOR * np.abs(np.median(planes, axis=1)))
    # All that follows is in terms of cells of the usual noise.
    scatter = relative_scatter(cells, known)
    planes = planes / scatter
    best, likelihood = np.zeros(x.size, dtype=bool), -np.inf
    for order in range(1, max_order + 1):
        terms = with_templates(polynomial_terms(x, y, order, frame), templates, known)
        if known.sum() < CELLS_PER_TERM * terms.shape[1]:
            break
        terms, _ = np.linalg.qr(terms / scatter[:, None])
        # By the noise alone the first step may end beside the sky of an uneven field, by all that is granted in faint nebula.
        started = [_lower_edge(terms, planes, noise) for noise in (granted, error)]
        # Wide at first, the sky gathers cells that starlight spreads, from all over the field, before it narrows.
        _, wide, _ = _sky_among_objects(started[0], terms, planes, granted, granted, known)
        started.append(_residuals(terms, planes, wide))
        tried = [_sky_among_objects(left, terms, planes, error, granted, known) for left in started]
        found, probability, deviation = max(tried, key=lambda one: one[0])
        if found > likelihood - np.log(CLOSER) * probability.sum() * len(planes):
            likelihood = found
            best = (probability > 0.5) & (np.abs(deviation) < clip_sigma).all(axis=0)
    free = np.zeros(known.shape, dtype=bool)
    free[known] = best
    return _in_company(free, known)


def explained_cells(cells, known, templates, *, order, clip_sigma):
    """Cells in which every plane is a surface plus shares of templates but for noise: the templates hold all light there is, so
    residuals are as often below as above.

    Parameters
    ----------
    cells, known, templates, clip_sigma : as for :func:`agreeing_cells`
    order : of the surface

    Returns
    -------
    (gy, gx) bool
    """
    noise = relative_scatter(cells, known)
    planes = cells.value[:, known] / noise
    terms = polynomial_terms(cells.x[known], cells.y[known], order, field_frame(cells.shape))
    terms, _ = np.linalg.qr(with_templates(terms, templates, known) / noise[:, None])
    kept = np.ones(planes.shape[1], dtype=bool)
    for _ in range(CLIP_ROUNDS):
        if kept.sum() < CELLS_PER_TERM * terms.shape[1]:
            break
        left = _residuals(terms, planes, kept)
        scatter = np.maximum(mad_std(left[:, kept], axis=1), np.median(cells.error[:, known], axis=1))
        before, kept = kept, (np.abs(left) < clip_sigma * scatter[:, None]).all(axis=0)
        if (kept == before).all():
            break
    explained = np.zeros(known.shape, dtype=bool)
    explained[known] = kept
    return explained


def cells_near(cells, surfaces, *, clip_sigma):
    """Cells that every plane leaves within what a real sky may depart from its surface: free ones, and where the sky bends.

    Parameters
    ----------
    cells : Cells
    surfaces : PolynomialSurface of each plane
    clip_sigma : departure, over noise and ``MODEL_FLOOR``, up to which a cell is one

    Returns
    -------
    (gy, gx) bool
    """
    known = np.isfinite(cells.value).all(axis=0)
    near = known.copy()
    for plane, error, surface in zip(cells.value, cells.error, surfaces, strict=True):
        left = plane - surface.evaluate(cells.x, cells.y)
        granted = np.hypot(error, MODEL_FLOOR * np.abs(np.median(plane[known]))) if known.any() else error
        near &= np.abs(left) < clip_sigma * granted
    return _in_company(near, known)


def _lower_edge(terms, planes, scatter):
    """(P, n) residuals about the surfaces that hug the lower edge of ``planes`` (P, n), whose noise is ``scatter`` (P,)."""
    weight = np.ones(planes.shape[1])
    scale = None
    while True:
        for _ in range(ROUNDS_PER_SCALE):
            left = _residuals(terms, planes, weight)
            excess = np.maximum((left / scatter[:, None]).max(axis=0), 0.0)
            if scale is None:
                scale = max(float(excess.max()), FINAL_SCALE)
            weight = (scale**2 / (scale**2 + excess**2)) ** 2
        if scale <= FINAL_SCALE:
            return left
        scale = max(scale / SCALE_STEP, FINAL_SCALE)


def _sky_among_objects(left, terms, planes, error, granted, known):
    """The second step: which cells are sky.

    Parameters
    ----------
    left : (P, n) residuals to begin with
    terms : (n, K)
    planes : (P, n)
    error, granted : (P,) noise of a cell; the same with what a real sky departs from a surface
    known : (gy, gx) bool, where the n cells are

    Returns
    -------
    log_likelihood : float
    probability : (n,) that a cell is sky
    deviation : (P, n) residuals over the scatter of sky cells
    """
    low, high = error, np.maximum(MOST_WIDENING * granted, error)
    core = np.abs(left) <= np.quantile(np.abs(left), FIRST_SHARE, axis=1)[:, None]
    # Of the innermost share of a normal distribution, the spread is about half of the whole's.
    width = np.clip([2 * mad_std(row[use]) for row, use in zip(left, core, strict=True)], low, high)
    likely = np.full(planes.shape[1], FIRST_SHARE)
    neighbours = ndimage.correlate(known.astype(np.float64), AROUND, mode="constant")
    before = -np.inf
    for _ in range(ROUNDS):
        z = left / width[:, None]
        sky, other = _log_densities(z)
        sky, other = sky + np.log(likely), other + np.log(1 - likely)
        both = np.logaddexp(sky, other)
        probability = np.exp(sky - both)
        log_likelihood = float((both - np.log(width).sum()).sum())
        if probability.sum() < CELLS_PER_TERM * terms.shape[1]:
            return -np.inf, probability, z
        if abs(log_likelihood - before) < SETTLED * planes.shape[1]:
            break
        before = log_likelihood
        left = _residuals(terms, planes, probability)
        width = np.clip(np.sqrt(left**2 @ probability / probability.sum()), low, high)
        beside = _of_neighbours(probability, known, neighbours)
        likely = np.clip(NEIGHBOURS_SAY * beside + (1 - NEIGHBOURS_SAY) * probability.mean(), *LIKELY)
    return log_likelihood, probability, z


def _log_densities(z):
    """Logarithms of the densities of ``z`` (P, n) of sky cells, and of all others."""
    n_planes = len(z)
    total, squares = z.sum(axis=0), np.einsum("cn,cn->n", z, z)
    sky = -0.5 * (squares + n_planes * LOG_TWO_PI)
    excess = np.maximum(total / n_planes, 0.0)
    spread = 1 + (EXCESS_COLOUR * excess) ** 2
    octaves = np.log1p(max(excess.max(), LEAST_RANGE) / EXCESS_KNEE)
    # The mean over the planes has the density of the excess; what the planes differ by has one dimension less than they.
    about = squares - 2 * excess * total + n_planes * excess**2
    differences = -0.5 * (about / spread + (n_planes - 1) * (LOG_TWO_PI + np.log(spread)) + np.log(n_planes))
    objects = differences - np.log((excess + EXCESS_KNEE) * octaves)
    anything = -np.log(np.maximum(np.ptp(z, axis=1), 1.0)).sum()
    return sky, np.logaddexp(np.log1p(-OUTLIER_SHARE) + objects, np.log(OUTLIER_SHARE) + anything)


def _residuals(terms, planes, weight):
    """(P, n) of the planes about their surfaces, the n cells weighted; ``terms`` (n, K) are orthonormal.

    Their normal equations are well conditioned, and sooner solved than the terms are decomposed again.
    """
    weighted = terms * weight[:, None]
    return planes - (terms @ solve(weighted.T @ terms, (planes @ weighted).T)).T


def _of_neighbours(values, known, count):
    """(n,) mean of the values of each cell's neighbours, of which there are ``count`` (gy, gx); 0 without any."""
    field = np.zeros(known.shape)
    field[known] = values
    return (ndimage.correlate(field, AROUND, mode="constant") / np.maximum(count, 1.0))[known]


def _in_company(free, known):
    """Free cells without the lonely: one amid object cells is free by chance."""
    weight = ndimage.uniform_filter(known.astype(np.float64), 3, mode="constant")
    total = ndimage.uniform_filter((free & known).astype(np.float64), 3, mode="constant")
    return free & (np.divide(total, weight, out=np.zeros_like(total), where=weight > 0) > LONELY_SHARE)
