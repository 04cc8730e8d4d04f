"""The tone curve: ratios, sky, highlights."""

import numpy as np
import pytest

from pipeline.numerics.colour import srgb_decode
from pipeline.numerics.stretch import BAND_ROWS, KEPT_COLOUR, Stretch, find_stretch, render_for_display

OPTIONS = {"sky_level": 0.11, "softening_sigma": 12.0, "white_quantile": 0.9995}
STEP = 1 / 255
"""One level of an 8-bit display."""


@pytest.fixture(scope="module")
def noisy():
    """Field of noise about a coloured sky, nebula over 70 % of it, one star, one patch of gas."""
    rng = np.random.default_rng(5)
    rgb = rng.normal(0, 0.01, (3, 320, 320)) + np.array([0.05, -0.02, 0.01])[:, None, None]
    rgb[:, :224] += np.array([0.3, 0.1, 0.1])[:, None, None] * np.linspace(2, 0, 224)[:, None]
    rgb[:, 50:60, 50:60] += np.array([4.0, 2.0, 1.0])[:, None, None]
    rgb[:, 20:30, 20:30] += 60.0
    return rgb.astype(np.float32)


@pytest.fixture(scope="module")
def shown(noisy):
    valid = np.ones(noisy.shape[1:], dtype=bool)
    stretch = find_stretch(noisy, valid, **OPTIONS)
    return stretch, render_for_display(noisy, valid, stretch)


def test_ratios_of_the_light_above_the_sky_stay():
    """Lupton et al. 2004: what the curve does to the brightness it does to each channel."""
    rgb = np.array([0.5, 0.3, 0.1])[:, None, None] * np.geomspace(0.1, 10, 50)[None, None, :]
    stretch = Stretch(np.zeros(3), 0.01, 0.1, 50.0, 0.11)
    light = srgb_decode(render_for_display(rgb, np.ones((1, 50), bool), stretch)) - srgb_decode(0.11)
    # Brightest here is a red of 0.7; nothing had to be drawn towards grey. Colours below 20 sigma are averaged with
    # their neighbours, of the same ratio but other brightness, and left out.
    np.testing.assert_allclose(light[0, 20:, 0] / light[0, 20:, 2], 5.0, rtol=2e-3)
    np.testing.assert_allclose(light[0, 20:, 1] / light[0, 20:, 2], 3.0, rtol=2e-3)
    assert (np.diff(light[0], axis=0) > 0).all()


def test_sky_is_neutral_at_its_level_despite_nebula(shown):
    stretch, display = shown
    np.testing.assert_allclose(
        stretch.sky, [0.05, -0.02, 0.01], atol=0.002
    )  # a fifth of the noise of a pixel
    # Mean of three channels of sigma 0.01; MAD of 256 pixels in some 80 blocks: 1 %, and the median's own loss.
    assert stretch.sigma == pytest.approx(0.01 / np.sqrt(3), rel=0.06)
    empty = np.median(display[260:].reshape(-1, 3), axis=0)
    np.testing.assert_allclose(empty, 0.11, atol=STEP)
    assert np.ptp(empty) < 0.5 * STEP


def test_sky_is_not_crushed_to_black(shown):
    _, display = shown
    assert np.mean(display.max(axis=-1) < 0.5 * STEP) < 1e-3
    assert np.mean(display.min(axis=-1) < 0.5 * STEP) < 5e-3  # single channels reach it a little sooner


def test_white_is_white_and_a_star_keeps_its_colour(shown):
    _, display = shown
    # A neutral star, but for the noise of the channels, of which bright pixels keep a third.
    np.testing.assert_allclose(display[22, 22], 1.0, atol=0.5 * STEP)
    red, green, blue = display[55, 55]
    assert red > green + 0.05 and green > blue + 0.05
    assert display.max() <= 1.0 and display.min() >= 0.0


def test_light_beyond_the_display_is_desaturated_without_changing_hue():
    rgb = np.array([1.0, 0.1, 0.3])[:, None, None] * np.geomspace(0.3, 300, 40)[None, None, :]
    stretch = Stretch(np.zeros(3), 0.01, 0.1, 50.0, 0.11)
    display = srgb_decode(render_for_display(rgb, np.ones((1, 40), bool), stretch))[0]
    assert (display[:, 0] >= display[:, 2]).all() and (display[:, 2] >= display[:, 1]).all()
    departure = display - display.mean(axis=1, keepdims=True)
    coloured = departure[:, 0] > 0.02
    assert coloured.sum() > 10
    # Hue: the second channel's share of the departure from grey, the same for all, to the encoding's rounding.
    share = departure[coloured, 2] / departure[coloured, 0]
    np.testing.assert_allclose(share, share[0], atol=2e-3)
    # The core keeps KEPT_COLOUR of its saturation, and no channel is clipped on the way.
    full, kept = rgb[:, 0, -1] / rgb[:, 0, -1].mean() - 1, display[-1] / display[-1].mean() - 1
    # Colour belongs to the light above the sky, which is the white less what the sky's own level takes.
    np.testing.assert_allclose(kept / full, KEPT_COLOUR * (1 - srgb_decode(0.11)), rtol=1e-3)
    assert display.max() == pytest.approx(1.0, abs=1e-6)
    assert (np.diff(display.mean(axis=1)[:20]) > 0).all()


def test_saturation_zero_is_grey(noisy):
    valid = np.ones(noisy.shape[1:], dtype=bool)
    display = render_for_display(noisy, valid, find_stretch(noisy, valid, **OPTIONS), saturation=0.0)
    assert np.ptp(display, axis=-1).max() < 1e-6


def test_faint_colour_noise_is_calmed_and_stars_give_no_colour_away():
    rng = np.random.default_rng(7)
    rgb = rng.normal(0, 0.01, (3, 64, 64)).astype(np.float32)
    rgb[:, 30:34, 30:34] += np.array([30.0, 3.0, 3.0])[:, None, None]
    stretch = Stretch(np.zeros(3), 0.006, 0.06, 50.0, 0.11)
    display = render_for_display(rgb, np.ones((64, 64), bool), stretch)
    red = display[..., 0] - display[..., 1]
    around = np.zeros((64, 64), bool)
    around[27:37, 27:37] = True
    around[30:34, 30:34] = False
    # Next to a star of 5000 sigma: at most one level of a colour cast.
    assert abs(np.median(red[around])) < STEP
    # Three-dimensional noise of a pixel would be 2.4 times as large as that of its brightness.
    assert red[:20].std() < display[:20].mean(axis=-1).std()


def test_bands_of_rows_join_without_a_seam():
    rng = np.random.default_rng(8)
    rgb = rng.normal(0, 0.01, (3, BAND_ROWS + 40, 24)).astype(np.float32)
    valid = np.ones(rgb.shape[1:], bool)
    stretch = Stretch(np.zeros(3), 0.006, 0.06, 5.0, 0.11)
    whole = render_for_display(rgb, valid, stretch)
    start = BAND_ROWS - 20
    part = render_for_display(rgb[:, start:], valid[start:], stretch)
    np.testing.assert_array_equal(whole[start + 10 :], part[10:])


def test_uncovered_pixels_show_the_sky():
    rgb = np.random.default_rng(9).normal(0, 0.01, (3, 64, 64))
    valid = np.ones((64, 64), bool)
    valid[:8], rgb[:, :8] = False, np.nan
    display = render_for_display(rgb, valid, find_stretch(rgb, valid, **OPTIONS))
    np.testing.assert_allclose(display[:6], 0.11, atol=2 * STEP)
    assert np.isfinite(display).all()


@pytest.mark.parametrize("rgb", [np.zeros((3, 40, 40)), np.ones((3, 3, 3))])
def test_fields_without_noise_or_size_are_shown_too(rgb):
    valid = np.ones(rgb.shape[1:], bool)
    display = render_for_display(rgb, valid, find_stretch(rgb, valid, **OPTIONS))
    np.testing.assert_allclose(display, 0.11, atol=STEP)


def test_nothing_covered_is_no_error():
    valid = np.zeros((10, 10), bool)
    stretch = find_stretch(np.zeros((3, 10, 10)), valid, **OPTIONS)
    np.testing.assert_allclose(render_for_display(np.zeros((3, 10, 10)), valid, stretch), 0.11, atol=STEP)
