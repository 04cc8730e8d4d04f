"""First guess of how two star lists lie on each other: triangles first, then a vote of pairs."""

from contextlib import contextmanager
from functools import partial
from unittest import mock

import astroalign
import numpy as np
from scipy.spatial import KDTree

__all__ = ["ATTEMPTS", "pair_vote", "triangle_guess"]

ATTEMPTS = (("triangles", 25), ("pairs", 50), ("pairs", 80))
"""What is tried in turn, on how many of the brightest stars. Triangles of 25 stars take a tenth of a second and suffice
for most frames; where most stars are strangers, 1200 pairs that vote are faster and surer than more triangles, which solved
none of 500 simulated pairs that these had left open."""

SHORTEST_PAIR = 0.08
"""Of the field's diagonal: the direction of a shorter pair is too uncertain."""

LENGTH_ERROR_PX = 1.5
"""Allowed difference of the lengths of a pair beyond the scale range, from the errors of four coordinates."""

ANGLE_BIN_DEG = 1.0
"""Width of a rotation bin; a pair of 100 px with errors of 0.5 px is 0.4 degrees uncertain."""

SHIFT_BIN_PX = 6.0
"""Width of a bin of the shift of the field's centre, which a rotation off by half a bin moves by a few pixels."""

CANDIDATES = 12
"""Best filled bins that are tried."""

CANDIDATE_RADIUS_PX = 4.0
"""A star counts for a candidate if the other list has one this near."""


def triangle_guess(source, target, *, length, random_seed):
    """Similarity of two star lists from triangles of neighbouring stars (astroalign).

    Parameters
    ----------
    source, target : (n, 2), (m, 2) positions, brightest first
    length : how many of the brightest to use
    random_seed : for the order in which triangles are tried

    Returns
    -------
    (2, 3) matrix from source to target, or None if no agreement was found
    """
    if min(len(source), len(target)) < 3:
        return None
    with _fixed_order(random_seed):
        try:
            transform, _ = astroalign.find_transform(source, target, max_control_points=length)
        except (astroalign.MaxIterError, ValueError, np.linalg.LinAlgError):
            return None
    matrix = np.asarray(transform.params, dtype=np.float64)[:2]
    return matrix if np.isfinite(matrix).all() else None


def pair_vote(source, target, *, length, max_scale_difference, avoid=None):
    """Similarity of two star lists of nearly the same scale, from a vote of all pairs of bright stars.

    Each pair of source stars and each pair of target stars of a like length propose a rotation and a shift of
    the field's centre. True correspondences agree; others scatter over all bins, so most of both lists may be
    unmatched. The best filled bins are tried on all stars.

    Parameters
    ----------
    source, target : (n, 2), (m, 2) positions, brightest first
    length : how many of the brightest vote
    max_scale_difference : greatest |scale - 1|
    avoid : (2, 3) matrix or None, a mapping that is not wanted (a lock on fixed pattern noise)

    Returns
    -------
    (2, 3) matrix from source to target, or None
    """
    a, b = (np.asarray(stars[:length], dtype=np.float64) for stars in (source, target))
    if min(len(a), len(b)) < 3:
        return None
    centre = 0.5 * (a.min(0) + a.max(0))
    diagonal = np.hypot(*np.ptp(a, axis=0))
    first, second = np.triu_indices(len(a), 1)
    length_a = np.hypot(*(a[second] - a[first]).T)
    long = length_a > SHORTEST_PAIR * diagonal
    first, second, length_a = first[long], second[long], length_a[long]
    # Both orders of the target's pairs: a pair has no direction of its own.
    third, fourth = (index.ravel() for index in np.nonzero(~np.eye(len(b), dtype=bool)))
    length_b = np.hypot(*(b[fourth] - b[third]).T)
    order = np.argsort(length_b, kind="stable")
    third, fourth, length_b = third[order], fourth[order], length_b[order]
    low = np.searchsorted(length_b, length_a * (1 - max_scale_difference) - LENGTH_ERROR_PX)
    high = np.searchsorted(length_b, length_a * (1 + max_scale_difference) + LENGTH_ERROR_PX)
    counts = high - low
    if counts.sum() == 0:
        return None
    pair_a = np.repeat(np.arange(len(length_a)), counts)
    starts = np.cumsum(counts) - counts
    pair_b = np.arange(counts.sum()) - np.repeat(starts, counts) + np.repeat(low, counts)

    start_a, start_b = a[first[pair_a]], b[third[pair_b]]
    as_complex_a = np.dot(a[second[pair_a]] - start_a, (1, 1j))
    as_complex_b = np.dot(b[fourth[pair_b]] - start_b, (1, 1j))
    turn = as_complex_b / as_complex_a
    landed = np.dot(start_b, (1, 1j)) + turn * np.dot(centre - start_a, (1, 1j))
    member, votes = _binned(
        np.degrees(np.angle(turn)) / ANGLE_BIN_DEG, landed.real / SHIFT_BIN_PX, landed.imag / SHIFT_BIN_PX
    )
    best, best_count = None, 0
    tree = KDTree(target)
    for candidate in np.argsort(-votes, kind="stable")[:CANDIDATES]:
        inside = member == candidate
        rotation = np.median(turn[inside].real) + 1j * np.median(turn[inside].imag)
        place = np.median(landed[inside].real) + 1j * np.median(landed[inside].imag)
        shift = place - rotation * np.dot(centre, (1, 1j))
        matrix = np.array(
            [[rotation.real, -rotation.imag, shift.real], [rotation.imag, rotation.real, shift.imag]]
        )
        if avoid is not None and _alike(matrix, avoid, source):
            continue
        moved = source @ matrix[:, :2].T + matrix[:, 2]
        distance, partner = tree.query(moved, distance_upper_bound=CANDIDATE_RADIUS_PX)
        # A target counts once: many sources on one target are a collapsed mapping, not a match.
        count = len(np.unique(partner[np.isfinite(distance)]))
        if count > best_count:
            best, best_count = matrix, count
    return best


def _binned(*coordinates):
    """Number of the bin of unit side that each point lies in, counted over the filled bins, and their counts."""
    key = np.zeros(len(coordinates[0]), dtype=np.int64)
    for values in coordinates:
        cell = np.floor(values).astype(np.int64)
        cell -= cell.min()
        key = key * (cell.max() + 1) + cell
    _, member, votes = np.unique(key, return_inverse=True, return_counts=True)
    return member, votes


def _alike(one, other, points):
    """The two mappings move the points to within 1.5 px of each other."""
    difference = points @ (one - other)[:, :2].T + (one - other)[:, 2]
    return np.median(np.hypot(*difference.T)) < 1.5


@contextmanager
def _fixed_order(random_seed):
    """Let astroalign shuffle its triangles the same way every time.

    It takes a fresh, unseeded generator for each call and offers no parameter for it, so the constructor
    it calls is replaced while the call lasts.
    """
    seeded = partial(np.random.default_rng, random_seed)
    with mock.patch.object(astroalign._np.random, "default_rng", seeded):
        yield
