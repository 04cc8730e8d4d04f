"""From a first guess to a pose that can be trusted: match all stars, fit the simplest sufficient model, check."""

from dataclasses import dataclass
from itertools import chain

import numpy as np
from scipy.spatial import cKDTree

from pipeline.numerics.pose import KINDS, PARAMETERS, Pose, basis
from pipeline.numerics.star_match import first_guesses

__all__ = ["PoseFit", "find_pose", "fit_pose", "refine"]

RADII_PX = (8.0, 4.0, 2.5, 2.5)
"""Match radii of the successive fits."""

CLIP_SIGMA = 4.0
"""Matches further off than this are left out of the fit."""

FLOOR_PX = 0.03
"""Error of a star's place that noise does not explain: undersampling, aberrations."""

STARS_PER_PARAMETER = {"similarity": 1.0, "affine": 2.0, "quadratic": 4.0}
"""Stars that a model needs for each of its parameters (each star gives two numbers)."""

GAIN_NEEDED = 0.93
"""A richer model has to lower the cross-validated residual at least to this share."""

FOLDS = 5
"""Parts of the cross-validation."""

CHANCE_FACTOR = 4.0
"""So many times the matches that would arise by chance are asked for."""

GOOD_SHARE = 0.25
"""Share of the stars of the shorter list, within the common field, that a true pose matches at least."""


@dataclass(frozen=True)
class PoseFit:
    """A fitted pose.

    Attributes
    ----------
    pose : Pose
    source, target : (m,) indices of the matched stars used
    residual_px : rms distance of the matches, anchor pixels
    coverage : share of a 4 x 4 grid over the frame that has a matched star
    """

    pose: Pose
    source: np.ndarray
    target: np.ndarray
    residual_px: float
    coverage: float


def find_pose(source, target, shape, options, *, source_error=None, guesses=()):
    """Pose of a frame whose stars are ``source`` on the grid of ``target``.

    Parameters
    ----------
    source, target : (n, 2) positions, brightest first
    shape : (ny, nx) of the frame
    options : section "register" of the settings
    source_error : (n,) position errors, pixels
    guesses : matrices (2, 3) to try before anything else

    Returns
    -------
    fit : PoseFit or None
    reason : "" or why there is none, in plain words
    """
    least = options["min_matches"]
    if min(len(source), len(target)) < least:
        return None, f"only {min(len(source), len(target))} stars to register with, {least} needed"
    reason = "no arrangement of its stars fits those of the reference"
    found = first_guesses(
        source, target, scale_difference=options["max_scale_difference"], mirrored=options["allow_mirrored"]
    )
    # Chained, so that later guesses are only worked out where the earlier ones failed.
    for guess in chain(guesses, found):
        scale = np.sqrt(abs(np.linalg.det(guess[:, :2])))
        if abs(scale - 1) > options["max_scale_difference"]:
            continue
        if np.linalg.det(guess[:, :2]) < 0 and not options["allow_mirrored"]:
            continue
        fit = refine(source, target, guess, shape, source_error=source_error)
        if fit is None:
            continue
        objection = _objection(fit, source, target, options)
        if not objection:
            return fit, ""
        reason = objection
    return None, reason


def refine(source, target, guess, shape, *, source_error=None):
    """Match and fit in turn, from a wide radius to a narrow one.

    Returns
    -------
    PoseFit, or None where fewer than three stars match
    """
    pose = Pose.from_matrix(guess, shape)
    tree = cKDTree(target)
    weight = (
        np.ones(len(source))
        if source_error is None
        else 1.0 / (np.nan_to_num(source_error, nan=1.0) ** 2 + FLOOR_PX**2)
    )
    fit = None
    for step, radius in enumerate(RADII_PX):
        moved = np.stack(pose.forward(source[:, 0], source[:, 1]), axis=1)
        distance, near = tree.query(moved, distance_upper_bound=radius)
        ours = np.flatnonzero(np.isfinite(distance))
        ours = ours[_nearest_of_each(near[ours], distance[ours])]
        theirs = near[ours]
        if ours.size < 3:
            return None
        richest = "similarity" if step == 0 else "affine" if step < len(RADII_PX) - 1 else "quadratic"
        fit = fit_pose(source, target, ours, theirs, weight, shape, richest=richest)
        pose = fit.pose
    return fit


def fit_pose(source, target, ours, theirs, weight, shape, *, richest="quadratic"):
    """Weighted least-squares pose from matched stars, clipped; the simplest model that the residuals justify.

    A richer model is taken only if there are enough stars for it and if it predicts left-out stars better
    (cross-validation in ``FOLDS`` parts).

    Parameters
    ----------
    source, target : (n, 2), (m, 2) positions
    ours, theirs : indices of the matches
    weight : (n,) weights of the source stars
    shape : (ny, nx) of the frame
    richest : last model to try

    Returns
    -------
    PoseFit
    """
    kept = np.ones(ours.size, dtype=bool)
    models = KINDS[1 : KINDS.index(richest) + 1]
    for _ in range(4):
        s, t, w = source[ours[kept]], target[theirs[kept]], weight[ours[kept]]
        kind = _chosen(s, t, w, shape, models)
        coefficients = _solve(kind, s, t, w, shape)
        moved = basis(source[ours, 0], source[ours, 1], shape) @ coefficients.T
        distance = np.hypot(*(moved - target[theirs]).T)
        # Rayleigh distributed distances: their median is 1.18 sigma.
        limit = CLIP_SIGMA * max(np.median(distance[kept]) / 1.1774, FLOOR_PX)
        now = distance <= limit
        if np.array_equal(now, kept) or now.sum() < max(3, PARAMETERS[kind] / 2):
            break
        kept = now
    pose = Pose(kind, coefficients, shape)
    rms = float(np.sqrt(np.mean(distance[kept] ** 2)))
    return PoseFit(pose, ours[kept], theirs[kept], rms, _coverage(source[ours[kept]], shape))


def _chosen(s, t, w, shape, models):
    chosen, best = models[0], np.inf
    for kind in models:
        if kind != models[0] and len(s) * 2 < PARAMETERS[kind] * STARS_PER_PARAMETER[kind]:
            break
        error = _cross_validated(kind, s, t, w, shape)
        if error < GAIN_NEEDED * best or not np.isfinite(best):
            chosen, best = kind, error
    return chosen


def _cross_validated(kind, s, t, w, shape):
    fold = np.arange(len(s)) % FOLDS
    distance = np.full(len(s), np.nan)
    for part in range(min(FOLDS, len(s))):
        out = fold == part
        if 2 * (~out).sum() < PARAMETERS[kind]:
            return np.inf
        coefficients = _solve(kind, s[~out], t[~out], w[~out], shape)
        distance[out] = np.hypot(*(basis(*s[out].T, shape) @ coefficients.T - t[out]).T)
    # Of the well-placed half, so that mismatches do not decide.
    return float(np.sqrt(np.mean(np.sort(distance)[: max(3, int(0.8 * len(s)))] ** 2)))


def _solve(kind, s, t, w, shape):
    """(2, 6) coefficients of the weighted least-squares pose."""
    phi, root = basis(s[:, 0], s[:, 1], shape), np.sqrt(w)
    coefficients = np.zeros((2, 6))
    if kind == "similarity":
        one, u, v = phi[:, 0], phi[:, 1], phi[:, 2]
        nothing, rows, wanted = np.zeros_like(u), np.concatenate([root, root]), np.concatenate(t.T)
        best = np.inf
        # X = a + p u - m q v, Y = b + q u + m p v; m = -1 is the mirror image.
        for m in (1.0, -1.0):
            design = np.vstack(
                [np.stack([one, nothing, u, -m * v], 1), np.stack([nothing, one, m * v, u], 1)]
            )
            a, b, p, q = np.linalg.lstsq(design * rows[:, None], wanted * rows, rcond=None)[0]
            cost = float(np.sum(((design @ (a, b, p, q) - wanted) * rows) ** 2))
            if cost < best:
                best = cost
                coefficients[0, :3], coefficients[1, :3] = (a, p, -m * q), (b, q, m * p)
        return coefficients
    terms = 3 if kind == "affine" else 6
    coefficients[:, :terms] = np.linalg.lstsq(phi[:, :terms] * root[:, None], t * root[:, None], rcond=None)[
        0
    ].T
    return coefficients


def _objection(fit, source, target, options):
    """Why a fit is not to be believed, or ""."""
    matched = fit.source.size
    if matched < options["min_matches"]:
        return f"only {matched} stars match the reference, {options['min_matches']} needed"
    if fit.residual_px > options["max_residual_px"]:
        return (
            f"the matched stars scatter by {fit.residual_px:.2f} px, limit {options['max_residual_px']:g} px"
        )
    scale = fit.pose.scale()
    if abs(scale - 1) > options["max_scale_difference"]:
        return f"image scale differs by {100 * abs(scale - 1):.1f} %"
    moved = np.stack(fit.pose.forward(source[:, 0], source[:, 1]), axis=1)
    low, high = target.min(axis=0), target.max(axis=0)
    inside = ((moved >= low) & (moved <= high)).all(axis=1)
    area = max(float(np.prod(high - low)), 1.0)
    chance = inside.sum() * len(target) * np.pi * RADII_PX[-1] ** 2 / area
    if matched < CHANCE_FACTOR * chance:
        return f"{matched} matches, while {chance:.0f} would arise by chance"
    expected = min(inside.sum(), len(target))
    if matched < GOOD_SHARE * expected:
        return f"only {matched} of {expected} stars in the common field match"
    return ""


def _nearest_of_each(near, distance):
    """Positions in ``near`` that are the nearest candidate of their target star."""
    order = np.lexsort((distance, near))
    first = np.r_[True, np.diff(near[order]) != 0]
    return np.sort(order[first])


def _coverage(points, shape):
    cells = np.clip((4 * points / (shape[1], shape[0])).astype(int), 0, 3)
    return len(np.unique(cells[:, 1] * 4 + cells[:, 0])) / 16
