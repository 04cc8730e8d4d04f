"""Significance of line light against the normal distribution and a direct sum."""

import numpy as np
import pytest
from scipy import stats

from pipeline.numerics.significance import significance


def test_noise_alone_is_normal_with_unit_width():
    """Quantiles of the normal distribution (scipy.stats). 240 000 pixels, one independent in 4 pi s^2 = 20 or so:
    12 000, which give the width to 0.7 % and the share beyond 2 sigma to 6 %; limits are three times that.
    """
    rng = np.random.default_rng(1)
    variance = rng.uniform(0.5, 2.0, (400, 600)).astype(np.float32)
    noise = (rng.standard_normal(variance.shape) * np.sqrt(variance)).astype(np.float32)
    found = significance(noise, variance, 3.0)
    assert found.std() == pytest.approx(1.0, rel=0.02)
    assert np.mean(found > 2.0) == pytest.approx(stats.norm.sf(2.0), rel=0.2)


def test_it_is_the_weighted_mean_over_its_error():
    """The same by a plain sum over every pixel; Gaussians are cut at 4 sigma by scipy, which costs 1e-4."""
    rng = np.random.default_rng(2)
    line, variance = rng.normal(1, 1, (41, 41)), rng.uniform(0.5, 2, (41, 41))
    y, x = np.mgrid[-20:21, -20:21]
    sigma = 3.5 / 2.3548
    window = np.exp(-0.5 * (x**2 + y**2) / sigma**2) / (2 * np.pi * sigma**2)
    expected = (window * line).sum() / np.sqrt((window**2 * variance).sum())
    found = significance(line.astype(np.float32), variance.astype(np.float32), 3.5)
    assert found[20, 20] == pytest.approx(expected, rel=2e-3)


def test_unknown_pixels_neither_count_nor_hide_their_neighbours():
    line, variance = np.ones((30, 30), np.float32), np.full((30, 30), 0.25, np.float32)
    variance[:, 15:] = np.nan
    line[:, 15:] = 1e6
    found = significance(line, variance, 3.0)
    assert np.isfinite(found[:, :15]).all() and np.isnan(found[:, 20:]).all()
    assert 0 < found[15, 14] < found[15, 8]
