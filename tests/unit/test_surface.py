"""Low-order surfaces: recovery, clipping, and numpy's own polynomial evaluation as reference."""

import numpy as np
import pytest

from pipeline.numerics.surface import PolynomialSurface, exponents, fit_surface


def test_terms_up_to_order_two():
    assert exponents(2) == [(0, 0), (1, 0), (0, 1), (2, 0), (1, 1), (0, 2)]


def test_evaluate_agrees_with_numpy_polyval2d():
    """Outside check: numpy.polynomial.polynomial.polyval2d."""
    coefficients = np.random.default_rng(3).normal(size=10)
    surface = PolynomialSurface(3, coefficients, x0=50.0, y0=40.0, scale=30.0)
    matrix = np.zeros((4, 4))
    for (i, j), value in zip(exponents(3), coefficients, strict=True):
        matrix[i, j] = value
    y, x = np.mgrid[:80, :100]
    expected = np.polynomial.polynomial.polyval2d((x - 50) / 30, (y - 40) / 30, matrix)
    np.testing.assert_allclose(surface.on_grid((80, 100)), expected, rtol=1e-10, atol=1e-12)


def test_fit_recovers_an_exact_surface_and_leaves_out_outliers():
    rng = np.random.default_rng(4)
    x, y = rng.uniform(0, 100, (2, 400))
    truth = PolynomialSurface(2, np.array([3.0, -2.0, 1.0, 0.5, 0.25, -1.0]), 50.0, 50.0, 50.0)
    z = truth.evaluate(x, y) + rng.normal(0, 1e-3, 400)
    z[:30] += 5.0
    z[30] = np.nan
    surface, used = fit_surface(x, y, z, order=2, x0=50.0, y0=50.0, scale=50.0, clip_sigma=4)
    assert not used[:31].any()
    # 1e-3 of noise on 369 points: a coefficient is good to about 1e-3 / sqrt(369 * mean u^4) < 2e-4.
    np.testing.assert_allclose(surface.coefficients, truth.coefficients, atol=8e-4)


def test_too_few_points_are_named():
    with pytest.raises(ValueError, match="needs 3 points, got 2"):
        fit_surface([0, 1], [0, 1], [1, 2], order=1)
