"""Gentle reduction of stars."""

import numpy as np
import pytest

from pipeline.numerics.stack_stars import detect_stars
from pipeline.numerics.star_size import StarProfile, measure_profile, reduced, reduction_factor

FWHM, BETA, SIGMA = 3.2, 3.0, 0.01


@pytest.fixture(scope="module")
def field():
    """Stars of known profile over a nebula; the brightest is clipped."""
    rng = np.random.default_rng(1)
    y, x = np.mgrid[:240, :240]
    nebula = 0.3 * np.exp(-0.5 * (((x - 120) / 50) ** 2 + ((y - 120) / 40) ** 2))
    profile, image = StarProfile(FWHM, BETA), nebula.copy()
    places = [
        (30 + 45 * i + rng.uniform(-4, 4), 30 + 45 * j + rng.uniform(-4, 4))
        for i in range(5)
        for j in range(5)
    ]
    for (sx, sy), peak in zip(places, np.geomspace(0.5, 20, 25), strict=True):
        image += peak * profile((x - sx) ** 2 + (y - sy) ** 2)
    image = np.minimum(image, 12.0)
    colours = np.array([0.7, 1.0, 0.5])[:, None, None]
    noisy = colours * image + SIGMA * rng.normal(size=(3, 240, 240))
    return noisy.astype(np.float32), colours * nebula, np.array(places)


@pytest.fixture(scope="module")
def done(field):
    image = field[0]
    valid = np.ones(image.shape[1:], bool)
    stars = detect_stars(image.mean(axis=0), valid)
    profile = measure_profile(image.mean(axis=0), valid, stars)
    factor = reduction_factor(image.mean(axis=0), stars, profile, amount=0.4, noise=stars.noise)
    return profile, factor, reduced(image, stars, factor, noise=stars.noise)


def _width(plane, x, y):
    """Root of light over height, which is in proportion to the width."""
    part = plane[round(y) - 5 : round(y) + 6, round(x) - 5 : round(x) + 6].astype(float)
    return np.sqrt(part.sum() / part.max())


def test_the_profile_is_that_of_the_stars(done):
    # Fits share the pixel grid of a 3.2 px star: 2 % in width; the exponent follows from wings near the noise.
    assert done[0].fwhm_px == pytest.approx(FWHM, rel=0.02)
    assert done[0].beta == pytest.approx(BETA, rel=0.15)


def test_stars_become_smaller_and_keep_height_and_colour(field, done):
    image, nebula, places = field
    result = done[2]
    for x, y in places[10:20]:
        # amount 0.4: 0.8 of the width; the far wings, near the noise, are not followed.
        ratio = _width((result - nebula)[1], x, y) / _width((image - nebula)[1], x, y)
        assert 0.75 < ratio < 0.87
        core = (slice(None), round(y), round(x))
        np.testing.assert_allclose(result[core], image[core], rtol=0.1)
        flank = (slice(None), slice(round(y) - 3, round(y) + 4), slice(round(x) - 3, round(x) + 4))
        before, after = ((part - nebula)[flank].sum(axis=(1, 2)) for part in (image, result))
        np.testing.assert_allclose(after / after[1], before / before[1], rtol=0.02)


def test_no_dark_ring_and_no_change_of_the_nebula(field, done):
    image, nebula, places = field
    y, x = np.mgrid[:240, :240]
    for sx, sy in places:
        r = np.hypot(x - sx, y - sy)
        ring = (r > 5) & (r < 15)
        # A mean over 600 pixels; the nebula behind is known by its rim to a few percent of 0.3.
        assert (done[2] - nebula)[:, ring].mean() > -3 * SIGMA
    far = np.min([np.hypot(x - sx, y - sy) for sx, sy in places], axis=0) > 22
    np.testing.assert_allclose(done[2][:, far], image[:, far], atol=2 * SIGMA)


def test_nothing_is_done_at_amount_zero(field):
    image = field[0]
    stars = detect_stars(image.mean(axis=0), np.ones((240, 240), bool))
    factor = reduction_factor(
        image.mean(axis=0), stars, StarProfile(FWHM, BETA), amount=0.0, noise=stars.noise
    )
    np.testing.assert_array_equal(factor, 1.0)


def test_a_field_without_stars_has_no_profile():
    noise = np.random.default_rng(2).normal(size=(80, 80)).astype(np.float32)
    valid = np.ones(noise.shape, bool)
    assert measure_profile(noise, valid, detect_stars(noise, valid)) is None
