"""Stars found on the mean of the channels: a slope and a bend of the sky change neither them nor the noise."""

import numpy as np
import pytest

from pipeline.numerics.levelled_stars import stars_of

SHAPE = (300, 400)
NOISE = 0.01


def _field(*, rise, seed):
    """(3, ny, nx) Gaussian stars of sigma 1.5 px on a sky that rises by ``rise`` over half the width, and bends."""
    rng = np.random.default_rng(seed)
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]]
    image = rng.normal(0, NOISE, (3, *SHAPE))
    u, v = x / SHAPE[1] * 2 - 1, y / SHAPE[0] * 2 - 1
    image += rise * (u + 0.5 * v + 0.3 * u**2)
    for _ in range(80):
        x0, y0, peak = rng.uniform(10, SHAPE[1] - 10), rng.uniform(10, SHAPE[0] - 10), rng.uniform(0.2, 3.0)
        image += peak * np.exp(-0.5 * ((x - x0) ** 2 + (y - y0) ** 2) / 1.5**2)
    return image.astype(np.float32), np.ones(image.shape, bool)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_sky_of_any_slope_has_the_same_stars_and_noise(seed):
    level, valid = _field(rise=0.0, seed=seed)
    steep, _ = _field(rise=2.0, seed=seed)
    expected, stars = (stars_of(image, valid) for image in (level, steep))
    # The slope, left in, doubles the noise that detection sees. Of the surface, nothing but its rounding stays.
    assert stars.noise == pytest.approx(expected.noise, rel=0.01)
    assert len(stars) == pytest.approx(len(expected), abs=1)
    bright = expected.flux > 50 * expected.noise
    distance = np.hypot(expected.x[bright, None] - stars.x, expected.y[bright, None] - stars.y).min(axis=1)
    # A star that is 50 sigma bright is placed to some hundredths of a pixel; the slope must move it by less.
    assert distance.max() < 0.02
