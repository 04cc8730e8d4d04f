"""Sums over discs against those of sep, a library for the detection of sources (Barbary 2016, JOSS 1, 58)."""

import numpy as np
import pytest
import sep

from pipeline.numerics.discs import disc_sums


@pytest.mark.parametrize("radius", [0.8, 3.3, 9.7])
def test_sums_are_those_of_exact_apertures_and_a_ring(radius):
    rng = np.random.default_rng(1)
    plane = rng.normal(5, 1, (200, 300)).astype(np.float32)
    variance = rng.uniform(1, 3, plane.shape).astype(np.float32)
    x, y = rng.uniform(2, 297, 500), rng.uniform(2, 197, 500)
    ring = (1.8 * radius, 2.8 * radius)
    expected = sep.sum_circle(plane, x, y, radius, var=variance, subpix=0, bkgann=ring)[:2]
    found = disc_sums(plane, variance, x, y, radius=radius, ring=ring)
    # Both add in double precision; sums of some thousand.
    np.testing.assert_allclose(found, expected, rtol=1e-10, atol=1e-9)
