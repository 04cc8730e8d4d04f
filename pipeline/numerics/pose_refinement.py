"""From a first guess to a pose: match all stars again, and fit the simplest pose that holds."""

from dataclasses import dataclass

import numpy as np
from scipy import special
from scipy.spatial import KDTree

from pipeline.numerics.pose import PARAMETERS, Pose, basis
from pipeline.numerics.robust import mad_std
from pipeline.numerics.shared_distortion import distorted_pose, distortion_between

__all__ = ["POSITION_FLOOR_PX", "Registration", "fit_pose", "mutual_nearest", "refine"]

START_RADIUS_PX = 5.0
"""Search radius about the first guess, which rests on a few stars and may be this far off at the corners."""

START_SPACING_FRACTION = 0.2
"""The search radius is at most this part of the mean distance of target stars, or chance would match them."""

RADIUS_STEPS = (1.0, 0.6, 0.4)
"""The radius shrinks by these factors while the fit improves."""

CLIP_SIGMA = 4.0
"""Matches with a residual beyond this many expected errors (rescaled by the robust scatter) are clipped."""

POSITION_FLOOR_PX = 0.03
"""Error of a position that no photon statistics explain: pixel structure, profile mismatch, scintillation. Assumed
until enough stars match to tell it."""

FLOOR_RANGE_PX = (0.002, 0.1)
"""What the stars may make of it."""

FLOOR_SETTLED = 0.05
"""Relative change of it at which a fit has settled: weights matter to second order."""

FLOOR_STARS = 12
"""So many matches tell it to a quarter or so; with fewer the assumption stays."""

ITERATIONS = 16
"""Upper limit of match-and-fit rounds; the matches settle after three or four, the unexplained error after ten."""

MIN_STARS_PER_PARAMETER = 1.5
"""A pliable pose needs at least this many stars (two coordinates each) per parameter."""

WORTH_IT = 0.97
"""A more pliable pose must predict left-out stars at least 3 % better than the stiffer one."""

COVERAGE_CELLS = 4
"""The coverage is counted on this many cells along each axis of the field."""


@dataclass(frozen=True)
class Registration:
    """A fitted pose and what speaks for it.

    Attributes
    ----------
    pose : Pose
    residual_px : rms distance of the matched stars, weighted by their errors
    n_matched : stars
    n_possible : source stars that fall on the field of the target list
    coverage : part of the source's star-bearing cells, within the target's field, that hold a matched star
    log10_chance : decimal logarithm of the probability that unrelated lists give as many matches
    source, target : (n_matched,) indices of the matches
    mirrored : bool
    """

    pose: Pose
    residual_px: float
    n_matched: int
    n_possible: int
    coverage: float
    log10_chance: float
    source: np.ndarray
    target: np.ndarray
    mirrored: bool


def mutual_nearest(one, other, radius):
    """Pairs (i, j) of which each is the other's nearest, no further apart than ``radius``."""
    if len(one) == 0 or len(other) == 0:
        return np.zeros(0, dtype=np.intp), np.zeros(0, dtype=np.intp)
    distance, forth = KDTree(other).query(one, distance_upper_bound=radius)
    _, back = KDTree(one).query(other)
    i = np.flatnonzero(np.isfinite(distance))
    i = i[back[forth[i]] == i]
    return i, forth[i]


def fit_pose(kind, source, target, sigma, shape, *, mirrored=False):
    """Weighted least-squares pose of one kind.

    Parameters
    ----------
    kind : "similarity", "affine" or "quadratic"
    source, target : (n, 2) matched positions
    sigma : (n,) expected error of a coordinate, pixels
    shape : (ny, nx) of the source frame
    mirrored : fit a similarity with a reflection

    Returns
    -------
    pose : Pose
    leverage : (n, 2) diagonal of the hat matrix for both coordinates, in [0, 1]
    """
    phi = basis(source[:, 0], source[:, 1], shape)
    count = len(source)
    weight = 1.0 / np.asarray(sigma, dtype=np.float64)
    coefficients = np.zeros((2, 6))
    if kind != "similarity":
        terms = PARAMETERS[kind] // 2
        q, r = np.linalg.qr(phi[:, :terms] * weight[:, None])
        coefficients[:, :terms] = np.linalg.solve(r, q.T @ (target * weight[:, None])).T
        return Pose(kind, coefficients, shape), np.repeat((q**2).sum(axis=1)[:, None], 2, axis=1)
    one, u, v = phi[:, 0], phi[:, 1], phi[:, 2]
    zero = np.zeros(count)
    hand = -1.0 if mirrored else 1.0
    # X = a + p u - h t v, Y = b + t u + h p v: rotation and scale in (p, t), h = -1 mirrors.
    design = np.concatenate(
        [np.stack([one, zero, u, -hand * v], axis=1), np.stack([zero, one, hand * v, u], axis=1)]
    )
    weights = np.tile(weight, 2)
    q, r = np.linalg.qr(design * weights[:, None])
    a, b, p, t = np.linalg.solve(r, q.T @ (target.T.ravel() * weights))
    coefficients[:, :3] = (a, p, -hand * t), (b, t, hand * p)
    return Pose(kind, coefficients, shape), (q**2).sum(axis=1).reshape(2, count).T


def refine(
    source, source_error, target, target_error, guess, shape, *, kinds, mirrored=False, distortion=0.0
):
    """Match all stars about a first guess and fit; the result does not depend on small errors of the guess.

    Parameters
    ----------
    source, target : (n, 2), (m, 2) positions
    source_error, target_error : (n,), (m,) error of a coordinate, pixels
    guess : (2, 3) matrix from source to target
    shape : (ny, nx) of the source frame
    kinds : poses to choose from, stiffest first
    distortion : displacement at half a diagonal that both frames share, pixels; see ``shared_distortion``

    Returns
    -------
    Registration, or None if fewer than three stars match
    """
    pose = Pose.from_matrix(guess, shape)
    radius = min(START_RADIUS_PX, START_SPACING_FRACTION * _spacing(target))
    i = j = np.zeros(0, dtype=np.intp)
    scale, floor = 1.0, POSITION_FLOOR_PX
    for step in range(ITERATIONS):
        moved = np.column_stack(pose.forward(*source.T))
        before = (i, j)
        settling = step >= len(RADIUS_STEPS)
        i, j = mutual_nearest(moved, target, radius * RADIUS_STEPS[min(step, len(RADIUS_STEPS) - 1)])
        sigma = np.sqrt(source_error[i] ** 2 + target_error[j] ** 2 + floor**2)
        if settling:
            inside = np.hypot(*(moved[i] - target[j]).T) < CLIP_SIGMA * scale * sigma
            i, j, sigma = i[inside], j[inside], sigma[inside]
        if len(i) < 3:
            return None
        # While the matches are still dirty a stiff pose does not follow them.
        allowed = kinds if settling else kinds[:1]
        pose = _bent(pose, distortion, allowed, source[i], target[j], sigma, mirrored)
        residual = np.column_stack(pose.forward(*source[i].T)) - target[j]
        floor_before = floor
        if settling and len(i) >= FLOOR_STARS:
            stated = np.hypot(source_error[i], target_error[j])
            floor = _unexplained(residual, stated, 2 * len(i) - PARAMETERS[allowed[0]])
            sigma = np.hypot(stated, floor)
        residual /= sigma[:, None]
        # The unit is one expected error; less than that cannot be concluded from a handful of stars.
        scale = max(1.0, float(mad_std(residual)))
        steady = abs(floor - floor_before) <= FLOOR_SETTLED * floor
        if settling and steady and np.array_equal(i, before[0]) and np.array_equal(j, before[1]):
            break
    return _with_evidence(pose, source, target, sigma, i, j, CLIP_SIGMA * scale * np.median(sigma), mirrored)


def _unexplained(residual, stated, freedom):
    """Error that has to be added to the stated ones for residuals to be as large as expected.

    The root of sum r^2 / (s^2 + t^2) = degrees of freedom (Paule & Mandel 1982, J. Res. NBS 87, 377; from memory), by
    halving; single residuals are capped, so that a few wrong matches do not decide.
    """
    low, high = FLOOR_RANGE_PX
    for _ in range(16):
        middle = np.sqrt(low * high)
        pulls2 = np.minimum(residual**2 / (stated**2 + middle**2)[:, None], CLIP_SIGMA**2)
        low, high = (middle, high) if pulls2.sum() > freedom else (low, middle)
    return np.sqrt(low * high)


def _bent(pose, distortion, kinds, source, target, sigma, mirrored):
    """The simplest pose, on top of the shared distortion as it shows about the last pose."""
    if distortion == 0.0:
        return _simplest(kinds, source, target, sigma, pose.shape, mirrored)
    bend = distortion * distortion_between(pose, *source.T)
    plain = _simplest(kinds, source, target - bend, sigma, pose.shape, mirrored)
    return distorted_pose(plain, distortion)


def _simplest(kinds, source, target, sigma, shape, mirrored):
    """The stiffest pose that no more pliable one beats in predicting stars that were left out.

    Leaving out one star at a time needs no refit: the prediction error is residual / (1 - leverage) (Allen 1974,
    PRESS; from memory). Errors are capped, so that a few wrong matches do not decide.
    """
    chosen, chosen_error, cap = None, np.inf, np.inf
    for kind in kinds:
        if chosen is not None and len(source) < MIN_STARS_PER_PARAMETER * PARAMETERS[kind]:
            break
        pose, leverage = fit_pose(kind, source, target, sigma, shape, mirrored=mirrored)
        residual = (np.column_stack(pose.forward(*source.T)) - target) / sigma[:, None]
        left_out = np.abs(residual) / np.maximum(1.0 - leverage, 1e-6)
        if chosen is None:
            cap = CLIP_SIGMA * max(float(mad_std(left_out * np.sign(residual))), 1e-6)
        error = float(np.sqrt(np.mean(np.minimum(left_out, cap) ** 2)))
        if chosen is None or error < WORTH_IT * chosen_error:
            chosen, chosen_error = pose, error
    return chosen


def _with_evidence(pose, source, target, sigma, i, j, radius, mirrored):
    moved = np.column_stack(pose.forward(*source.T))
    low, high = target.min(axis=0) - radius, target.max(axis=0) + radius
    inside = ((moved >= low) & (moved <= high)).all(axis=1)
    residual = np.hypot(*(moved[i] - target[j]).T)
    weight = 1.0 / sigma**2
    density = len(target) / max(np.prod(high - low), 1.0)
    # Unrelated lists: the number of chance neighbours is Poisson; the pose itself can be made to fit some stars.
    expected = max(inside.sum() * density * np.pi * radius**2, 1e-3)
    surplus = len(i) - PARAMETERS[pose.kind] // 2
    tail = special.pdtrc(surplus - 1, expected) if surplus > 0 else 1.0
    chance = np.log10(max(tail, np.finfo(np.float64).tiny))
    return Registration(
        pose,
        float(np.sqrt(np.sum(weight * residual**2) / np.sum(weight))),
        len(i),
        int(inside.sum()),
        _coverage(source, inside, i),
        float(chance),
        i,
        j,
        mirrored,
    )


def _coverage(source, inside, matched):
    """Of the cells of the source's field that hold stars with a possible partner, the part with a match."""
    low, size = source.min(axis=0), np.maximum(np.ptp(source, axis=0), 1e-9)
    cell = np.clip((COVERAGE_CELLS * (source - low) / size).astype(int), 0, COVERAGE_CELLS - 1)
    cell = cell[:, 0] * COVERAGE_CELLS + cell[:, 1]
    occupied = np.unique(cell[inside])
    return float(len(np.unique(cell[matched])) / len(occupied)) if len(occupied) else 0.0


def _spacing(points):
    area = np.prod(np.maximum(np.ptp(points, axis=0), 1.0))
    return np.sqrt(area / max(len(points), 1))
