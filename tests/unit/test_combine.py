"""The clipped mean: plain cases here, astropy and ccdproc in tests/outside."""

import numpy as np

from pipeline.numerics.combine import clipped_mean


def stack(*values):
    return np.array(values, dtype=np.float32).reshape(len(values), 1, 1)


def test_mean_variance_and_count_of_clean_values():
    mean, variance, count = clipped_mean(stack(1, 2, 3, 4), sigma=5)
    assert (mean.item(), count.item()) == (2.5, 4)
    assert variance.item() == np.float32(np.var([1, 2, 3, 4], ddof=1) / 4)


def test_one_hit_is_left_out():
    mean, _, count = clipped_mean(stack(100, 101, 99, 5000, 100), sigma=4)
    assert (mean.item(), count.item()) == (100.0, 4)


def test_the_floor_keeps_equal_values_from_clipping_their_neighbours():
    """Three whole numbers that happen to agree have no deviation; the camera's noise is the measure then."""
    assert clipped_mean(stack(100, 100, 100, 101), sigma=4, floor=1.0)[2].item() == 4
    assert clipped_mean(stack(100, 100, 100, 101), sigma=4)[2].item() == 4, (
        "no scatter known, nothing clipped"
    )
    assert clipped_mean(stack(100, 100, 100, 120), sigma=4, floor=1.0)[2].item() == 3


def test_missing_values_do_not_count():
    mean, variance, count = clipped_mean(stack(np.nan, 3, 5), sigma=4)
    assert (mean.item(), count.item()) == (4.0, 2)
    mean, variance, count = clipped_mean(stack(np.nan, np.nan), sigma=4)
    assert np.isnan(mean.item()) and np.isnan(variance.item()) and count.item() == 0
    mean, variance, count = clipped_mean(stack(7), sigma=4)
    assert mean.item() == 7 and np.isnan(variance.item()) and count.item() == 1


def test_sums_do_not_lose_digits():
    """float32 sums of many large values drift; 300 frames at 60001 would be off by far more than rounding."""
    frames = np.full((300, 3, 4), 60001, dtype=np.float32)
    np.testing.assert_array_equal(clipped_mean(frames, sigma=4, floor=1.0)[0], np.float32(60001))


def test_few_and_many_frames_take_the_same_path():
    """Sorting changes its method above 40 values; the result may not."""
    rng = np.random.default_rng(3)
    values = rng.normal(100, 5, (41, 4, 5)).astype(np.float32)
    values[3] += 200
    with_blank = np.concatenate([values[:40], np.full((1, 4, 5), np.nan, dtype=np.float32)])
    few, many = clipped_mean(values[:40], sigma=4), clipped_mean(with_blank, sigma=4)
    for one, other in zip(few, many, strict=True):
        np.testing.assert_array_equal(one, other)
    large = clipped_mean(values, sigma=4)
    order = rng.permutation(41)
    np.testing.assert_array_equal(clipped_mean(values[order], sigma=4)[0], large[0])
    assert large[2].max() <= 40, "the hit is left out"
