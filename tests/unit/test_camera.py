"""Noise model and photon transfer, against simulated cameras and EMVA 1288's relations."""

import numpy as np
import pytest

from pipeline.numerics.camera import NoiseModel
from pipeline.numerics.photon_transfer import QUANTISATION_ADU2, photon_transfer_gain, read_noise_adu
from tests.unit.raw_frames import GAIN_E, OFFSET_ADU, READ_NOISE_E, exposure

SHAPE = (512, 512)
"""256 blocks of 1024 pixels: a variance is then known to sqrt(2 / 262144) = 0.3 %."""


@pytest.fixture
def rng():
    return np.random.default_rng(11)


def pair(rng, electrons, second=1.0):
    return [exposure(rng, level, pattern="mono", shape=SHAPE) for level in (electrons, electrons * second)]


def test_read_noise_from_a_pair_without_light(rng):
    """EMVA 1288: the dark variance is K^2 sigma_d^2 + sigma_q^2; within 3 standard errors of 262144 pixels."""
    expected = np.sqrt((READ_NOISE_E / GAIN_E) ** 2 + QUANTISATION_ADU2)
    frames = pair(rng, 0)
    assert read_noise_adu(*frames) == pytest.approx(expected, rel=3 / np.sqrt(2 * frames[0].size))
    frames[0][::40, ::40] = 60000
    assert read_noise_adu(*frames) == pytest.approx(expected, rel=3 / np.sqrt(2 * frames[0].size)), (
        "hits do not count"
    )


@pytest.mark.parametrize(("electrons", "fade"), [(20000, 1.0), (20000, 0.77), (3000, 0.9), (400, 1.0)])
def test_gain_from_a_pair_of_flats(rng, electrons, fade):
    """Within 2 %: six standard errors of 256 blocks, and what the median of blocks adds."""
    vignetting = (
        1 - 0.4 * np.hypot(*np.meshgrid(np.linspace(-0.7, 0.7, 512), np.linspace(-0.7, 0.7, 512))) ** 2
    )
    response = rng.normal(1, 0.01, SHAPE)
    frames = pair(rng, electrons * vignetting * response, second=fade)
    noise = np.sqrt((READ_NOISE_E / GAIN_E) ** 2 + QUANTISATION_ADU2)
    assert photon_transfer_gain(*frames, OFFSET_ADU, read_noise=noise) == pytest.approx(GAIN_E, rel=0.02)


def test_the_photon_transfer_line_has_the_slope_k(rng):
    """EMVA 1288 (from memory): sigma_y^2 - sigma_y.dark^2 = K (mu_y - mu_y.dark), K = 1 / g; 1 % is three
    standard errors of the variance of each of the five points.
    """
    dark = pair(rng, 0)
    means, variances = [], []
    for electrons in (500, 2000, 8000, 16000, 30000):
        first, second = (f.astype(float) for f in pair(rng, electrons))
        means.append((first.mean() + second.mean()) / 2 - np.mean(dark))
        variances.append((first - second).var() / 2 - (dark[0].astype(float) - dark[1]).var() / 2)
    slope = np.polyfit(means, variances, 1)[0]
    assert slope == pytest.approx(1 / GAIN_E, rel=0.01)
    frames = pair(rng, 16000)
    ours = photon_transfer_gain(*frames, OFFSET_ADU, read_noise=read_noise_adu(*dark))
    assert ours == pytest.approx(1 / slope, rel=0.015)


def test_no_gain_from_frames_too_small_or_without_light(rng):
    assert np.isnan(photon_transfer_gain(*pair(rng, 0), OFFSET_ADU + 100))
    small = [exposure(rng, 5000, pattern="mono", shape=(64, 64)) for _ in range(2)]
    assert np.isnan(photon_transfer_gain(*small, OFFSET_ADU))


def test_variance_is_that_of_simulated_exposures(rng):
    """10^6 pixels: the variance is known to 0.14 %; 1 % leaves room for rounding to whole ADU."""
    exposure_s, thermal, flat = 60.0, 30.0, 0.7
    raw = exposure(rng, 500 * flat, pattern="mono", shape=(1000, 1000), thermal=thermal)
    rate = (raw.astype(float) - OFFSET_ADU - thermal / GAIN_E) * GAIN_E / flat / exposure_s
    model = NoiseModel(GAIN_E, READ_NOISE_E, exposure_s, thermal / exposure_s)
    assert model.variance(500 / exposure_s, flat=flat) == pytest.approx(rate.var(), rel=0.01)


def test_masters_add_their_share(rng):
    """Subtracting a mean of n darks and dividing by a mean of n flats, both simulated; 1.5 % as above, with the
    scatter of the flat's share.
    """
    n, shape, rate_e = 4, (400, 400), 20000.0
    dark = np.mean([rng.normal(0, 10, shape) for _ in range(n)], axis=0)
    flat = np.mean([rng.normal(1, 0.01, shape) for _ in range(n)], axis=0)
    value = (rng.poisson(rate_e, shape) + rng.normal(0, 10, shape) - dark) / flat
    model = NoiseModel(1.0, 10.0, 1.0, pedestal_variance_e2=10**2 / n, flat_variance=0.01**2 / n)
    assert model.variance(rate_e) == pytest.approx(value.var(), rel=0.015)
    assert NoiseModel(1.0, 10.0, 1.0).variance(rate_e) < 0.9 * value.var()


def test_below_zero_there_is_no_photon_noise():
    model = NoiseModel(1.0, 3.0, 10.0)
    np.testing.assert_allclose(model.variance(np.array([-5.0, 0.0])), [0.09, 0.09])
