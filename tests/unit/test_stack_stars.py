"""Stars of a stack: which of the sources tell what a star looks like."""

import numpy as np
import pytest

from pipeline.numerics.stack_stars import detect_stars


def image_of(widths, peaks, *, seed=1, shape=(500, 600), noise=1.0):
    rng = np.random.default_rng(seed)
    y, x = np.mgrid[: shape[0], : shape[1]]
    image = rng.normal(0, noise, shape)
    places = rng.permutation(
        np.stack(np.meshgrid(np.arange(20, 590, 26), np.arange(20, 490, 26)), -1).reshape(-1, 2)
    )
    for (u, v), fwhm, peak in zip(places + rng.uniform(-2, 2, places.shape), widths, peaks, strict=False):
        cut = np.s_[max(0, int(v) - 24) : int(v) + 25, max(0, int(u) - 24) : int(u) + 25]
        image[cut] += peak * np.exp(-4 * np.log(2) * ((x[cut] - u) ** 2 + (y[cut] - v) ** 2) / fwhm**2)
    return image.astype(np.float32)


def test_hot_pixels_that_outnumber_the_stars_do_not_set_their_size():
    rng = np.random.default_rng(2)
    # Without dither a hot pixel stays a dot: here 180 of them among 60 stars of FWHM 6 px.
    widths = np.concatenate([np.full(60, 6.0), np.full(180, 2.0)])
    peaks = np.concatenate([10 ** rng.uniform(1.5, 3, 60), 10 ** rng.uniform(1.2, 2, 180)])
    stars = detect_stars(image_of(widths, peaks), np.ones((500, 600), bool))
    # Isophotal moments lose what lies below the threshold: a fifth for the faintest.
    assert stars.typical_fwhm == pytest.approx(6.0, rel=0.2)
    assert 45 <= stars.starlike().sum() <= 60


def test_stars_of_all_brightnesses_give_their_median():
    peaks = 10 ** np.random.default_rng(3).uniform(1.2, 3.5, 240)
    stars = detect_stars(image_of(np.full(240, 3.0), peaks), np.ones((500, 600), bool))
    assert stars.typical_fwhm == pytest.approx(np.median(stars.fwhm[stars.elongation < 1.5]))
