"""Colour and rendering against the standards and the colour-science package."""

import warnings

import numpy as np
import pytest

from pipeline.numerics.colour import colour_matching, line_primaries, srgb_decode, srgb_encode
from pipeline.numerics.combine_light import auto_boost, line_colour, put_together
from pipeline.numerics.starlet import denoise, noise_gains, starlet
from pipeline.numerics.stretch import find_stretch, render_for_display

with warnings.catch_warnings():
    # The package warns about its optional plotting libraries when it is imported.
    warnings.simplefilter("ignore")
    import colour as colour_science


def test_transfer_function_is_that_of_the_standard():
    """Outside check: IEC 61966-2-1 as in colour-science, and its value at middle grey."""
    linear = np.linspace(0, 1, 257)
    np.testing.assert_allclose(
        srgb_encode(linear), colour_science.models.eotf_inverse_sRGB(linear), atol=1e-9
    )
    np.testing.assert_allclose(srgb_decode(srgb_encode(linear)), linear, atol=1e-7)
    assert srgb_encode(0.214041) == pytest.approx(0.5, abs=1e-5)


def test_colour_matching_agrees_with_the_cie_1931_observer():
    """Outside check: the tabulated observer of colour-science; the fit's own stated error is about 1 % of the peak."""
    observer = colour_science.MSDS_CMFS["CIE 1931 2 Degree Standard Observer"]
    for nm in (450, 486, 501, 550, 589, 656):
        np.testing.assert_allclose(colour_matching(nm), observer[nm], atol=0.035)


def test_lines_have_the_hue_that_the_trade_expects():
    red, green, blue = line_primaries(656.28)
    assert red == 1 and green < 0.05 and blue < 0.1
    red, green, blue = line_primaries(500.68)
    assert green == 1 and 0.3 < blue < 0.9 and red < 0.05
    np.testing.assert_allclose(line_primaries(656.28, purity=0.0), 1.0)


def test_starlet_adds_up_to_the_image():
    image = np.random.default_rng(1).normal(size=(70, 90))
    details, rest = starlet(image)
    # Kept in single precision: 2^-23 of values up to 5.
    np.testing.assert_allclose(sum(details) + rest, image, atol=2e-6)


def test_noise_gains_agree_with_a_simulation():
    noise = np.random.default_rng(2).normal(size=(512, 512))
    measured = [np.std(detail[64:-64, 64:-64]) for detail in starlet(noise, 4)[0]]
    # 384^2 pixels; the coarsest detail has only (384 / 16)^2 = 576 independent ones: 3 %.
    np.testing.assert_allclose(noise_gains(4), measured, rtol=0.1)
    # First value of the B3 starlet in two dimensions as tabulated by Starck & Murtagh (from memory): 0.889.
    assert noise_gains(1)[0] == pytest.approx(0.889, abs=0.003)


def test_denoising_takes_noise_and_keeps_gas():
    rng = np.random.default_rng(3)
    y, x = np.mgrid[:128, :128]
    truth = np.exp(-0.5 * ((x - 64 - 10 * np.sin(y / 15)) / 4) ** 2)
    noisy = truth + 0.15 * rng.normal(size=truth.shape)
    clean = denoise(noisy, np.full(truth.shape, 0.15**2), sigma=3.0, sampling_sigma_px=0.0)
    away = truth < 0.01
    assert clean[away].std() < 0.35 * 0.15
    ridge = truth > 0.98
    # A filament of four pixels' width at 7 sigma a pixel: its finest detail lies in the noise, the rest is kept.
    assert clean[ridge].mean() == pytest.approx(truth[ridge].mean(), rel=0.13)
    np.testing.assert_array_equal(denoise(noisy, np.ones_like(noisy), sigma=0), noisy.astype(np.float32))


def test_boost_of_one_gives_the_base_back_and_colour_keeps_luminance():
    base, gas = np.random.default_rng(4).random((2, 3, 5, 6))
    np.testing.assert_array_equal(put_together(base, 0 * gas, recipe="sum", white=1.0, share=0.5), base)
    np.testing.assert_allclose(put_together(base, 0 * gas, recipe="screen", white=1.0, share=0.5), base)
    np.testing.assert_allclose(put_together(base, 0 * gas, recipe="mix", white=1.0, share=0.5), base)
    gains, response = np.array([1.2, 1.0, 0.8]), np.array([0.9, 0.1, 0.02])
    colour = line_colour(line_primaries(656.28), gains, response)
    luminance = np.array([0.2126, 0.7152, 0.0722])
    assert luminance @ (gains * colour) == pytest.approx(luminance @ (gains * response))


def test_automatic_boost_reaches_its_level_and_leaves_nothing_alone():
    line = np.zeros((100, 100))
    line[:50] = 2.0
    colour, gains = np.array([0.5, 0.0, 0.0]), np.ones(3)
    boost = auto_boost(line, 0.1, colour, gains, 0.01, 40.0)
    assert (boost - 1) * 2.0 * 0.5 / 3 == pytest.approx(40 * 0.01)
    assert auto_boost(0 * line, 0.1, colour, gains, 0.01, 40.0) == 1.0


def test_rendering_keeps_ratios_and_does_not_crush_the_sky():
    rng = np.random.default_rng(5)
    rgb = rng.normal(0, 0.01, (3, 200, 200))
    rgb[:, 50:60, 50:60] += np.array([4.0, 2.0, 1.0])[:, None, None]
    rgb[:, 90:120, 90:160] += np.array([0.3, 0.05, 0.05])[:, None, None]
    # Something brighter still is white; the star keeps its colour.
    rgb[:, 20:25, 20:25] += 60.0
    valid = np.ones((200, 200), dtype=bool)
    stretch = find_stretch(rgb, valid, sky_level=0.11, softening_sigma=6, white_quantile=0.9995)
    shown = render_for_display(rgb, valid, stretch)
    empty = shown[150:, :80]
    # Black is a pixel without light in any channel; single channels of a noisy pixel may touch it.
    assert np.mean(empty.max(axis=-1) <= 0.5 / 255) < 1e-3
    assert np.median(empty) == pytest.approx(0.11, abs=0.03)
    # Neutral sky: medians of the channels within one step of 255.
    assert np.ptp(np.median(empty.reshape(-1, 3), axis=0)) < 1 / 255
    star = srgb_decode(shown[55, 55])
    gas = srgb_decode(shown[100, 120])
    assert star[0] > star[1] > star[2] > 0.05
    assert gas[0] > 2 * gas[1]
    assert shown.max() <= 1.0
