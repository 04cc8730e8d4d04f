"""The radial distortion of an optical train, which all its frames share: solved once, from all of them together.

Optics displace a star at the offset (u, v) from the axis (in half diagonals, see ``pose.basis``) by
k (u^2 + v^2) (u, v): the third-order distortion of Seidel (Born & Wolf, Principles of Optics, section 5.3; from memory). Two
frames that see the sky through the same optics differ by

    g(x) = A f(x) - f(S(x)),   f(x) = (u^2 + v^2) (u, v),   S(x) = A x + b the similarity between them,

times k. Rotation commutes with f, so its cubic terms cancel and g is a quadratic polynomial as long as the scale is the
same: a pose has room for it. A frame with few stars, which alone could not tell a distortion from its noise, so gets that
of the many.
"""

from dataclasses import dataclass

import numpy as np

from pipeline.numerics.pose import AFFINE_TERMS, Pose, basis

__all__ = ["Distortion", "distorted_pose", "distortion_between", "solve_distortion"]

SIGNIFICANT = 5.0
"""Standard errors that a distortion must exceed to be believed."""

GRID = 9
"""Points along each axis on which the difference of two distortions is turned into coefficients of a pose."""


@dataclass(frozen=True)
class Distortion:
    """Displacement at half a diagonal from the middle of the field, as found, and its standard error; pixels."""

    found: float
    error: float

    @property
    def k(self):
        """The displacement to use: 0 unless it is significant."""
        return self.found if abs(self.found) > SIGNIFICANT * self.error else 0.0

    @classmethod
    def unknown(cls):
        """Of frames that do not tell."""
        return cls(0.0, np.inf)


def distortion_between(pose, x, y):
    """(n, 2) g at frame positions, for a unit displacement at half a diagonal; pixels of the target.

    Parameters
    ----------
    pose : Pose of the frame on the target, of which the affine part is used; both have the frame's shape
    x, y : (n,) frame pixels
    """
    matrix = pose.matrix()
    moved = np.column_stack([x, y]) @ matrix[:, :2].T + matrix[:, 2]
    return _radial(x, y, pose.shape) @ matrix[:, :2].T - _radial(*moved.T, pose.shape)


def solve_distortion(matches):
    """k from the matched stars of many frames; each frame's own affine pose is solved along with it.

    Parameters
    ----------
    matches : list of (pose, source, target, sigma): Pose, (n, 2) and (n, 2) positions, (n,) error of a coordinate, pixels

    Returns
    -------
    Distortion; unknown if no frame is turned or shifted against the target, so that nothing tells
    """
    weight = moment = chi2 = 0.0
    count = 0
    for pose, source, target, sigma in matches:
        if len(source) < 2 * AFFINE_TERMS:
            continue
        q, _ = np.linalg.qr(basis(*source.T, pose.shape)[:, :AFFINE_TERMS] / sigma[:, None])

        def free(values, q=q, sigma=sigma):
            """What no affine pose can explain."""
            scaled = values / sigma[:, None]
            return scaled - q @ (q.T @ scaled)

        shape, offset = free(distortion_between(pose, *source.T)), free(target)
        weight += np.sum(shape**2)
        moment += np.sum(shape * offset)
        chi2 += np.sum(offset**2)
        count += 2 * (len(source) - AFFINE_TERMS)
    if not weight > 0 or count < 2:
        return Distortion.unknown()
    k = moment / weight
    # Errors that turn out larger than stated are taken as they turn out.
    scatter = max(1.0, (chi2 - k * moment) / (count - 1))
    return Distortion(float(k), float(np.sqrt(scatter / weight)))


def distorted_pose(pose, k):
    """A pose with k g added, as a quadratic one.

    Parameters
    ----------
    pose : Pose up to affine
    k : displacement at half a diagonal, pixels
    """
    ny, nx = pose.shape
    x, y = (axis.ravel() for axis in np.meshgrid(*(np.linspace(0, n - 1, GRID) for n in (nx, ny))))
    extra = np.linalg.lstsq(basis(x, y, pose.shape), k * distortion_between(pose, x, y), rcond=None)[0].T
    return Pose("quadratic", pose.coefficients + extra, pose.shape)


def _radial(x, y, shape):
    """(n, 2) f, of length 1 at half a diagonal from the middle."""
    _, u, v, uu, _, vv = basis(x, y, shape).T
    return np.column_stack([(uu + vv) * u, (uu + vv) * v])
