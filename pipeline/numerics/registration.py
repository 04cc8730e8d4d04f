"""Registration of one star list to another: guesses in turn, each refined, until one withstands all doubts."""

from dataclasses import dataclass

import numpy as np
from scipy.spatial import KDTree

from pipeline.numerics.match import ATTEMPTS, pair_vote, triangle_guess
from pipeline.numerics.pose_refinement import refine

__all__ = ["Limits", "StarList", "doubts", "register"]

CHANCE_LIMIT = -10.0
"""Decimal logarithm of the greatest accepted probability of a chance match. The pair vote looks at some 1e6
hypotheses, and the radius that counts is set after the stars have been looked at."""

LEAST_SHARE = 0.1
"""Of the shorter list's stars on the common field, this part matches at least: of a frame under cloud nearly all do, of one
in which strangers outnumber the stars by three to one a quarter."""

STILL_PX = 0.5
"""A pose that moves no star by more than this looks like a lock on a fixed pattern of the sensor."""

STILL_FRACTION = 0.5
"""It is believed if at least this part of the bright stars of either list matches; a pattern matches only itself."""

STILL_LEAST = 0.4
"""And this part of all stars of the shorter list: a pattern may be brighter than the stars."""

BRIGHT = 30
"""How many of the brightest stars are asked in that case."""

HALF_FIELD_QUADRANTS = 3
"""Of the four quarters of the overlap that have several stars each, so many must hold matches."""

HALF_FIELD_RATE = 0.15
"""In one half of the overlap, at least this part of the rate of matches in the other half is expected ..."""

HALF_FIELD_CHANCE = 1e-4
"""... if by chance alone so few would be found there less often than this."""


@dataclass(frozen=True)
class StarList:
    """Positions of stars, brightest first.

    Attributes
    ----------
    xy : (n, 2) pixels
    error : (n,) error of a coordinate, pixels
    """

    xy: np.ndarray
    error: np.ndarray

    def __len__(self):
        return len(self.xy)


@dataclass(frozen=True)
class Limits:
    """What a pose must satisfy.

    Attributes
    ----------
    min_matched : stars
    max_residual_px : rms distance of the matches
    min_coverage : see ``Registration.coverage``
    max_scale_difference : |scale - 1|
    kinds : poses to choose from, stiffest first
    allow_mirrored : whether mirror images are legal
    """

    min_matched: int
    max_residual_px: float
    min_coverage: float
    max_scale_difference: float
    kinds: tuple[str, ...] = ("similarity", "affine", "quadratic")
    allow_mirrored: bool = False


def register(source, target, shape, limits, *, random_seed, distortion=0.0):
    """Find the pose of ``source`` on ``target``.

    Parameters
    ----------
    source, target : StarList
    shape : (ny, nx) of the source frame
    limits : Limits
    random_seed : int
    distortion : displacement at half a diagonal that both share, pixels; see ``shared_distortion``

    Returns
    -------
    registration : Registration or None
    problem : str; "" if the registration is to be trusted, else why there is none or why it is not
    """
    if min(len(source), len(target)) < 3:
        return None, f"too few stars to match: {len(source)} in the frame, {len(target)} in the list"
    best, best_problem = None, "no arrangement of stars in common with the list"
    for mirrored in (False, True) if limits.allow_mirrored else (False,):
        for guess in _guesses(source.xy, target.xy, shape, limits, mirrored, random_seed):
            found = refine(
                source.xy,
                source.error,
                target.xy,
                target.error,
                guess,
                shape,
                kinds=limits.kinds,
                mirrored=mirrored,
                distortion=distortion,
            )
            if found is None:
                continue
            problem = doubts(found, source, target, limits)
            if not problem:
                return found, ""
            if best is None or found.n_matched > best.n_matched:
                best, best_problem = found, problem
    return best, best_problem


def doubts(found, source, target, limits):
    """Why a registration cannot be trusted, or "" if it can.

    Parameters
    ----------
    found : Registration
    source, target : StarList
    limits : Limits
    """
    pose = found.pose
    if found.n_matched < limits.min_matched:
        return f"only {found.n_matched} stars match the list, needed {limits.min_matched}"
    if (pose.area_scale(*source.xy.T) < 0).any() != found.mirrored:
        return "the stars only match as a mirror image"
    if abs(pose.scale() - 1.0) > limits.max_scale_difference:
        return f"scale differs by {100 * abs(pose.scale() - 1):.1f} %, limit {100 * limits.max_scale_difference:.1f} %"
    if found.residual_px > limits.max_residual_px:
        return (
            f"matched stars lie {found.residual_px:.2f} px apart (rms), limit {limits.max_residual_px:.2f} px"
        )
    if found.log10_chance > CHANCE_LIMIT:
        return (
            f"the {found.n_matched} matches of {found.n_possible} stars may be chance "
            f"(probability 1e{found.log10_chance:.0f})"
        )
    moved = np.column_stack(pose.forward(*source.xy.T))
    possible = min(_inside(moved, target.xy).sum(), _inside(target.xy, moved).sum())
    if found.n_matched < LEAST_SHARE * possible:
        return f"only {found.n_matched} of {possible} stars on the common field match"
    if found.coverage < limits.min_coverage:
        return (
            f"matches cover {100 * found.coverage:.0f} % of the common field, "
            f"needed {100 * limits.min_coverage:.0f} %"
        )
    if _half_field(found, source, target):
        return "stars match in a part of the common field only"
    if _locked(found, source, target):
        return "the match is a fixed pattern of the sensor, not stars"
    return ""


def _guesses(source, target, shape, limits, mirrored, random_seed):
    """First guesses in order of cost, each made only when those before it did not hold."""
    ny, _ = shape
    # A mirror image is matched upside down, and the guess turned back.
    flip = np.array([[1.0, 0.0, 0.0], [0.0, -1.0, ny - 1.0], [0.0, 0.0, 1.0]]) if mirrored else np.eye(3)
    turned = source @ flip[:2, :2].T + flip[:2, 2]
    largest = limits.max_scale_difference
    for method, length in ATTEMPTS:
        if method == "triangles":
            guess = triangle_guess(turned, target, length=length, random_seed=random_seed)
        else:
            guess = pair_vote(turned, target, length=length, max_scale_difference=largest)
        if guess is None or abs(np.sqrt(abs(np.linalg.det(guess[:, :2]))) - 1) > 2 * largest:
            continue
        yield guess @ flip
        if np.hypot(*(turned @ guess[:, :2].T + guess[:, 2] - turned).T).max() < 2 * STILL_PX:
            # Should that be the sensor's own pattern, the stars say something else.
            guess = pair_vote(turned, target, length=length, max_scale_difference=largest, avoid=guess)
            if guess is not None:
                yield guess @ flip


def _locked(found, source, target):
    """The pose moves nothing, and yet most bright stars on the common field have no partner."""
    moved = np.column_stack(found.pose.forward(*source.xy.T))
    if np.hypot(*(moved - source.xy).T).max() > STILL_PX:
        return False
    shares = []
    for points, others in ((moved, target.xy), (target.xy, moved)):
        bright = np.flatnonzero(_inside(points, others))[:BRIGHT]
        # The fit may have left out bright stars, whose places are so well known that they differ by many errors.
        shares.append((KDTree(others).query(points[bright])[0] < STILL_PX).mean())
    everything = max(
        found.n_matched / max(_inside(*pair).sum(), 1) for pair in ((moved, target.xy), (target.xy, moved))
    )
    return min(shares) < STILL_FRACTION or everything < STILL_LEAST


def _half_field(found, source, target):
    """A half or two quarters of the common field with enough bright stars to expect matches, but hardly any there."""
    moved = np.column_stack(found.pose.forward(*source.xy.T))
    inside = np.flatnonzero(_inside(moved, target.xy))
    # Among the brightest, as many as did match: about that many should have a partner.
    bright = inside[: max(2 * found.n_matched, 12)]
    if len(bright) < 12:
        return False
    middle = 0.5 * (moved[bright].min(axis=0) + moved[bright].max(axis=0))
    matches = np.isin(bright, found.source)
    for upper in (moved[bright] > middle).T:
        for half in (upper, ~upper):
            here, there = matches[half].sum(), matches[~half].sum()
            if here * (~half).sum() < HALF_FIELD_RATE * there * half.sum():
                # Rarely asked, and slow to load.
                from scipy.stats import hypergeom

                # Drawing the matched ones from all bright stars without regard to their place.
                chance = hypergeom.cdf(here, len(bright), int(matches.sum()), int(half.sum()))
                if chance < HALF_FIELD_CHANCE:
                    return True
    quarter = (moved > middle) @ (1, 2)
    expected = [np.sum(quarter[bright] == k) for k in range(4)]
    matched = [np.sum(quarter[found.source] == k) for k in range(4)]
    share = found.n_matched / len(inside)
    # Without any match where the overall share promises at least six, chance is below exp(-6).
    empty = sum(1 for k in range(4) if matched[k] == 0 and share * expected[k] >= 6.0)
    return empty > 4 - HALF_FIELD_QUADRANTS


def _inside(points, others):
    """(n,) bool: within the field that the others span.

    The extremes of n evenly spread stars fall short of the edges by a mean gap; the box is made larger by that.
    """
    low, high = others.min(axis=0), others.max(axis=0)
    margin = (high - low) / max(len(others) - 1, 1)
    return ((points >= low - margin) & (points <= high + margin)).all(axis=1)
