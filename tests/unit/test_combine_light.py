"""Recipes, boosts, and the variance of what they give."""

import numpy as np
import pytest

from pipeline.numerics.colour import LUMINANCE, line_primaries
from pipeline.numerics.combine_light import (
    RECIPES,
    LineStrength,
    auto_boosts,
    light_balance,
    line_colour,
    line_strength,
    put_together,
    trusted,
)

GAINS = np.array([1.2, 1.0, 0.8])
RESPONSE = np.array([0.9, 0.1, 0.02])
RED, TEAL = ((656.28, 1.0),), ((500.68, 1.0),)


@pytest.mark.parametrize("recipe", ["sum", "screen", "luminance"])
def test_without_gas_the_base_comes_back_exactly(recipe):
    base = np.random.default_rng(1).normal(0.3, 0.5, size=(3, 20, 30)).astype(np.float32)
    spread, nothing = np.full_like(base, 0.01), np.zeros_like(base)
    value, variance = put_together(
        base, spread, nothing, nothing, recipe=recipe, gains=GAINS, white=1.0, share=0.5
    )
    np.testing.assert_array_equal(value, base)
    np.testing.assert_array_equal(variance, spread)


@pytest.mark.parametrize("recipe", RECIPES)
def test_variance_agrees_with_a_simulation(recipe):
    """Monte Carlo: 4000 draws of the noise at each of twelve pixels, of which two are dark and two are white."""
    rng = np.random.default_rng(2)
    base = np.linspace(0.05, 0.8, 36).reshape(3, 12, 1)
    base[:, :2] = -0.2
    base[:, -2:] = 1.5
    colour = np.array([0.8, 0.1, 0.3])[:, None, None]
    line, line_sigma = np.linspace(0.1, 0.4, 12)[None, :, None], 0.02
    base_sigma = np.array([0.01, 0.02, 0.03])[:, None, None]
    draws = 4000
    noisy_base = base + base_sigma * rng.normal(size=(3, 12, draws))
    noisy_line = line + line_sigma * rng.normal(size=(1, 12, draws))
    if recipe == "luminance":
        # Its colour is an average over neighbours, taken as known: only the light above it is drawn.
        noisy_base = np.broadcast_to(base, (3, 12, draws))
        base_sigma = 0.0 * base_sigma
    options = {"recipe": recipe, "gains": GAINS, "white": 1.0, "share": 0.4}
    zero = np.zeros((3, 12, draws))
    samples, _ = put_together(noisy_base, zero, colour * noisy_line, zero, **options)
    _, variance = put_together(
        np.broadcast_to(base, zero.shape), np.broadcast_to(base_sigma**2, zero.shape),
        np.broadcast_to(colour * line, zero.shape), np.broadcast_to((colour * line_sigma) ** 2, zero.shape), **options,
    )  # fmt: skip
    measured = samples.astype(np.float64).var(axis=2)
    # A variance from 4000 draws has a standard error of sqrt(2 / 4000) = 2.2 %; five of them, and first order.
    np.testing.assert_allclose(variance[:, :, 0], measured, rtol=0.11, atol=1e-15)


def test_screen_fades_on_bright_stars_and_mix_weighs():
    base, gas = np.full((3, 1, 2), 0.5), np.full((3, 1, 2), 0.2)
    base[:, 0, 1] = 2.0
    zero = np.zeros_like(base)
    options = {"gains": GAINS, "white": 1.0}
    value, _ = put_together(base, zero, gas, zero, recipe="screen", share=0.0, **options)
    np.testing.assert_allclose(value[0, 0], [0.5 + 0.2 * 0.5, 2.0], rtol=1e-6)
    value, _ = put_together(base, zero, gas, zero, recipe="mix", share=0.25, **options)
    np.testing.assert_allclose(value[0, 0], [0.75 * 0.5 + 0.25 * 0.2, 0.75 * 2.0 + 0.25 * 0.2], rtol=1e-6)


def test_luminance_brightens_without_colouring():
    base = np.array([0.4, 0.2, 0.6])[:, None, None] * np.ones((3, 40, 40)) / GAINS[:, None, None]
    gas = np.array([0.5, 0.0, 0.0])[:, None, None] * np.ones((3, 40, 40))
    tiny = np.full_like(base, 1e-12)
    value, _ = put_together(base, tiny, gas, tiny, recipe="luminance", gains=GAINS, white=1.0, share=0.0)
    shown = (GAINS[:, None, None] * value)[:, 20, 20]
    np.testing.assert_allclose(shown / shown[1], [2.0, 1.0, 3.0], rtol=1e-3)
    added = LUMINANCE @ (shown - np.array([0.4, 0.2, 0.6]))
    assert added == pytest.approx(LUMINANCE[0] * GAINS[0] * 0.5, rel=1e-3)


def test_an_unknown_recipe_is_refused():
    zero = np.zeros((3, 2, 2))
    with pytest.raises(ValueError, match="recipe is one of"):
        put_together(zero, zero, zero, zero, recipe="magic", gains=GAINS, white=1.0, share=0.5)


def test_one_unit_of_boost_has_the_luminance_of_the_lines_own_share():
    colour = line_colour(line_primaries(RED), GAINS, RESPONSE)
    assert LUMINANCE @ (GAINS * colour) == pytest.approx(LUMINANCE @ (GAINS * RESPONSE))
    # On the display, that is after the white balance, it has the colour asked for.
    np.testing.assert_allclose(GAINS * colour / (GAINS * colour).max(), line_primaries(RED))


@pytest.mark.parametrize("response", [np.zeros(3), np.full(3, 1e-4)])
def test_a_line_that_the_broadband_hardly_shows_is_measured_by_its_flux(response):
    colour = line_colour(line_primaries(TEAL), GAINS, response)
    assert LUMINANCE @ (GAINS * colour) == pytest.approx(1.0)


def test_strength_of_gas_is_not_that_of_stars():
    rng = np.random.default_rng(3)
    flux = 0.1 * rng.normal(size=(160, 160))
    flux[:64] += 2.0
    flux[rng.integers(160, size=300), rng.integers(160, size=300)] += 1000.0
    strength = line_strength(flux.astype(np.float32), np.full(flux.shape, 0.01, dtype=np.float32))
    # The median of 256 pixels, of which one or two are stars, is off by a tenth of the noise at most.
    assert strength.bright == pytest.approx(2.0, abs=0.03)
    assert strength.noise == pytest.approx(0.1, rel=1e-6)
    assert strength.detected


def test_boost_reaches_its_level_and_leaves_nothing_alone():
    boosts = auto_boosts({"Ha": LineStrength(2.0, 0.02)}, {"Ha": 0.2}, noise=0.01, gas_level=40.0)
    assert (boosts["Ha"] - 1) * 2.0 * 0.2 == pytest.approx(40 * 0.01)
    boosts = auto_boosts({"Ha": LineStrength(0.01, 0.02)}, {"Ha": 0.2}, noise=0.01, gas_level=40.0)
    assert boosts["Ha"] == 1.0


def test_boost_does_not_raise_noise_instead_of_gas():
    boosts = auto_boosts({"Ha": LineStrength(0.2, 0.2)}, {"Ha": 0.2}, noise=0.01, gas_level=40.0)
    assert (boosts["Ha"] - 1) * 0.2 * 0.2 == pytest.approx(10 * 0.01)


def test_what_may_be_leakage_does_not_outshine_its_source():
    strengths = {"Ha": LineStrength(10.0, 0.02), "OIII": LineStrength(0.2, 0.02)}
    boosts = auto_boosts(strengths, {"Ha": 0.2, "OIII": 0.2}, noise=0.01, gas_level=40.0)
    assert boosts["OIII"] == boosts["Ha"]


def test_only_noisy_borders_are_faded():
    flux, variance = np.full((40, 40), 0.1), np.full((40, 40), 0.01)
    variance[:, :4] = 0.2
    flux[:2], variance[:2] = 20.0, 1.0  # bright gas: its own photons make the noise
    variance[-1] = np.nan
    faded = trusted(flux, variance)
    np.testing.assert_allclose(faded[2:-1, 4:], 0.1)
    np.testing.assert_allclose(faded[2:-1, :4], 0.1 * 2 * 0.01 / 0.2, rtol=1e-6)
    np.testing.assert_allclose(faded[:2], 20.0)
    assert (faded[-1] == 0).all()


def test_brightness_is_the_mean_of_the_balanced_channels():
    np.testing.assert_allclose(
        light_balance(GAINS) @ np.array([1.0, 2.0, 3.0]), np.mean(GAINS * [1.0, 2.0, 3.0])
    )
