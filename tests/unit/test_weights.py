"""Weights of frames."""

import numpy as np
import pytest

from pipeline.numerics.weights import frame_weight


def test_weights_give_the_least_variance_of_all_weights():
    """Two frames of one signal: no other pair of weights does better (Cramer-Rao for a mean: 1 / sum 1/V)."""
    scale, variance = np.array([1.0, 1.6]), np.array([4.0, 3.0])
    scaled = scale**2 * variance
    weights = frame_weight(scale, variance)
    ours = (weights**2 * scaled).sum() / weights.sum() ** 2
    np.testing.assert_allclose(ours, 1 / (1 / scaled).sum(), rtol=1e-12)
    for other in np.linspace(0.01, 0.99, 99):
        assert ours <= (other**2 * scaled[0] + (1 - other) ** 2 * scaled[1]) * (1 + 1e-12)


def test_worked_case():
    # A frame at half the transparency (scale 2) under the same sky has a quarter of the weight; a third of
    # the noise gives nine times the weight.
    assert frame_weight(2.0, 1.0) == pytest.approx(0.25 * frame_weight(1.0, 1.0), rel=1e-12)
    assert frame_weight(1.0, 1.0 / 9) == pytest.approx(9.0, rel=1e-12)


def test_point_objective_counts_the_area_of_the_seeing():
    sharp, soft = frame_weight(1.0, 1.0, objective="point", fwhm_px=np.array([2.0, 3.0]))
    assert sharp / soft == pytest.approx(9 / 4, rel=1e-12)
    with pytest.raises(ValueError, match="seeing"):
        frame_weight(1.0, 1.0, objective="point")


def test_larger_frame_pixels_weigh_more_per_anchor_pixel():
    assert frame_weight(1.0, 1.0, area_scale=1.21) == pytest.approx(1.21, rel=1e-12)


@pytest.mark.parametrize(("scale", "variance"), [(np.nan, 1.0), (1.0, np.nan), (1.0, 0.0), (1.0, -1.0)])
def test_what_is_unknown_weighs_nothing(scale, variance):
    assert frame_weight(scale, variance) == 0.0


def test_unknown_objective_is_refused():
    with pytest.raises(ValueError, match="sharp"):
        frame_weight(1.0, 1.0, objective="sharp")
