"""Bad pixels: the counting kernels against scipy's median filter, and pixels that do not hold still."""

import numpy as np
import pytest
from scipy import ndimage

from pipeline.numerics.cfa import Cfa
from pipeline.numerics.defects import deviant_of_flat, hot_and_cold, local_medians, unstable
from pipeline.numerics.robust import mad_std

N_FRAMES = 20
NOISE_ADU = 2.5


@pytest.fixture
def rng():
    return np.random.default_rng(72)


def spoilt(rng, shape, level=500.0, scatter=2.0):
    plane = rng.normal(level, scatter, shape).astype(np.float32)
    plane[rng.random(shape) < 0.02] += np.float32(30 * scatter)
    plane[rng.random(shape) < 0.02] -= np.float32(14 * scatter)
    plane[:, shape[1] // 3] += np.float32(20 * scatter)
    return plane


@pytest.mark.parametrize("shape", [(61, 47), (40, 66)])
def test_counting_gives_what_the_median_filter_gives(rng, shape):
    """scipy.ndimage.median_filter of 5 x 5 pixels, mode "mirror": the same pixels, to the last one."""
    plane = spoilt(rng, shape)
    away = plane - ndimage.median_filter(plane, size=5, mode="mirror")
    limit = np.float32(12 * mad_std(away[::3, ::3]))
    hot, cold = hot_and_cold(plane, sigma=12)
    np.testing.assert_array_equal(hot, away > limit)
    np.testing.assert_array_equal(cold, away < -limit)
    assert hot.sum() > 30 and cold.sum() > 3
    medians = ndimage.median_filter(plane, size=5, mode="mirror")[::3, ::3]
    np.testing.assert_array_equal(local_medians(plane, 3), medians)


@pytest.mark.parametrize("pattern", ["GRBG", "mono"])
def test_flats_are_judged_among_pixels_of_one_colour(rng, pattern):
    flat = spoilt(rng, (51, 44), 1.0, 0.01)
    flat[20:24, 20:24] *= 0.5
    cfa = Cfa(pattern)
    if not cfa.is_mono:
        # The colours of a flat before it is normalised differ by more than the limit.
        flat *= np.where(cfa.index_map(*flat.shape) == 1, 2.0, 1.0).astype(np.float32)
    step = 1 if cfa.is_mono else 2
    usual = np.empty_like(flat)
    for dy in range(step):
        for dx in range(step):
            place = (slice(dy, None, step), slice(dx, None, step))
            usual[place] = ndimage.median_filter(flat[place], size=5, mode="mirror")
    strong, weak = deviant_of_flat(flat, cfa, share=0.25)
    np.testing.assert_array_equal(strong, flat - usual > np.float32(0.25) * usual)
    np.testing.assert_array_equal(weak, usual - flat > np.float32(0.25) * usual)
    assert strong.any() and (weak.any() or not cfa.is_mono)


def temporal(frames):
    """Variance of the mean and count, nothing clipped."""
    count = np.full(frames.shape[1:], len(frames), dtype=np.uint16)
    return frames.var(axis=0, ddof=1).astype(np.float32) / len(frames), count


def test_ordinary_and_merely_hot_pixels_are_not_unstable(rng):
    """90000 pixels of normal noise, of which a hundredth is hot and has the shot noise of its current."""
    rate = np.where(rng.random((300, 300)) < 0.01, 400.0, 0.0)
    frames = rng.normal(500, NOISE_ADU, (N_FRAMES, *rate.shape)) + rng.poisson(rate, (N_FRAMES, *rate.shape))
    variance, count = temporal(frames)
    expected = (NOISE_ADU**2 + rate).astype(np.float32)
    assert not unstable(variance, count, N_FRAMES, sigma=12, expected=expected).any()
    # Without the camera model the hot ones would be blamed for being hot.
    assert unstable(variance, count, N_FRAMES, sigma=12, expected=NOISE_ADU**2).sum() > 500


@pytest.mark.parametrize("share_up", [0.5, 0.3])
def test_random_telegraph_pixels_are_unstable(rng, share_up):
    """Two levels 10 standard deviations apart: a deviation of 5 or 4.6 of them, against the limit of 3. It is a matter of
    chance in how many frames a pixel is up: in none of 20 frames for one in a million, or a thousand.
    """
    up = rng.random((N_FRAMES, 40, 40)) < share_up
    variance, count = temporal(rng.normal(500, NOISE_ADU, up.shape) + 10 * NOISE_ADU * up)
    found = unstable(variance, count, N_FRAMES, sigma=12, expected=NOISE_ADU**2)
    assert found.mean() > 0.95


def test_a_pixel_that_is_often_clipped_is_unstable(rng):
    """Up in 5 of 20 frames, which the clipping takes: chance and particle hits do that to one pixel in 10^9."""
    variance, count = temporal(rng.normal(500, NOISE_ADU, (N_FRAMES, 50, 50)))
    count[7, 9] -= 5
    count[20, 20] -= 1
    count[31, 31] = 0
    found = unstable(variance, count, N_FRAMES, sigma=12, expected=NOISE_ADU**2)
    np.testing.assert_array_equal(np.argwhere(found), [[7, 9]])


def test_few_frames_call_nothing_unstable(rng):
    variance, count = temporal(rng.normal(500, NOISE_ADU, (5, 20, 20)))
    assert not unstable(100 * variance, count, 5, sigma=12, expected=NOISE_ADU**2).any()
