"""What noise the samples of a band are expected to have, from the camera model."""

from dataclasses import dataclass

import numpy as np
from numba import njit

__all__ = ["LEAST_VARIANCE_SHARE", "BandNoise", "along_row"]

LEAST_VARIANCE_SHARE = 0.25
"""Where the signal lies below the level to which the sky variance belongs, the variance falls; not below this
share of it, since read noise and dark current stay."""


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

    def column_weights(self, width):
        """(width,) index of the left node and (width,) share of the right one."""
        if self.nodes.size == 1:
            return np.zeros(width, dtype=np.int64), np.zeros(width)
        columns = np.arange(width)
        left = np.clip(np.searchsorted(self.nodes, columns, side="right") - 1, 0, self.nodes.size - 2)
        share = (columns - self.nodes[left]) / np.diff(self.nodes)[left]
        return left.astype(np.int64), np.clip(share, 0.0, 1.0)


@njit(cache=True, nogil=True, inline="always")
def along_row(nodes, k, t):
    """Value between node k and the next one, at the share t of the way."""
    return nodes[k] + t * (nodes[k + 1] - nodes[k]) if t > 0.0 else nodes[k]
