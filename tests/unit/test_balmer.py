"""Hydrogen's lines as a measure of dust."""

import numpy as np
import pytest

from pipeline.numerics.balmer import balmer_ratio, colour_excess


def test_ratio_is_that_of_energy_and_noise_does_not_raise_it():
    rng = np.random.default_rng(1)
    beta = rng.uniform(0.0, 2.0, (60, 80))
    # Photons: the energy ratio 3.5 times the ratio of wavelengths (NIST, from memory).
    alpha = 3.5 * 656.28 / 486.13 * beta
    noise = 0.1
    found = balmer_ratio(
        alpha + noise * rng.normal(size=beta.shape), beta + noise * rng.normal(size=beta.shape),
        np.full(beta.shape, noise**2), np.full(beta.shape, noise**2),
    )  # fmt: skip
    # Pixels are chosen by the noisy H-beta as well, which favours those that noise raised: a percent.
    assert found == pytest.approx(3.5, rel=0.02)


def test_too_little_gas_tells_nothing():
    dark = np.zeros((20, 20))
    assert np.isnan(balmer_ratio(dark, dark, np.ones((20, 20)), np.full((20, 20), np.nan)))


def _cardelli(wavelength_um, r_v=3.1):
    """k = A / E(B - V) in the optical: Cardelli, Clayton & Mathis 1989, equations 3a and 3b (coefficients from memory)."""
    y = 1 / wavelength_um - 1.82
    a = (1.0, 0.17699, -0.50447, -0.02427, 0.72085, 0.01979, -0.77530, 0.32999)
    b = (0.0, 1.41338, 2.28305, 1.07233, -5.38434, -0.62251, 5.30260, -2.09002)
    return r_v * np.polynomial.polynomial.polyval(y, a) + np.polynomial.polynomial.polyval(y, b)


@pytest.mark.parametrize("excess", [0.0, 0.3, 1.5])
def test_dust_of_a_known_amount(excess):
    """Lines dimmed by that law; 1 %: the three digits of the difference."""
    dimmed = [10 ** (-0.4 * excess * _cardelli(wavelength)) for wavelength in (0.65628, 0.48613)]
    assert colour_excess(2.863 * dimmed[0] / dimmed[1]) == pytest.approx(excess, rel=0.01, abs=1e-9)
