"""Gaussian smoothing in bands against scipy on the whole."""

import numpy as np
import pytest
from scipy import ndimage

from pipeline.numerics.gaussian import blurred


@pytest.mark.parametrize("shape", [(3, 5), (700, 9), (1100, 40)])
@pytest.mark.parametrize("sigma", [0.6, 2.0, 70.0])
def test_bands_are_those_of_the_whole(shape, sigma):
    """scipy.ndimage.gaussian_filter; the sums of each pixel are the same, in the same order: no tolerance."""
    plane = np.random.default_rng(4).normal(size=shape).astype(np.float32)
    assert np.array_equal(blurred(plane, sigma), ndimage.gaussian_filter(plane, sigma))


def test_the_number_of_cores_does_not_change_the_result(monkeypatch):
    plane = np.random.default_rng(5).normal(size=(900, 30)).astype(np.float32)
    monkeypatch.setattr("os.sched_getaffinity", lambda _: set(range(3)))
    results = []
    for cores in ("1", "3"):
        monkeypatch.setenv("OMP_NUM_THREADS", cores)
        results.append(blurred(plane, 1.7))
    assert np.array_equal(*results)
