"""The white reference: what the usual star of a field says."""

import numpy as np
import pytest

from pipeline.numerics.white_reference import white_reference


def _field(ratios, *, seed=1, n_stars=150, shape=(400, 400)):
    """Stars of the given median channel ratios, scattered in colour, on noise of sigma 0.01."""
    rng = np.random.default_rng(seed)
    value = rng.normal(0, 0.01, (3, *shape))
    y, x = np.mgrid[: shape[0], : shape[1]]
    for _ in range(n_stars):
        x0, y0 = rng.uniform(12, shape[1] - 12), rng.uniform(12, shape[0] - 12)
        window = (slice(int(y0) - 10, int(y0) + 11), slice(int(x0) - 10, int(x0) + 11))
        profile = np.exp(-0.5 * ((x[window] - x0) ** 2 + (y[window] - y0) ** 2) / 1.3**2)
        warmth = rng.normal(0, 0.15)
        for channel, tilt in enumerate((1.0, 0.0, -1.0)):
            value[channel][window] += 3.0 * ratios[channel] * np.exp(tilt * warmth) * profile
    return value.astype(np.float32), np.full(value.shape, 1e-4, np.float32), np.ones(value.shape, bool)


def test_the_usual_star_becomes_white():
    ratios = np.array([0.7, 1.0, 0.45])
    white = white_reference(*_field(ratios))
    assert white.n_stars > 40
    expected = ratios[1] / ratios
    # Within four of its own errors, which are small: colours scatter by 0.15 among some 100 stars.
    assert (np.abs(white.gains / expected - 1) <= 4 * white.error + 1e-3).all()
    assert 0.005 < white.error[0] < 0.04 and white.error[1] == 0


def test_two_stars_say_nothing():
    white = white_reference(*_field((1, 1, 1), n_stars=2))
    assert white.n_stars == 0
    np.testing.assert_array_equal(white.gains, 1.0)


def test_an_empty_field_says_nothing():
    value = np.random.default_rng(2).normal(0, 0.01, (3, 100, 100)).astype(np.float32)
    assert white_reference(value, np.full_like(value, 1e-4), np.ones(value.shape, bool)).n_stars == 0


@pytest.mark.parametrize("seed", [3, 4])
def test_clipped_stars_do_not_count(seed):
    value, variance, valid = _field((0.7, 1.0, 0.45), seed=seed)
    clipped = value > 1.2
    value[clipped] = 1.2
    valid &= ~clipped
    white = white_reference(value, variance, valid)
    # Stars whose core has no value are left out rather than called blue; here few or none remain.
    assert white.n_stars == 0 or white.gains[0] == pytest.approx(1 / 0.7, rel=0.1)
