"""Where in a frame the pixels of the anchor's grid lie: the inverse of the pose, place by place, in float64."""

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numba import njit

from pipeline.numerics.pose import Pose

__all__ = ["Placement", "frame_positions", "warm"]

NEWTON_STEPS = 12
"""Upper limit when a quadratic pose is inverted; two are usual."""

NEWTON_LAST_STEP_PX = 1e-3
"""The step below which no other is taken: what is left after it is its square times the curvature of the pose,
1e-10 px for a distortion of 6 px over 250."""


BOUND_POINTS = 9
"""Places along each axis at which the slopes of a pose are looked at; they change linearly over the frame."""


@dataclass(frozen=True)
class Placement:
    """Where a frame's pixels lie on the anchor's grid.

    Attributes
    ----------
    pose : Pose, frame to anchor
    channel_offsets : (C, 2, 3) float64
        Light of channel c that belongs at the frame position (x, y) falls at
        (x, y) + channel_offsets[c] @ (1, u, v), with u, v as in the pose.
    """

    pose: Pose
    channel_offsets: np.ndarray

    @cached_property
    def output_maps(self):
        """(C, 2, 6) of (1, u, v, u^2, uv, v^2): output positions of where a channel's raw pixel at (u, v) belongs.

        Light that belongs at p falls at r = p + s M (1, u, v) / s; with r and p in units of u and v this is linear, and
        its inverse is put into the pose.
        """
        return np.stack([_output_map(self.pose, offset) for offset in self.channel_offsets])

    @cached_property
    def local_bounds(self):
        """How far a step of the output reaches in the frame, and how much that changes: bounds over the frame.

        Returns
        -------
        reach : largest displacement on an axis of the frame for a displacement of at most 1 on both axes of the output;
            infinite where the pose folds or tears
        bend : bound of the second derivatives of the frame position, frame pixels per output pixel squared
        """
        edge = np.linspace(-1.0, 1.0, BOUND_POINTS)
        u, v = (axis.ravel() for axis in np.meshgrid(edge, edge))
        nothing = np.zeros_like(u)
        slopes = np.stack(
            [
                np.stack([nothing, nothing + 1, nothing, 2 * u, v, nothing]),
                np.stack([nothing, nothing, nothing + 1, nothing, u, 2 * v]),
            ]
        )
        scale = 0.5 * np.hypot(*self.pose.shape)
        # (C, output axis, frame axis, place)
        steps = np.einsum("cok,fkn->cofn", self.output_maps, slopes) / scale
        determinant = steps[:, 0, 0] * steps[:, 1, 1] - steps[:, 0, 1] * steps[:, 1, 0]
        if not (determinant * determinant.flat[0] > 0).all():
            return np.inf, np.inf
        # The inverse of a 2 x 2 matrix holds its numbers crosswise.
        reach = float((np.abs(steps[:, ::-1]).sum(axis=1) / np.abs(determinant)[:, None]).max())
        curved = np.abs(self.output_maps[:, :, 3:]).max(axis=(0, 1)) @ (2.0, 2.0, 2.0) / scale**2
        return reach, float(curved) * reach**3


def frame_positions(pose, x_anchor, y_anchor):
    """Frame positions of anchor positions and the area of an anchor pixel there, in frame pixels.

    Parameters
    ----------
    pose : Pose
    x_anchor, y_anchor : (n,) arrays

    Returns
    -------
    x, y, area : (n,) float64; NaN where the pose cannot be inverted
    """
    x_anchor = np.ascontiguousarray(x_anchor, dtype=np.float64).ravel()
    y_anchor = np.ascontiguousarray(y_anchor, dtype=np.float64).ravel()
    x, y, area = (np.empty(x_anchor.size) for _ in range(3))
    ny, nx = pose.shape
    _invert(
        x_anchor,
        y_anchor,
        np.ascontiguousarray(pose.coefficients),
        0.5 * (nx - 1),
        0.5 * (ny - 1),
        0.5 * np.hypot(nx, ny),
        x,
        y,
        area,
    )
    return x, y, area


def _output_map(pose, offset):
    scale = 0.5 * np.hypot(*pose.shape)
    offset = np.asarray(offset, dtype=np.float64) / scale
    linear = np.linalg.inv(np.eye(2) + offset[:, 1:])
    shift = -linear @ offset[:, 0]
    # u' = a + b u + c v and the like: the pose's six functions of (u', v') written in those of (u, v).
    (b, c), (e, f) = linear
    a, d = shift
    functions = np.array(
        [
            [1, 0, 0, 0, 0, 0],
            [a, b, c, 0, 0, 0],
            [d, e, f, 0, 0, 0],
            [a * a, 2 * a * b, 2 * a * c, b * b, 2 * b * c, c * c],
            [a * d, a * e + b * d, a * f + c * d, b * e, b * f + c * e, c * f],
            [d * d, 2 * d * e, 2 * d * f, e * e, 2 * e * f, f * f],
        ]
    )
    return pose.coefficients @ functions


def warm():
    """Compile the kernel of this module."""
    frame_positions(Pose.identity((8, 8)), np.array([3.0]), np.array([3.0]))


@njit(cache=True, nogil=True)
def _invert(x_anchor, y_anchor, coefficients, x0, y0, scale, x, y, area):
    a, b = coefficients[0], coefficients[1]
    det0 = a[1] * b[2] - a[2] * b[1]
    quadratic = a[3] != 0 or a[4] != 0 or a[5] != 0 or b[3] != 0 or b[4] != 0 or b[5] != 0
    for k in range(x_anchor.size):
        dx, dy = x_anchor[k] - a[0], y_anchor[k] - b[0]
        # From the affine part alone; every place starts afresh, so that bands cannot change the result.
        u = (b[2] * dx - a[2] * dy) / det0
        v = (a[1] * dy - b[1] * dx) / det0
        det = det0
        converged = True
        if quadratic:
            converged = False
            for _ in range(NEWTON_STEPS):
                ex = dx - (a[1] * u + a[2] * v + a[3] * u * u + a[4] * u * v + a[5] * v * v)
                ey = dy - (b[1] * u + b[2] * v + b[3] * u * u + b[4] * u * v + b[5] * v * v)
                xu, xv = a[1] + 2 * a[3] * u + a[4] * v, a[2] + a[4] * u + 2 * a[5] * v
                yu, yv = b[1] + 2 * b[3] * u + b[4] * v, b[2] + b[4] * u + 2 * b[5] * v
                det = xu * yv - xv * yu
                if det == 0:
                    break
                du, dv = (yv * ex - xv * ey) / det, (xu * ey - yu * ex) / det
                u += du
                v += dv
                if abs(du) * scale < NEWTON_LAST_STEP_PX and abs(dv) * scale < NEWTON_LAST_STEP_PX:
                    converged = True
                    break
        if converged and quadratic:
            xu, xv = a[1] + 2 * a[3] * u + a[4] * v, a[2] + a[4] * u + 2 * a[5] * v
            yu, yv = b[1] + 2 * b[3] * u + b[4] * v, b[2] + b[4] * u + 2 * b[5] * v
            det = xu * yv - xv * yu
        if converged:
            x[k] = x0 + scale * u
            y[k] = y0 + scale * v
            area[k] = scale * scale / abs(det)
        else:
            x[k] = np.nan
            y[k] = np.nan
            area[k] = np.nan
