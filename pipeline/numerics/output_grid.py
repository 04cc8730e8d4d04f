"""The grid of the stack: the anchor's own, or one with several pixels along the side of each of its pixels.

Stars that are narrower than two pixels are not sampled well enough by one frame, but many dithered ones see them at all
phases: drops on a finer grid give the detail back [1]_. A pixel of the anchor is then cut into ``finer`` x ``finer``, so that
its centre (x, y), counted from the centre of the first pixel, lies at

    finer x + (finer - 1) / 2,        finer y + (finer - 1) / 2.

References
----------
.. [1] A. S. Fruchter, R. N. Hook, "Drizzle: a method for the linear reconstruction of undersampled images",
   PASP 114 (2002) 144 (from memory).
"""

import numpy as np

from pipeline.numerics.pose import Pose

__all__ = ["FINEST", "finer_places", "finer_pose", "finer_shape"]

FINEST = 2
"""Pixels along the side of an anchor pixel at most: finer than half a pixel, stars through the air have nothing to show."""


def finer_shape(shape, finer):
    """(ny, nx) of the grid over an anchor of ``shape``."""
    return tuple(finer * n for n in shape)


def finer_places(places, finer):
    """Coordinates on the grid of coordinates on the anchor's."""
    return finer * np.asarray(places, dtype=np.float64) + 0.5 * (finer - 1)


def finer_pose(pose, finer):
    """The pose that takes frame pixels to the grid, from the one that takes them to the anchor's."""
    if finer == 1:
        return pose
    coefficients = finer * pose.coefficients
    coefficients[:, 0] += 0.5 * (finer - 1)
    return Pose("similarity" if pose.kind == "identity" else pose.kind, coefficients, pose.shape)
