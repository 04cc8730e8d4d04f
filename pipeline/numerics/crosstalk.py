"""Which colour channel sees how much of which emission line.

Behind a dual-band filter red pixels see mostly H-alpha and green and blue ones mostly [O III], but each
sees a little of the other. The mixing matrix comes from response curves; where those are not the camera's own,
the data refine it. Gas is never negative, so the ratios of two channels over bright nebula fill a wedge
whose edges are the ratios of the pure lines: where only H-alpha glows, green / red is the response of green
pixels to H-alpha. The third channel adds a plane: its response to both lines is a linear regression.
"""

from dataclasses import dataclass
from itertools import product

import numpy as np
from scipy import optimize, sparse, special
from scipy.spatial import cKDTree

__all__ = ["Edge", "Refinement", "refine_mixing", "wedge_edge"]

CURVE_PRIOR = 0.05
"""Standard deviation of a cross-talk entry taken from typical curves, per unit response of the line's own
channel: two measured cameras in the literature differ from the typical curve by 0.01 to 0.16."""

LOWER_PART = 0.4
"""Share of the ratios, from below, on which an edge is fitted."""

MAX_BLOCKS = 1500
"""Blocks that are used, those with the best known ratios: more would cost time and not help."""

OUTLIER_SHARE = 0.01
"""Share of blocks that are neither (star remnants, trails); keeps one of them from setting the edge."""

MIN_PURE_BLOCKS = 10
"""Blocks that must pile up there at least: a single knot of gas, three by three of them, has one ratio all over, whatever it
glows in."""

MIN_PURE_SHARE = 0.15
"""Share of the fitted blocks that must pile up at the edge for it to count as seen. Where gas mixes everywhere, the ratio is flat
about its least value, which a tenth of the blocks may share."""

FEW_PURE_BLOCKS = 5
"""Fewer blocks and a smaller share do if they show the same edge in places apart: least values of two clouds are not alike."""

PLACES_APART = 4
"""Distance of places, in blocks: what a star hides does not divide one."""

AGREEMENT_SIGMA = 2.0
"""Distance from the edge, in standard deviations, up to which a block agrees with it."""

LARGEST_MEAN = 1.0
"""Mean distance of such blocks, in standard deviations: those that mix a little lie above, those of other places on one side."""

FAR_BELOW_SIGMA = 3.0
"""Distance below the edge at which a block is an outlier."""

MOST_BELOW = 2 * OUTLIER_SHARE
"""Share of outliers below an edge; with more it is no edge, but a crowd of blocks above it."""

PLACE_ERROR = 0.5
"""Standard deviation, in that of the prior, to which the places besides the largest must know the edge."""

ZERO_ERROR = 0.003
"""Error of the sky's zero relative to the typical bright block: what flattening leaves locally."""

ZERO_SYSTEMATIC = 0.02
"""What such an error does to the edge, since it is common to a region: twice that at blocks half as bright."""

LARGEST_ZERO = 0.05
"""Largest correction of the zero, relative to bright gas; more is no remnant of the sky but gas."""

FORBIDDEN = 1e12
"""Cost of an edge that cannot be."""

NODES = 21
"""Nodes of the quadrature over the noise."""

MIN_BLOCKS = 60
"""Blocks below which the edge of the wedge is not looked for."""

MIN_S_N = 15.0
"""Signal to noise of the dominant channel that a block must have: its ratio is then known to 7 %."""


@dataclass(frozen=True)
class Edge:
    """Edge of a wedge of channel ratios.

    Attributes
    ----------
    value, error : the ratio and its standard deviation
    pure_share : share of blocks that pile up at the edge
    measured : False if there were too few blocks, and the prior stands
    """

    value: float
    error: float
    pure_share: float
    measured: bool


@dataclass(frozen=True)
class Refinement:
    """A mixing matrix refined from data.

    Attributes
    ----------
    matrix : (C, L), largest entry of each column 1
    error : (C, L), standard deviations
    measured : (L,) bool, whether the data had a say in each column
    """

    matrix: np.ndarray
    error: np.ndarray
    measured: np.ndarray


def wedge_edge(ratio, ratio_error, *, prior, prior_error, places=None):
    """Lower edge of a one-sided distribution of ratios, by maximum posterior.

    A share f of the blocks is pure (ratio = edge); the others exceed the edge by an amount e with density
    proportional to e^(a - 1) exp(-e / t), so that it may rise from 0 at the edge where no gas is
    pure. Both carry Gaussian noise (Gauss-Hermite quadrature); a small uniform share catches outliers. Only the
    lower part of the ratios is used, and the density is normalised to it: the shape far from the edge does not
    matter. The edge counts as seen if many blocks are pure, or some in places apart.

    Parameters
    ----------
    ratio, ratio_error : (n,) float64
    prior, prior_error : Gaussian prior of the edge
    places : (n, 2) of the blocks, in blocks; None where they are not known

    Returns
    -------
    Edge
    """
    if ratio.size < MIN_BLOCKS:
        return Edge(prior, prior_error, 0.0, False)
    used = np.argsort(ratio_error, kind="stable")[:MAX_BLOCKS]
    ratio, ratio_error = ratio[used], ratio_error[used]
    limit = np.quantile(ratio, LOWER_PART)
    # Beyond the pile at the edge, should it be that large.
    limit += 4 * np.median(ratio_error[ratio <= limit])
    low = ratio <= limit
    ratio, noise, used = ratio[low], ratio_error[low], used[low]
    start = float(np.quantile(ratio, 0.1))
    nodes, weights = np.polynomial.hermite_e.hermegauss(NODES)
    weights = weights / weights.sum()
    typical_noise = float(np.median(noise))
    spread = max(float(limit - start), 3 * typical_noise)
    span = float(limit - ratio.min())
    shifted = (ratio[:, None] - noise[:, None] * nodes).astype(np.float32)

    def cost(parameters):
        edge, logit, log_tail, log_rise = parameters
        if edge > limit - typical_noise:
            # No blocks would lie above the edge, and what noise puts below it would be all that is judged.
            return FORBIDDEN
        # The simplex may step anywhere; the density stays finite within these bounds. A tail shorter than the
        # noise is what the pure share stands for, and the quadrature could not resolve it.
        tail = max(spread * np.exp(min(log_tail, 1.5)), 2 * typical_noise)
        rise = 1 + np.exp(np.clip(log_rise, -7, 2))
        share = special.expit(logit)
        excess = (shifted - np.float32(edge)) / np.float32(tail)
        pure = np.exp(-0.5 * ((ratio - edge) / noise) ** 2) / (noise * np.sqrt(2 * np.pi))
        # In single precision, and the power through a logarithm, this takes a third of the time; its error of 1e-6 is
        # nothing to the 1e-3 at which the simplex stops.
        positive = np.maximum(excess, np.float32(1e-30))
        density = np.exp(np.float32(rise - 1) * np.log(positive) - positive) * (excess > 0)
        mixed = density @ weights / (tail * special.gamma(rise))
        # Both parts normalised to what lies below the limit.
        pure /= max(float(special.ndtr((limit - edge) / typical_noise)), 1e-6)
        mixed /= max(float(special.gammainc(rise, max(limit - edge, 0.0) / tail)), 1e-6)
        seen = share * pure + (1 - share) * mixed
        likelihood = (1 - OUTLIER_SHARE) * seen + OUTLIER_SHARE / span
        weak = 0.5 * (logit / 3) ** 2 + 0.5 * (log_tail / 1.5) ** 2 + 0.5 * (log_rise / 1.5) ** 2
        return -np.log(likelihood).sum() + 0.5 * ((edge - prior) / prior_error) ** 2 + weak

    best = None
    # Several starts, with and without a pile at the edge: the cost has a valley for either.
    for first, logit in product((prior, start, float(np.median(ratio))), (2.0, -2.0)):
        step = np.diag([0.2 * spread, 1.0, 0.7, 1.0])
        simplex = np.array([first, logit, 0.0, -1.0]) + np.vstack([np.zeros(4), step])
        options = {"xatol": 1e-4, "fatol": 1e-3, "maxiter": 1500, "maxfev": 1500, "initial_simplex": simplex}
        found = optimize.minimize(cost, simplex[0], method="Nelder-Mead", options=options)
        if best is None or found.fun < best.fun:
            best = found
    share = float(special.expit(best.x[1]))
    seen = share >= max(MIN_PURE_SHARE, MIN_PURE_BLOCKS / ratio.size)
    if not seen and places is not None and share >= FEW_PURE_BLOCKS / ratio.size:
        seen = _in_places_apart(ratio - best.x[0], noise, places[used], prior_error)
    if not seen:
        # Without a pile the blocks bound the edge from above; below that it is no better known than the prior.
        return Edge(min(float(best.x[0]), prior), prior_error, share, True)
    return Edge(float(best.x[0]), _profile_error(cost, best, prior_error), share, True)


def _in_places_apart(excess, noise, places, prior_error):
    """Whether blocks that agree with an edge, below which are none, do so in several places, not in the largest one only.

    Parameters
    ----------
    excess, noise : (n,) ratios less the edge, and their standard deviations
    places : (n, 2)
    prior_error : standard deviation of the edge before the data were seen
    """
    pure = np.abs(excess) < AGREEMENT_SIGMA * noise
    if not pure.any() or (excess < -FAR_BELOW_SIGMA * noise).mean() > MOST_BELOW:
        return False
    excess, noise = excess[pure], noise[pure]
    beside = cKDTree(places[pure]).sparse_distance_matrix(cKDTree(places[pure]), PLACES_APART)
    _, place = sparse.csgraph.connected_components(beside, directed=False)
    others = place != np.bincount(place).argmax()
    known = (1 / noise[others] ** 2).sum() * (PLACE_ERROR * prior_error) ** 2 >= 1
    return bool(known and abs(np.mean(excess[others] / noise[others])) < LARGEST_MEAN)


def _sky_zero(blocks, owners):
    """(C,) what flattening left of the sky: the densest value of each channel, where that is near 0.

    Most fields hold some sky, which all has one value, while gas has many. A field full of gas has its densest
    value anywhere; then there is nothing to correct.
    """
    zero = np.array([_half_sample_mode(plane) for plane in blocks])
    bright = np.quantile(blocks[owners], 0.95, axis=1).max()
    return np.where(np.abs(zero) < LARGEST_ZERO * bright, zero, 0.0)


def _half_sample_mode(values):
    """Mode by repeatedly keeping the narrowest half (Robertson & Cryer 1974; from memory), until few are left.

    The last halves would follow the noise: it stops at a tenth of the values and takes their median.
    """
    ordered = np.sort(values)
    least = max(ordered.size // 10, 3)
    while ordered.size > least:
        half = ordered.size // 2
        start = int(np.argmin(ordered[half:] - ordered[: ordered.size - half]))
        ordered = ordered[start : start + half + 1]
        if half + 1 <= least or half < 2:
            break
    return float(np.median(ordered))


def _profile_error(cost, best, prior_error):
    """Half width of the edge over which the cost, at its best in all else, rises by 1/2; at most the prior's."""

    def profiled(edge):
        options = {"xatol": 1e-3, "fatol": 1e-3, "maxiter": 300}
        return optimize.minimize(
            lambda rest: cost([edge, *rest]), best.x[1:], method="Nelder-Mead", options=options
        ).fun

    step = prior_error / 64
    while step < prior_error:
        if 0.5 * (profiled(best.x[0] - step) + profiled(best.x[0] + step)) - best.fun > 0.5:
            return step
        step *= 2
    return prior_error


def refine_mixing(blocks, block_error, matrix, *, places=None, prior_error=CURVE_PRIOR, edges=None):
    """Refine a three-channel, two-line mixing matrix from continuum-subtracted blocks.

    Parameters
    ----------
    blocks : (C, n) continuum-subtracted narrow-band flux of star-free blocks
    block_error : (C, n) standard deviations
    matrix : (C, 2) prior, largest entry of each column 1
    places : (n, 2) of the blocks, in blocks; None where they are not known
    prior_error : standard deviation of its other entries
    edges : Refinement whose rows of the lines' own channels stand, so that only the third channel is looked at; None to
        find the edges

    Returns
    -------
    Refinement
    """
    owners = matrix.argmax(axis=0)
    refined, error = matrix.astype(np.float64).copy(), np.full(matrix.shape, float(prior_error))
    measured = np.zeros(2, dtype=bool)
    if owners[0] == owners[1]:
        return Refinement(refined, error, measured)
    blocks = blocks - _sky_zero(blocks, owners)[:, None]
    seen = np.zeros(2, dtype=bool)
    for line in (0, 1):
        own, other = owners[line], owners[1 - line]
        error[own, line] = 0.0
        strong = blocks[own] > MIN_S_N * block_error[own]
        flux = blocks[own, strong]
        if not flux.size:
            continue
        ratio = blocks[other, strong] / flux
        noise = np.hypot(block_error[other, strong], ratio * block_error[own, strong]) / flux
        noise = np.hypot(noise, ZERO_ERROR * np.median(flux) / flux)
        # Far up the wedge the other line rules; those blocks say nothing about this edge.
        near = ratio < matrix[other, line] + 1.0
        seen[line] = near.sum() >= MIN_BLOCKS
        if edges is not None:
            continue
        edge = wedge_edge(
            ratio[near], noise[near], prior=matrix[other, line], prior_error=prior_error,
            places=None if places is None else places[strong][near],
        )  # fmt: skip
        refined[other, line] = max(edge.value, 0.0)
        error[other, line] = (
            min(np.hypot(edge.error, ZERO_SYSTEMATIC), prior_error) if edge.measured else prior_error
        )
        measured[line] = edge.measured
    if edges is not None:
        refined[owners], error[owners], measured = edges.matrix[owners], edges.error[owners], edges.measured
    fluxes = np.linalg.solve(refined[owners], blocks[owners])
    for channel in np.setdiff1d(np.arange(matrix.shape[0]), owners):
        # Regression of the remaining channel on the fluxes, with the prior as more equations. A line that is hardly there
        # has no part: its flux is noise, on which every channel would seem to depend little.
        weight = 1 / block_error[channel]
        rest = blocks[channel] - matrix[channel, ~seen] @ fluxes[~seen]
        design = np.vstack([(fluxes[seen] * weight).T, np.eye(seen.sum()) / prior_error])
        target = np.append(rest * weight, matrix[channel, seen] / prior_error)
        refined[channel, seen] = np.maximum(np.linalg.lstsq(design, target, rcond=None)[0], 0.0)
        error[channel, seen] = np.sqrt(np.diag(np.linalg.inv(design.T @ design)))
    return Refinement(refined, error, measured)
