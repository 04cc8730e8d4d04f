"""Robust statistics against astropy and textbook values."""

import numpy as np
import pytest
from astropy.stats import mad_std as astropy_mad_std
from astropy.stats import sigma_clipped_stats

from pipeline.numerics.robust import clipped_stats, mad_std, weighted_median


def test_mad_std_agrees_with_astropy_along_axes():
    """Outside check: astropy.stats.mad_std, same definition, so equal to float rounding."""
    values = np.random.default_rng(1).normal(5, 2, (7, 50, 40))
    for axis in (None, 0, (1, 2)):
        np.testing.assert_allclose(mad_std(values, axis=axis), astropy_mad_std(values, axis=axis), rtol=1e-12)


def test_mad_std_ignores_nan_and_says_nan_where_nothing_is_left():
    values = np.array([[1.0, 2.0, 3.0, np.nan], [np.nan] * 4])
    along = mad_std(values, axis=1)
    assert along[0] == pytest.approx(1.482602218505602)
    assert np.isnan(along[1])
    assert np.isnan(mad_std(np.array([np.nan])))


def test_clipped_stats_agree_with_astropy():
    """Outside check: astropy.stats.sigma_clipped_stats with the same settings."""
    values = np.random.default_rng(2).normal(100, 3, 4000)
    values[:40] += 500
    np.testing.assert_allclose(
        clipped_stats(values, sigma=3, iterations=5),
        sigma_clipped_stats(values, sigma=3, maxiters=5),
        rtol=1e-12,
    )


def test_weighted_median_of_equal_weights_is_the_median():
    for n in (1, 2, 9, 10):
        values = np.random.default_rng(n).normal(size=n)
        assert weighted_median(values, np.full(n, 0.1)) == pytest.approx(np.median(values), rel=1e-12)


def test_weighted_median_follows_the_weight():
    assert weighted_median([1.0, 2.0, 50.0], [1.0, 1.0, 3.0]) == 50.0
    assert weighted_median([1.0, np.nan, 3.0], [1.0, 9.0, 0.0]) == 1.0
    assert np.isnan(weighted_median([], []))
