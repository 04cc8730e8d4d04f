"""Convolution with small kernels against scipy."""

import numpy as np
import pytest
from scipy import signal

from pipeline.numerics.small_kernel import BAND_ROWS, CHUNK_PX, convolve


@pytest.mark.parametrize("dtype", [np.float32, np.float64])
@pytest.mark.parametrize("size", [1, 3, 5, 13, 25])
def test_against_direct_sums_of_scipy(dtype, size):
    """scipy.signal.convolve2d of the same numbers in float64; its "symm" would repeat the outermost pixels, so they are continued
    by numpy. A sum of n terms is rounded n times at most, each time by half a unit in the last place of what is added up so far.
    """
    rng = np.random.default_rng(size)
    plane = rng.normal(size=(2 * BAND_ROWS + 11, CHUNK_PX + 37)).astype(dtype)
    plane[60, 70] = 1e4  # a star
    weights = rng.normal(size=(size, size)).astype(dtype)
    found = convolve(plane, weights)
    wide, taps = np.pad(plane.astype(np.float64), size // 2, mode="reflect"), weights.astype(np.float64)
    bound = size**2 * np.finfo(dtype).eps * signal.convolve2d(np.abs(wide), np.abs(taps), mode="valid")
    assert found.dtype == dtype and found.shape == plane.shape
    assert (np.abs(found - signal.convolve2d(wide, taps, mode="valid")) <= bound).all()


def test_a_plane_smaller_than_the_kernel():
    plane, weights = np.arange(12.0).reshape(3, 4), np.random.default_rng(8).normal(size=(15, 15))
    expected = signal.convolve2d(np.pad(plane, 7, mode="reflect"), weights, mode="valid")
    np.testing.assert_allclose(convolve(plane, weights), expected, rtol=1e-12)  # sums of 225 terms


def test_the_number_of_cores_does_not_change_the_result(monkeypatch):
    rng = np.random.default_rng(6)
    plane, weights = rng.normal(size=(700, 90)).astype(np.float32), rng.normal(size=(7, 7))
    monkeypatch.setattr("os.sched_getaffinity", lambda _: set(range(3)))
    results = []
    for cores in ("1", "3"):
        monkeypatch.setenv("OMP_NUM_THREADS", cores)
        results.append(convolve(plane, weights))
    assert np.array_equal(*results)
