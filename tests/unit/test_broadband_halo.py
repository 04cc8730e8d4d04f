"""Discs round bright stars of the broadband: taken off where they are; the stars' own glow, gas and dust stay."""

import numpy as np
import pytest
from scipy import ndimage

from pipeline.bundles import LinearImage
from pipeline.numerics.broadband_halo import remove_reflections
from pipeline.numerics.stack_stars import StackStars

SHAPE = (420, 560)
FWHM, BETA = 3.4, 3.0
NOISE = 0.02
RADIUS = 28.0
SHARES = (0.012, 0.010, 0.006)
"""Of a star's light, by channel: coated glass sends back about a percent (common practice, no source), and less of one
colour than of another."""
AUREOLE = 2e-4
"""Brightness of a glow r^-2 at 1 px over the star's light: King 1971 (PASP 83, 199; from memory) found such a one beyond
a minute of arc."""


def scene(*, disc=True, hole=0.0, dust=0.03, cloud_px=12, shoulder=0.0, seed=1):
    """Image, stars, and the image without discs; ``dust`` is the scatter of its clouds."""
    rng = np.random.default_rng(seed)
    ny, nx = SHAPE
    y, x = np.mgrid[:ny, :nx]
    base = np.zeros(SHAPE)
    if dust:
        # Clouds of the size of the discs, a slope, and a ridge with sharp sides through the brightest star.
        clouds = ndimage.gaussian_filter(rng.normal(size=SHAPE), cloud_px)
        base += dust * clouds / clouds.std() + 0.0003 * x
        base += 0.15 * (np.abs(y - 210 - 0.4 * (x - 280)) < 18)
    n = 40
    px, py = rng.uniform(20, nx - 20, n), rng.uniform(20, ny - 20, n)
    px[0], py[0] = 280.0, 210.0
    light = 9000.0 * rng.uniform(0.001, 0.3, n) ** 1.5
    light[:4] = 20000.0, 14000.0, 9000.0, 6000.0
    alpha = FWHM / (2 * np.sqrt(2 ** (1 / BETA) - 1))
    truth, haloes = np.repeat(base[None], 3, axis=0), np.zeros((3, *SHAPE))
    for sx, sy, flux in zip(px, py, light, strict=True):
        r = np.hypot(x - sx, y - sy)
        star = (BETA - 1) / (np.pi * alpha**2) * (1 + (r / alpha) ** 2) ** -BETA + AUREOLE / (r**2 + 25)
        # Light that falls off faster than any power of the distance: the wings' model does not hold it.
        star += shoulder / (2 * np.pi * 4.0**2) * np.exp(-(r**2) / (2 * 4.0**2))
        rim = np.clip((RADIUS - r) / 3.0 + 0.5, 0, 1) - np.clip((hole * RADIUS - r) / 3.0 + 0.5, 0, 1)
        for c, (tint, share) in enumerate(zip((0.8, 1.0, 1.1), SHARES, strict=True)):
            truth[c] += tint * flux * star
            if disc:
                haloes[c] += tint * flux * share / (np.pi * RADIUS**2) * rim
    value = (truth + haloes + rng.normal(0, NOISE, truth.shape)).astype(np.float32)
    image = LinearImage(value, np.full(value.shape, NOISE**2, np.float32), np.ones_like(value))
    order, one = np.argsort(-light), np.ones(n)
    stars = StackStars(px[order], py[order], light[order], light[order] / 20, FWHM * one, one, FWHM, NOISE)
    return image, stars, truth


def excess(error, stars, index, inner, outer):
    """Median of an annulus inside the rim minus that of one outside it, by channel."""
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]]
    r = np.hypot(x - stars.x[index], y - stars.y[index])
    rings = ((r > a) & (r < b) for a, b in (inner, outer))
    inside, outside = (np.median(error[:, ring], axis=1) for ring in rings)
    return inside - outside


@pytest.mark.parametrize("hole", [0.0, 0.4])
def test_discs_go_and_glow_stays(hole):
    image, stars, truth = scene(hole=hole)
    clean, haloes, models = remove_reflections(image, stars, FWHM)
    np.testing.assert_allclose(clean.value + haloes, image.value, atol=1e-3)
    assert (clean.variance >= image.variance).all() and (clean.variance > image.variance).any()
    for index in range(3):
        rings = (16.0, 25.0), (32.0, 40.0)
        before, after = (excess(v - truth, stars, index, *rings) for v in (image.value, clean.value))
        # A third: what is left is below the noise of a pixel, for clouds of dust move the steps of all stars a little.
        assert (np.abs(after) < np.maximum(0.33 * np.abs(before), 0.005)).all()
        # Close to the star, where a rim of a hole is lost in its glow, a percent or two of the glow is at stake.
        close = (5.0, 9.0), (32.0, 40.0)
        glow = excess(truth, stars, index, *close)
        assert (np.abs(excess(clean.value - truth, stars, index, *close)) < 0.03 * glow).all()
    # The discs' light by channel; the share of a disc is that of the star's whole light, of which an aperture has 97 %.
    for model, share in zip(models, SHARES, strict=True):
        widest = max(model.discs, key=lambda disc: disc.radius_px)
        assert widest.radius_px == pytest.approx(RADIUS, abs=1.0)
        assert widest.light_share == pytest.approx(share, rel=0.25)


def test_wings_that_are_no_powers_do_not_hide_a_rim_further_out():
    image, stars, _ = scene(dust=0.01, shoulder=0.15)
    _, haloes, models = remove_reflections(image, stars, FWHM)
    assert haloes is not None
    for model in models:
        assert max(disc.radius_px for disc in model.discs) == pytest.approx(RADIUS, abs=1.0)


@pytest.mark.parametrize("seed", range(4))
def test_stars_on_dust_and_ridges_keep_all_their_light(seed):
    image, stars, _ = scene(disc=False, dust=0.1, cloud_px=8 + 3 * seed, seed=seed)
    clean, haloes, _ = remove_reflections(image, stars, FWHM)
    assert haloes is None
    assert clean is image


def test_a_bubble_of_gas_about_one_star_stays():
    image, stars, _ = scene(disc=False, dust=0.0)
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]]
    image.value[:] += (0.3 * (np.hypot(x - stars.x[0], y - stars.y[0]) < 28)).astype(np.float32)
    assert remove_reflections(image, stars, FWHM)[1] is None


def test_images_without_stars_or_data():
    image, stars, _ = scene()
    none = StackStars(*[np.zeros(0)] * 6, np.nan, NOISE)
    assert remove_reflections(image, none, FWHM)[1] is None
    unknown = LinearImage(image.value, image.variance, np.zeros_like(image.value))
    assert remove_reflections(unknown, stars, FWHM)[1] is None
