"""A distortion that all frames share, found from many and used for one with few stars."""

import numpy as np
import pytest
from skimage.transform import PolynomialTransform

from pipeline.numerics.pose import Pose
from pipeline.numerics.registration import Limits, StarList, register
from pipeline.numerics.shared_distortion import distorted_pose, distortion_between, solve_distortion

SHAPE = (1000, 1500)
CENTRE = np.array([749.5, 499.5])
HALF_DIAGONAL = 0.5 * np.hypot(*SHAPE)
K = 5.0
"""Displacement at the corners, pixels."""


def bent(xy):
    """Where the optics put what belongs at ``xy``: written anew here."""
    offset = (xy - CENTRE) / HALF_DIAGONAL
    return xy - K * (offset**2).sum(axis=1, keepdims=True) * offset


def similarity(degrees, shift):
    angle = np.radians(degrees)
    matrix = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    return Pose.from_matrix(
        np.column_stack([matrix, CENTRE + shift - matrix @ CENTRE]), SHAPE, kind="similarity"
    )


def pair(degrees, shift, count, rng, error=0.05):
    """Stars of a frame and of the reference, both bent by the same optics."""
    truth = similarity(degrees, shift)
    ideal = rng.uniform((0, 0), SHAPE[::-1], (count, 2))
    return truth, *(
        bent(xy) + rng.normal(0, error, xy.shape) for xy in (ideal, np.column_stack(truth.forward(*ideal.T)))
    )


def test_it_is_found_from_shifted_and_turned_frames():
    rng = np.random.default_rng(1)
    matches = []
    for degrees, shift in ((0.0, (300, 0)), (0.3, (-120, 200)), (180.0, (60, -90))):
        truth, source, target = pair(degrees, shift, 150, rng)
        matches.append((truth, source, target, np.full(150, 0.07)))
    solved = solve_distortion(matches)
    # Second order in the displacement: 5 px over 900 of 5 px.
    assert solved.k == pytest.approx(K, abs=4 * solved.error + 0.05)
    assert solved.error < 0.1


def test_frames_that_lie_alike_tell_nothing():
    rng = np.random.default_rng(2)
    truth, source, target = pair(0.0, (0.0, 0.0), 200, rng)
    assert solve_distortion([(truth, source, target, np.full(200, 0.07))]).k == 0.0
    assert solve_distortion([]).k == 0.0
    truth, source, _ = pair(0.0, (200.0, 0.0), 200, rng)
    plain = np.column_stack(truth.forward(*source.T)) + rng.normal(0, 0.07, source.shape)
    assert solve_distortion([(truth, source, plain, np.full(200, 0.07))]).k == 0.0, "noise is no distortion"


def test_the_pose_of_two_frames_of_one_optics_is_quadratic():
    """Against a polynomial of second order that scikit-image fits to the noiseless places of stars."""
    rng = np.random.default_rng(3)
    truth, source, target = pair(0.4, (250, -150), 400, rng, error=0.0)
    ours = distorted_pose(truth, K)
    other = PolynomialTransform.from_estimate(source, target, order=2)
    difference = np.column_stack(ours.forward(*source.T)) - other(source)
    # What is left is of second order in the distortion, 0.03 px, and partly taken up by the free fit.
    assert np.hypot(*difference.T).max() < 0.05
    corner = distortion_between(similarity(0.0, (250, 0)), np.array([1400.0]), np.array([900.0]))
    assert np.hypot(*corner[0]) > 0.3, "of a shift, the distortion leaves a good part"


def test_a_frame_with_few_stars_gets_the_distortion_of_the_others():
    rng = np.random.default_rng(4)
    limits = Limits(min_matched=6, max_residual_px=2.0, min_coverage=0.3, max_scale_difference=0.01)
    truth, source, target = pair(0.2, (330, 120), 60, rng)
    seen = ((target > 0) & (target < SHAPE[::-1])).all(axis=1)
    source, target = source[seen][:13], target[seen][:13]
    lists = StarList(source, np.full(13, 0.05)), StarList(target, np.full(13, 0.05))
    places = np.random.default_rng(5).uniform((0, 0), SHAPE[::-1], (500, 2))
    expected = bent(np.column_stack(truth.forward(*places.T)))
    errors = []
    for k in (0.0, K):
        found, problem = register(*lists, SHAPE, limits, random_seed=1, distortion=k)
        assert problem == ""
        moved = np.column_stack(found.pose.forward(*bent(places).T))
        inside = ((expected > 0) & (expected < SHAPE[::-1])).all(axis=1)
        errors.append(np.hypot(*(moved - expected)[inside].T).max())
    assert errors[1] < 0.5 * errors[0] and errors[1] < 0.2
