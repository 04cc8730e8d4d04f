"""Convolution with small kernels against scipy."""

import numpy as np
import pytest
from scipy import signal

from pipeline.numerics.small_kernel import CHUNK_PX, convolve


@pytest.mark.parametrize("dtype", [np.float32, np.float64])
@pytest.mark.parametrize("size", [1, 3, 5, 13, 25])
def test_against_direct_sums_of_scipy(dtype, size):
    """scipy.signal.convolve2d of the same numbers in float64. A sum of n terms is rounded n times at most, each time by half
    a unit in the last place of what is added up so far.
    """
    rng = np.random.default_rng(size)
    padded = rng.normal(size=(size + 140, size + CHUNK_PX + 37)).astype(dtype)
    padded[60, 70] = 1e4  # a star
    weights = rng.normal(size=(size, size)).astype(dtype)
    found = convolve(padded, weights)
    wide, taps = padded.astype(np.float64), weights.astype(np.float64)
    bound = size**2 * np.finfo(dtype).eps * signal.convolve2d(np.abs(wide), np.abs(taps), mode="valid")
    assert found.dtype == dtype
    assert (np.abs(found - signal.convolve2d(wide, taps, mode="valid")) <= bound).all()


def test_the_number_of_cores_does_not_change_the_result(monkeypatch):
    rng = np.random.default_rng(6)
    padded, weights = rng.normal(size=(700, 90)).astype(np.float32), rng.normal(size=(7, 7))
    monkeypatch.setattr("os.sched_getaffinity", lambda _: set(range(3)))
    results = []
    for cores in ("1", "3"):
        monkeypatch.setenv("OMP_NUM_THREADS", cores)
        results.append(convolve(padded, weights))
    assert np.array_equal(*results)
