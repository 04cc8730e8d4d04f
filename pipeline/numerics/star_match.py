"""A first guess of how two star lists lie on each other, without any knowledge but that scales are alike.

astroalign's invariant triangles come first; where they fail, pairs of stars vote: two stars of one list and two of
the other, at nearly the same distance, propose one rotation and shift, and the true one is proposed by
every common pair.
"""

import astroalign
import numpy as np
from scipy.spatial import cKDTree

__all__ = ["count_matches", "first_guesses", "pair_vote"]

LIST_LENGTHS = (50, 25, 100)
"""Brightest stars that are tried with triangles, in turn."""

VOTERS = 45
"""Brightest stars whose pairs vote; a thousand pairs in each list."""

SHORTEST_PAIR_PX = 40.0
"""A shorter pair tells its direction too badly."""

ROTATION_BIN_RAD = np.radians(1.0)
SHIFT_BIN_PX = 12.0
"""Bins of the vote: a pair of 40 px whose ends are off by 0.3 px turns by half a degree."""

CANDIDATES = 6
"""Fullest bins that are looked at."""


def first_guesses(source, target, *, scale_difference, mirrored=False):
    """Similarities that may bring ``source`` onto ``target``, likeliest first; a generator.

    Parameters
    ----------
    source, target : (n, 2) positions, brightest first
    scale_difference : largest relative difference of scale
    mirrored : also try the mirror image

    Yields
    ------
    (2, 3) float64 matrix of (x, y, 1)
    """
    for length in LIST_LENGTHS:
        guess = _by_triangles(source[:length], target[:length])
        if guess is not None:
            yield guess
    yield from pair_vote(source, target, scale_difference=scale_difference)
    if mirrored:
        flip = np.array([[-1.0, 0.0, 0.0], [0.0, 1.0, 0.0]])
        for guess in first_guesses(source * (-1.0, 1.0), target, scale_difference=scale_difference):
            yield guess @ np.vstack([flip, (0.0, 0.0, 1.0)])


def pair_vote(source, target, *, scale_difference):
    """Similarities proposed by most pairs of stars, fullest bin first.

    Parameters, yield : as :func:`first_guesses`
    """
    source, target = (np.asarray(points[:VOTERS], dtype=np.float64) for points in (source, target))
    if len(source) < 2 or len(target) < 2:
        return
    i, j = np.triu_indices(len(source), 1)
    k, m = (np.concatenate(pair) for pair in zip(np.triu_indices(len(target), 1), np.triu_indices(len(target), 1)[::-1], strict=True))
    ours, theirs = source[j] - source[i], target[m] - target[k]
    our_length, their_length = (np.hypot(*vectors.T) for vectors in (ours, theirs))
    ours_long, theirs_long = our_length > SHORTEST_PAIR_PX, their_length > SHORTEST_PAIR_PX
    i, j, ours, our_length = i[ours_long], j[ours_long], ours[ours_long], our_length[ours_long]
    k, m, theirs, their_length = k[theirs_long], m[theirs_long], theirs[theirs_long], their_length[theirs_long]
    order = np.argsort(their_length, kind="stable")
    k, m, theirs, their_length = k[order], m[order], theirs[order], their_length[order]
    first = np.searchsorted(their_length, our_length * (1 - scale_difference))
    stop = np.searchsorted(their_length, our_length * (1 + scale_difference))
    counts = stop - first
    if counts.sum() == 0:
        return
    a = np.repeat(np.arange(len(ours)), counts)
    b = np.concatenate([np.arange(f, s) for f, s in zip(first, stop, strict=True)])
    # As complex numbers a similarity is one multiplication.
    z = (theirs[b, 0] + 1j * theirs[b, 1]) / (ours[a, 0] + 1j * ours[a, 1])
    centre = source.mean(axis=0)
    offset = (source[i[a]] - centre) @ (1, 1j)
    moved = target[k[b]] @ (1, 1j) - z * offset
    bins = np.stack(
        [
            np.floor(np.angle(z) / ROTATION_BIN_RAD), np.floor(moved.real / SHIFT_BIN_PX), np.floor(moved.imag / SHIFT_BIN_PX),
        ],
        axis=1,
    ).astype(np.int64)  # fmt: skip
    unique, inverse, votes = np.unique(bins, axis=0, return_inverse=True, return_counts=True)
    for best in np.argsort(-votes, kind="stable")[:CANDIDATES]:
        # Votes of a true pose may straddle a border: the neighbours belong to it.
        near = (np.abs(unique - unique[best]) <= 1).all(axis=1)[inverse.ravel()]
        turn, shift = np.median(z[near].real) + 1j * np.median(z[near].imag), complex(np.median(moved[near].real), np.median(moved[near].imag))
        linear = np.array([[turn.real, -turn.imag], [turn.imag, turn.real]])
        yield np.column_stack([linear, (shift.real, shift.imag) - linear @ centre])


def count_matches(source, target, matrix, radius):
    """Number of source stars that come within ``radius`` of a target star."""
    moved = source @ matrix[:, :2].T + matrix[:, 2]
    distance, _ = cKDTree(target).query(moved, distance_upper_bound=radius)
    return int(np.isfinite(distance).sum())


def _by_triangles(source, target):
    if min(len(source), len(target)) < 3:
        return None
    try:
        transform, _ = astroalign.find_transform(source, target, max_control_points=len(source))
    except (astroalign.MaxIterError, ValueError, TypeError):
        # Too few common stars, or lists too short for its triangles: the vote goes on from here.
        return None
    return np.asarray(transform.params)[:2]
