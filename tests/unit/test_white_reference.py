"""The white reference: what the usual star of a field says."""

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter

from pipeline.numerics.spectrum import black_body_photons, constant_curve, in_band, typical_response
from pipeline.numerics.star_temperature import locus
from pipeline.numerics.white_reference import (
    StarColours,
    star_colours,
    white_of_class,
    white_of_ensemble,
    white_of_star,
    white_reference,
)


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


def test_white_is_the_same_on_another_night():
    """Two nights: other noise, stars 30 % wider, a third less light, redder air. Their gains agree within three of the
    errors that they state, apart from the air's own change, which is in the light.
    """
    stars, variance, valid = _field((0.7, 1.0, 0.45), seed=5)
    first = white_reference(stars, variance, valid)
    rng = np.random.default_rng(6)
    air = np.array([1.0, 0.97, 0.92])
    wider = np.stack([gaussian_filter(plane, 1.3 * np.sqrt(1.3**2 - 1)) for plane in stars])
    other = (0.66 * air[:, None, None] * wider + rng.normal(0, 0.01, stars.shape)).astype(np.float32)
    second = white_reference(other, variance, valid)
    change = second.gains / first.gains * (air / air[1]) - 1
    assert (np.abs(change) <= 3 * np.hypot(first.error, second.error) + 1e-9).all()
    assert np.abs(change).max() < 0.01


def _colours_of(temperatures_k, *, tilt=(0.0, 0.0), noise=0.01, seed=7):
    """StarColours of black bodies seen by the typical camera, shifted by ``tilt`` in ln(R / G) and ln(B / G)."""
    response, rng = typical_response(), np.random.default_rng(seed)
    light = np.log(
        [
            [in_band(lambda nm, t=t: black_body_photons(nm, t), response[c], constant_curve()) for c in "RGB"]
            for t in temperatures_k
        ]
    )
    n, error = len(temperatures_k), np.full(len(temperatures_k), noise)
    red = light[:, 0] - light[:, 1] + tilt[0] + noise * rng.normal(size=n)
    blue = light[:, 2] - light[:, 1] + tilt[1] + noise * rng.normal(size=n)
    return StarColours(np.arange(n) * 10.0, np.zeros(n), red, blue, error, error)


@pytest.fixture(scope="module")
def camera():
    response = typical_response()
    return locus([(response[c], constant_curve()) for c in "RGB"])


def test_temperature_of_the_usual_star_is_found(camera):
    white = white_of_ensemble(_colours_of(np.linspace(4000, 8000, 81)), camera)
    # Colours known to 1 % tell temperatures to some 2 %, and the grid of the locus to 1.2 %.
    assert white.temperature_k == pytest.approx(6000, rel=0.03)
    assert 0 < white.temperature_error_k < 400


@pytest.mark.parametrize("temperatures_k", [np.linspace(3200, 4500, 40), np.linspace(8000, 15000, 40)])
def test_a_class_is_white_in_a_field_without_it(camera, temperatures_k):
    """A field of red or of blue stars only: its usual star is no reference for a sunlike white, the class is."""
    colours = _colours_of(temperatures_k)
    sun = _colours_of(np.array([5778.0]), noise=0.0)
    expected = np.exp(-np.array([sun.red[0], 0.0, sun.blue[0]]))
    white = white_of_class(colours, 5778.0, camera)
    np.testing.assert_allclose(white.gains, expected, rtol=0.02)
    assert np.abs(white_of_ensemble(colours, camera).gains / expected - 1).max() > 0.1


def test_what_the_curves_do_not_tell_is_taken_from_the_stars(camera):
    """Light lost in one channel across the locus, in the filter say, is found by the stars and counts as an error too."""
    colours = _colours_of(np.linspace(4000, 9000, 60), tilt=(0.05, 0.05))
    white = white_of_class(colours, 5778.0, camera)
    sun = _colours_of(np.array([5778.0]), tilt=(0.05, 0.05), noise=0.0)
    expected = np.exp(-np.array([sun.red[0], 0.0, sun.blue[0]]))
    assert np.abs(white.gains / expected - 1).max() < 0.05
    assert white.error[0] > 0.01


def test_stars_beside_the_locus_tell_no_temperature(camera):
    colours = _colours_of(np.linspace(4000, 9000, 60), tilt=(0.6, 0.6))
    assert white_of_class(colours, 5778.0, camera) is None
    assert np.isnan(white_of_ensemble(colours, camera).temperature_k)


def test_a_star_by_its_place():
    colours = star_colours(*_field((0.7, 1.0, 0.45)))
    k = 3
    white = white_of_star(colours, colours.x[k] + 1, colours.y[k], reach_px=4.0)
    np.testing.assert_allclose(white.gains, np.exp([-colours.red[k], 0.0, -colours.blue[k]]))
    assert white.n_stars == 1 and 0 < white.error[0] < 0.1
    assert white_of_star(colours, -50.0, -50.0, reach_px=4.0) is None
