"""The starlet transform and denoising by it."""

import numpy as np
import pytest
from scipy import ndimage

from pipeline.numerics.starlet import correlation_sigma, denoise, noise_gains, smoothed, starlet

SINGLE = 4e-6
"""Rounding of single precision (2^-24) after some ten operations on values up to 5."""


def test_details_and_rest_add_up_to_the_image():
    image = np.random.default_rng(1).normal(size=(70, 90))
    details, rest = starlet(image)
    assert len(details) == 5
    np.testing.assert_allclose(sum(details) + rest, image, atol=SINGLE)


@pytest.mark.parametrize(
    ("shape", "step"), [((70, 90), 1), ((70, 90), 16), ((5, 40), 4), ((1, 7), 2), ((3, 1), 8)]
)
def test_smoothing_is_the_convolution_with_the_spline(shape, step):
    """Outside check: scipy.ndimage.correlate1d with mirrored edges, also where the kernel is wider than the image."""
    image = np.random.default_rng(2).normal(size=shape)
    taps = np.zeros(4 * step + 1)
    taps[::step] = np.array([1, 4, 6, 4, 1]) / 16
    expected = ndimage.correlate1d(image, taps, axis=0, mode="mirror")
    expected = ndimage.correlate1d(expected, taps, axis=1, mode="mirror")
    np.testing.assert_allclose(smoothed(image, step), expected, atol=SINGLE)


def test_noise_gains_agree_with_the_literature_and_a_simulation():
    noise = np.random.default_rng(2).normal(size=(512, 512))
    measured = [np.std(detail[64:-64, 64:-64]) for detail in starlet(noise, 4)[0]]
    # The coarsest detail has some (384 / 16)^2 = 576 independent values: 3 % standard error, three of them.
    np.testing.assert_allclose(noise_gains(4), measured, rtol=0.1)
    # Starck & Murtagh 2006, table of the B3 starlet in two dimensions (from memory): 0.889, 0.200, 0.086.
    np.testing.assert_allclose(noise_gains(3), [0.889, 0.200, 0.086], atol=0.002)


@pytest.fixture(scope="module")
def filament():
    """Truth, and the same with noise correlated as in a resampled stack; equivalent uncorrelated sigma 0.15."""
    rng = np.random.default_rng(3)
    y, x = np.mgrid[:192, :192]
    truth = np.exp(-0.5 * ((x - 96 - 15 * np.sin(y / 20)) / 4) ** 2)
    noise = 0.15 * ndimage.gaussian_filter(rng.normal(size=truth.shape), 0.85, mode="wrap")
    return truth, truth + noise


def test_denoising_takes_noise_and_keeps_a_filament(filament):
    truth, noisy = filament
    clean = denoise(noisy, np.full(truth.shape, 0.15**2), sigma=2.0)
    error, before = clean - truth, noisy - truth
    # The bound asked of faint gas: at most 0.6 times the error of the map itself, with a bias of at most 3 %.
    assert np.sqrt(np.mean(error**2)) < 0.6 * np.sqrt(np.mean(before**2))
    ridge = truth > 0.95
    assert clean[ridge].mean() == pytest.approx(truth[ridge].mean(), rel=0.03)
    # Nothing is there far away but what the coarsest scales hold of the noise, a few percent of a pixel's.
    assert clean[truth < 0.01].std() < 0.3 * before.std()


@pytest.mark.parametrize("sigma_px", [0.0, 0.85, 1.4])
def test_correlation_of_noise_is_found_despite_gas(sigma_px):
    rng = np.random.default_rng(9)
    noise = rng.normal(size=(200, 200))
    if sigma_px:
        noise = ndimage.gaussian_filter(noise, sigma_px, mode="wrap")
    gas = 30 * np.exp(-0.5 * ((np.arange(200) - 100) / 8) ** 2)
    found = correlation_sigma((noise + gas).astype(np.float32), np.ones((200, 200), np.float32))
    # 40000 pixels, correlated: the gain to 2 %, the length to 0.05 px where the gain hardly depends on it (at 0).
    assert found == pytest.approx(sigma_px, abs=0.1)


def test_contrast_raises_filaments_and_not_the_noise(filament):
    truth, noisy = filament
    variance = np.full(truth.shape, 0.15**2)
    plain, raised = (denoise(noisy, variance, sigma=2.0, contrast=c) for c in (0.0, 0.5))
    ridge = truth > 0.95
    flank = (truth > 0.2) & (truth < 0.4)
    assert raised[ridge].mean() / raised[flank].mean() > 1.15 * plain[ridge].mean() / plain[flank].mean()
    # Where there is nothing, what the denoising leaves is nearly all of the coarse rest, which contrast does not touch.
    assert raised[:, :40].std() < 1.1 * plain[:, :40].std()
    # Nothing turns darker than the sky, as it would if details were added instead.
    assert raised.min() > plain.min() - 0.01


def test_pure_noise_leaves_no_speckles():
    noise = np.random.default_rng(5).normal(size=(256, 256))
    clean = denoise(noise, np.ones_like(noise), sigma=3.0, sampling_sigma_px=0.0)
    # A 3-sigma rule pixel by pixel would leave 0.27 % of the finest details, up to 4 sigma high.
    assert np.abs(clean).max() < 0.5


def test_noise_is_judged_by_the_variance_at_each_place():
    rng = np.random.default_rng(6)
    sigma = np.where(np.arange(200) < 100, 0.1, 1.0)[None, :] * np.ones((200, 1))
    clean = denoise(sigma * rng.normal(size=sigma.shape), sigma**2, sigma=3.0, sampling_sigma_px=0.0)
    for half in (slice(0, 80), slice(120, 200)):
        assert clean[:, half].std() < 0.15 * sigma[0, half].mean()


def test_without_denoising_the_image_stays():
    image = np.random.default_rng(7).normal(size=(20, 30)).astype(np.float32)
    np.testing.assert_array_equal(denoise(image, np.ones_like(image), sigma=0), image)


def test_unknown_pixels_are_zero_and_spoil_nothing():
    image = np.ones((64, 64), dtype=np.float32)
    variance = np.full((64, 64), 0.01)
    variance[:, :10], image[:, :10] = np.nan, np.nan
    clean = denoise(image, variance, sigma=2.0)
    assert (clean[:, :10] == 0).all() and np.isfinite(clean).all()
    # The edge of what is known is structure of 10 sigma, and kept.
    np.testing.assert_allclose(clean[:, 20:], 1.0, atol=0.02)


def test_small_images_use_fewer_scales():
    image = np.random.default_rng(8).normal(size=(6, 5)).astype(np.float32)
    assert denoise(image, np.ones_like(image), sigma=2.0).shape == (6, 5)
