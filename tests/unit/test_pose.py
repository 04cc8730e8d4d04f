"""Poses: their rows, their inverse, their composition."""

import numpy as np
import pytest

from pipeline.numerics.pose import Pose, basis, compose

SHAPE = (960, 1280)
ROUNDING_PX = 1e-8
"""Double precision on coordinates of a thousand pixels, with room for a dozen operations."""


def bent(strength):
    """A pose with a quadratic distortion of ``strength`` px at half the diagonal."""
    pose = Pose.from_matrix([[0.9, -0.42, 30.0], [0.42, 0.9, -55.0]], SHAPE)
    coefficients = pose.coefficients.copy()
    coefficients[:, 3:] = strength * np.array([[1.0, -0.5, 0.3], [0.2, 0.8, -1.0]])
    return Pose("quadratic", coefficients, SHAPE)


def points(n=200, seed=3):
    rng = np.random.default_rng(seed)
    return rng.uniform(0, SHAPE[1] - 1, n), rng.uniform(0, SHAPE[0] - 1, n)


def test_basis_is_normalised_to_the_frame():
    phi = basis([639.5, 0.0, 1279.0], [479.5, 0.0, 959.0], SHAPE)
    np.testing.assert_allclose(phi[0], [1, 0, 0, 0, 0, 0], atol=1e-15)
    assert np.abs(phi).max() <= 1.0
    # The corner lies half a pixel short of half the diagonal on both axes.
    assert np.hypot(phi[1, 1], phi[1, 2]) == pytest.approx(1.0, abs=1e-3)


def test_matrix_and_row_give_the_same_pose_back():
    matrix = np.array([[0.99, -0.1, 12.5], [0.1, 0.99, -7.25]])
    pose = Pose.from_matrix(matrix, SHAPE)
    np.testing.assert_allclose(pose.matrix(), matrix, rtol=0, atol=1e-10)
    again = Pose.from_row(pose.to_row(), SHAPE)
    assert again.kind == "affine"
    np.testing.assert_array_equal(again.coefficients, pose.coefficients)
    x, y = points()
    np.testing.assert_allclose(pose.forward(x, y), matrix @ [x, y, np.ones_like(x)], rtol=0, atol=ROUNDING_PX)


@pytest.mark.parametrize(
    "pose", [Pose.identity(SHAPE), Pose.from_matrix([[-1, 0.01, 1300], [-0.01, -1, 970]], SHAPE), bent(8.0)]
)
def test_inverse_undoes_forward(pose):
    x, y = points()
    back = pose.inverse(*pose.forward(x, y))
    np.testing.assert_allclose(back, [x, y], rtol=0, atol=ROUNDING_PX)


def test_inverse_refuses_a_folded_pose():
    with pytest.raises(ValueError, match="cannot be inverted"):
        bent(2000.0).inverse(*points())


def test_identity_moves_nothing():
    x, y = points()
    np.testing.assert_allclose(Pose.identity(SHAPE).forward(x, y), [x, y], rtol=0, atol=ROUNDING_PX)


def test_area_scale_is_the_derivative():
    pose, (x, y), h = bent(8.0), points(), 1e-3
    right, left = np.array(pose.forward(x + h, y)), np.array(pose.forward(x - h, y))
    below, above = np.array(pose.forward(x, y + h)), np.array(pose.forward(x, y - h))
    ddx, ddy = (right - left) / (2 * h), (below - above) / (2 * h)
    # Central differences of a quadratic are exact but for rounding: 1e-13 x 1e3 px / 1e-3 px.
    np.testing.assert_allclose(pose.area_scale(x, y), ddx[0] * ddy[1] - ddx[1] * ddy[0], atol=1e-8)
    assert (Pose.from_matrix([[1, 0, 0], [0, -1, 959]], SHAPE).area_scale(x, y) < 0).all()


def test_rotation_and_scale():
    angle = np.radians(-160.0)
    turn = 1.02 * np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    pose = Pose.from_matrix(np.column_stack([turn, [5, 6]]), SHAPE)
    assert pose.rotation_deg() == pytest.approx(-160.0)
    assert pose.scale() == pytest.approx(1.02)


def test_composition_of_affine_poses_is_exact():
    one, two = (
        Pose.from_matrix([[0.9, 0.1, 3], [-0.1, 0.95, 8]], SHAPE),
        Pose.from_matrix([[-1, 0, 1279], [0, -1, 959]], SHAPE),
    )
    x, y = points()
    np.testing.assert_allclose(
        compose(two, one).forward(x, y), two.forward(*one.forward(x, y)), rtol=0, atol=ROUNDING_PX
    )


def test_composition_with_a_quadratic_pose_is_close():
    x, y = points()
    made = compose(bent(2.0), Pose.from_matrix([[0.99, 0.02, 3], [-0.02, 0.99, 8]], SHAPE))
    expected = bent(2.0).forward(*Pose.from_matrix([[0.99, 0.02, 3], [-0.02, 0.99, 8]], SHAPE).forward(x, y))
    # A quadratic of an affine map is a quadratic: only the fit's rounding is left.
    np.testing.assert_allclose(made.forward(x, y), expected, rtol=0, atol=1e-7)


def test_wrong_arguments_are_named():
    with pytest.raises(ValueError, match="kind of a pose"):
        Pose("projective", np.zeros((2, 6)), SHAPE)
    with pytest.raises(ValueError, match="shape"):
        Pose("affine", np.zeros(12), SHAPE)
