"""What noise the samples of a band are expected to have, from the camera model."""

from dataclasses import dataclass

import numpy as np
from numba import njit

__all__ = ["LEAST_VARIANCE_SHARE", "BandNoise", "by_frames", "by_rows", "draw_line", "node_place"]

LEAST_VARIANCE_SHARE = 0.25
"""Where the signal lies below the level to which the sky variance belongs, the variance falls; not below this
share of it, since read noise and dark current stay."""


VECTORS = 32
"""Numbers that a loop works on at once, in four vectors of eight; what is left over goes one by one."""


def by_rows(samples):
    """(C, h, N, w) in memory from (N, C, h, w): what is compared lies together. Copies only what lies otherwise."""
    return np.ascontiguousarray(samples.transpose(1, 2, 0, 3))


def by_frames(samples):
    """(N, C, h, w) as a view of (C, h, N, w)."""
    return samples.transpose(2, 0, 1, 3)


@dataclass(frozen=True)
class BandNoise:
    """Variance of the samples of one channel in a band of ``h`` rows.

    The variance of raw sample i, in units of the output, is ``sky_variance_i + gain_i (x - level)``: what the
    camera model says at the usual level of the neighbourhood, plus the photons of what exceeds it. Maps
    are given at ``K`` nodes along each row and interpolated linearly.

    Attributes
    ----------
    nodes : (K,) float64, columns of the nodes, ascending
    sky_variance : (N, h, K) float64
    level : (h, K) float64
    gain : (N,) float64
    """

    nodes: np.ndarray
    sky_variance: np.ndarray
    level: np.ndarray
    gain: np.ndarray

    def at(self, row, column):
        """Sky variance (N,) and level at a pixel of the band."""
        left, share = self._place(column)
        right = min(left + 1, self.nodes.size - 1)
        sky, level = self.sky_variance[:, row], self.level[row]
        return (1 - share) * sky[:, left] + share * sky[:, right], (1 - share) * level[left] + share * level[
            right
        ]

    def segments(self, first, stop):
        """Columns ``first`` to ``stop`` cut so that the maps are linear along each piece.

        Returns
        -------
        pieces : (S, 3) int64, first and last-but-one column, counted from ``first``, and the node to the left
        places : (S, 2) float64, columns from that node to the first one, and the share of the way to the next node that a
            column is, 0 where the maps are constant
        """
        inner = np.ceil(self.nodes).astype(np.int64)
        cuts = np.unique(np.concatenate([inner, [first, stop]]).clip(first, stop))
        pieces = np.empty((cuts.size - 1, 3), dtype=np.int64)
        places = np.empty((cuts.size - 1, 2))
        for entry, place, start, end in zip(pieces, places, cuts[:-1], cuts[1:], strict=True):
            inside = self.nodes.size > 1 and self.nodes[0] <= start < self.nodes[-1]
            left = int(np.clip(np.searchsorted(self.nodes, start, side="right") - 1, 0, self.nodes.size - 1))
            entry[:] = start - first, end - first, left
            place[:] = (
                (start - self.nodes[left], 1.0 / (self.nodes[left + 1] - self.nodes[left]))
                if inside
                else (0, 0)
            )
        return pieces, places

    def _place(self, column):
        """Node to the left of a column and the share of the way to the next; constant beyond the outer ones."""
        if self.nodes.size == 1:
            return 0, 0.0
        left = int(np.clip(np.searchsorted(self.nodes, column, side="right") - 1, 0, self.nodes.size - 2))
        share = (column - self.nodes[left]) / (self.nodes[left + 1] - self.nodes[left])
        return left, float(np.clip(share, 0.0, 1.0))


@njit(cache=True, nogil=True)
def node_place(nodes, column):
    """Nodes to the left and right of a column and the share of the way between them; constant beyond the outer ones."""
    last = nodes.size - 1
    if column <= nodes[0]:
        return 0, 0, 0.0
    if column >= nodes[last]:
        return last, last, 0.0
    k = np.searchsorted(nodes, column, side="right") - 1
    return k, k + 1, (column - nodes[k]) / (nodes[k + 1] - nodes[k])


@njit(cache=True, nogil=True)
def draw_line(knots, pieces, places, factor, out):
    """A map along a row, times ``factor``, into ``out`` (w,) float32, from its values (K,) at the nodes.

    ``pieces`` and ``places`` are those of :meth:`BandNoise.segments`.
    """
    for piece in range(pieces.shape[0]):
        start, stop, k = pieces[piece]
        base = np.float32(factor * knots[k])
        step = np.float32(factor * places[piece, 1] * (knots[min(k + 1, knots.size - 1)] - knots[k]))
        # Counted from the node, so that the rounding does not depend on where a piece begins.
        lead = np.float32(places[piece, 0])
        # A whole number of vectors; the next piece writes over what is too much.
        for n in range(min(-(-(stop - start) // VECTORS) * VECTORS, out.size - start)):
            out[start + n] = base + step * (lead + np.float32(np.int32(n)))
