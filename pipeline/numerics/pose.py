"""The pose of a frame: where each of its pixels lies on the anchor's grid."""

from dataclasses import dataclass

import numpy as np

__all__ = ["AFFINE_TERMS", "KINDS", "PARAMETERS", "Pose", "basis", "compose"]

KINDS = ("identity", "similarity", "affine", "quadratic")
"""From the stiffest to the most pliable."""

PARAMETERS = {"identity": 0, "similarity": 4, "affine": 6, "quadratic": 12}
"""Free parameters of each kind."""

AFFINE_TERMS = 3
"""The first three of the six basis functions span the affine poses."""

NEWTON_ITERATIONS = 20
"""Upper limit; a distortion of a per cent converges in four."""

NEWTON_TOLERANCE_PX = 1e-9
"""Steps below this end the iteration: a millionth of what a centroid can tell, and well above rounding."""

COMPOSE_GRID = 12
"""Points along each axis on which a composition of quadratic poses is fitted anew."""


def basis(x, y, shape):
    """The six functions 1, u, v, u^2, uv, v^2 of a pose at frame positions, last axis; float64.

    u = (x - x0) / s, v = (y - y0) / s with (x0, y0) the centre of the frame and s half its diagonal, so that
    no function exceeds 1 on the frame whatever its size.
    """
    ny, nx = shape
    scale = 0.5 * np.hypot(nx, ny)
    u = (np.asarray(x, dtype=np.float64) - 0.5 * (nx - 1)) / scale
    v = (np.asarray(y, dtype=np.float64) - 0.5 * (ny - 1)) / scale
    return np.stack([np.ones_like(u), u, v, u * u, u * v, v * v], axis=-1)


@dataclass(frozen=True)
class Pose:
    """X = sum_k a_k phi_k(x, y), Y = sum_k b_k phi_k(x, y), with phi from :func:`basis`.

    Attributes
    ----------
    kind : one of ``KINDS``
    coefficients : (2, 6) float64, anchor pixels: rows a and b
    shape : (ny, nx) of the frame
    """

    kind: str
    coefficients: np.ndarray
    shape: tuple[int, int]

    def __post_init__(self):
        if self.kind not in KINDS:
            raise ValueError(f"kind of a pose is one of {KINDS}, got {self.kind!r}")
        coefficients = np.array(self.coefficients, dtype=np.float64)
        if coefficients.shape != (2, 6):
            raise ValueError(f"coefficients of a pose have shape (2, 6), got {coefficients.shape}")
        coefficients.flags.writeable = False
        object.__setattr__(self, "coefficients", coefficients)
        object.__setattr__(self, "shape", (int(self.shape[0]), int(self.shape[1])))

    @classmethod
    def identity(cls, shape):
        """The pose of the anchor itself."""
        return cls.from_matrix(np.eye(2, 3), shape, kind="identity")

    @classmethod
    def from_matrix(cls, matrix, shape, *, kind="affine"):
        """From (X, Y) = matrix (x, y, 1), with ``matrix`` (2, 3) in pixels."""
        matrix = np.asarray(matrix, dtype=np.float64)
        ny, nx = shape
        scale = 0.5 * np.hypot(nx, ny)
        coefficients = np.zeros((2, 6))
        coefficients[:, 0] = matrix @ (0.5 * (nx - 1), 0.5 * (ny - 1), 1.0)
        coefficients[:, 1:AFFINE_TERMS] = matrix[:, :2] * scale
        return cls(kind, coefficients, shape)

    @classmethod
    def from_row(cls, values, shape, *, kind=None):
        """From the 12 numbers a0..a5, b0..b5 of a table; without ``kind``, affine or quadratic as they say."""
        coefficients = np.asarray(values, dtype=np.float64).reshape(2, 6)
        if kind is None:
            kind = "quadratic" if np.any(coefficients[:, AFFINE_TERMS:]) else "affine"
        return cls(str(kind), coefficients, shape)

    def to_row(self):
        """(12,) float64: a0..a5, b0..b5."""
        return self.coefficients.ravel().copy()

    def matrix(self):
        """(2, 3) of (x, y, 1): the affine part about the centre of the frame, exact unless quadratic."""
        ny, nx = self.shape
        linear = self.coefficients[:, 1:AFFINE_TERMS] / (0.5 * np.hypot(nx, ny))
        shift = self.coefficients[:, 0] - linear @ (0.5 * (nx - 1), 0.5 * (ny - 1))
        return np.column_stack([linear, shift])

    def forward(self, x, y):
        """Anchor positions (X, Y) of frame positions (x, y)."""
        phi = basis(x, y, self.shape)
        return phi @ self.coefficients[0], phi @ self.coefficients[1]

    def inverse(self, x_anchor, y_anchor):
        """Frame positions (x, y) of anchor positions, by Newton's method from the affine part.

        Raises
        ------
        ValueError
            If the iteration does not converge: the pose folds the plane there.
        """
        x_anchor, y_anchor = np.broadcast_arrays(
            np.asarray(x_anchor, dtype=np.float64), np.asarray(y_anchor, dtype=np.float64)
        )
        matrix = self.matrix()
        linear = np.linalg.inv(matrix[:, :2])
        dx, dy = x_anchor - matrix[0, 2], y_anchor - matrix[1, 2]
        x = linear[0, 0] * dx + linear[0, 1] * dy
        y = linear[1, 0] * dx + linear[1, 1] * dy
        if self.kind != "quadratic":
            return x, y
        for _ in range(NEWTON_ITERATIONS):
            x_now, y_now = self.forward(x, y)
            dx, dy = x_anchor - x_now, y_anchor - y_now
            xx, xy, yx, yy = self._jacobian(x, y)
            determinant = xx * yy - xy * yx
            step_x = (yy * dx - xy * dy) / determinant
            step_y = (xx * dy - yx * dx) / determinant
            x, y = x + step_x, y + step_y
            if np.all(np.hypot(step_x, step_y) < NEWTON_TOLERANCE_PX):
                return x, y
        raise ValueError(f"the pose cannot be inverted everywhere asked for within {NEWTON_ITERATIONS} steps")

    def area_scale(self, x, y):
        """Jacobian determinant dX dY / dx dy at frame positions: anchor pixels covered by a frame pixel.

        Negative where the pose mirrors.
        """
        xx, xy, yx, yy = self._jacobian(x, y)
        return xx * yy - xy * yx

    def rotation_deg(self):
        """Angle by which the frame's x axis is turned on the anchor, from x towards y, in (-180, 180]."""
        matrix = self.matrix()
        return float(np.degrees(np.arctan2(matrix[1, 0], matrix[0, 0])))

    def scale(self):
        """Anchor pixels per frame pixel, at the centre of the frame."""
        return float(np.sqrt(abs(np.linalg.det(self.matrix()[:, :2]))))

    def _jacobian(self, x, y):
        phi = basis(x, y, self.shape)
        u, v = phi[..., 1], phi[..., 2]
        scale = 0.5 * np.hypot(*self.shape)
        (_, a1, a2, a3, a4, a5), (_, b1, b2, b3, b4, b5) = self.coefficients
        xx, xy = a1 + 2 * a3 * u + a4 * v, a2 + a4 * u + 2 * a5 * v
        yx, yy = b1 + 2 * b3 * u + b4 * v, b2 + b4 * u + 2 * b5 * v
        return xx / scale, xy / scale, yx / scale, yy / scale


def compose(outer, inner):
    """The pose that applies ``inner`` and then ``outer``.

    Exact for poses up to affine. With a quadratic one the product has terms of higher order, which a least
    squares fit on a grid over the inner frame absorbs as well as six functions can.
    """
    if "quadratic" not in (outer.kind, inner.kind):
        first, second = (np.vstack([pose.matrix(), (0.0, 0.0, 1.0)]) for pose in (inner, outer))
        kind = max(outer.kind, inner.kind, key=KINDS.index)
        return Pose.from_matrix((second @ first)[:2], inner.shape, kind=kind)
    ny, nx = inner.shape
    x, y = (axis.ravel() for axis in np.meshgrid(*(np.linspace(0, n - 1, COMPOSE_GRID) for n in (nx, ny))))
    target = np.stack(outer.forward(*inner.forward(x, y)), axis=1)
    coefficients = np.linalg.lstsq(basis(x, y, inner.shape), target, rcond=None)[0].T
    return Pose("quadratic", coefficients, inner.shape)
