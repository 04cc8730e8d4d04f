"""The per-pixel solver against independent solutions of the same equations."""

import numpy as np
import pytest

from pipeline.numerics.separation import Mixture, separate

RESPONSE = np.array([[1.05, 0.07], [0.15, 1.04], [0.06, 0.52], [1.0, 0.07], [0.15, 1.0], [0.06, 0.5]])
RATIO = np.array([[1, 0], [1, 0], [1, 0], [0.10, 0.02], [0.11, -0.03], [0.06, 0.01]], dtype=float)
BOTH_SETS = Mixture(np.array([0, 1, 2, 0, 1, 2]), RATIO, (-1.0, 1.0), RESPONSE, np.array([0, 1, 2]))


def _data(seed=3, shape=(7, 9)):
    rng = np.random.default_rng(seed)
    data = rng.uniform(0.5, 3, (6, *shape)).astype(np.float32)
    variance = rng.uniform(0.01, 0.1, (6, *shape)).astype(np.float32)
    colour = rng.uniform(-1.5, 1.5, shape).astype(np.float32)
    return data, variance, colour


def _design(colour):
    hue = np.clip(float(colour), -1, 1)
    design = np.zeros((6, 5))
    design[:, 3:] = RESPONSE
    for d in range(6):
        design[d, d % 3] = RATIO[d] @ [1, hue]
    return design


def test_agrees_with_weighted_lstsq_at_every_pixel():
    """numpy.linalg.lstsq (LAPACK) on each pixel's own system. Storage is float32: 2e-5 relative to unit values."""
    data, variance, colour = _data()
    continuum, lines, line_variance, remainder_variance = separate(data, variance, colour, BOTH_SETS)
    for y, x in np.ndindex(colour.shape):
        root = 1 / np.sqrt(variance[:, y, x].astype(float))
        design = _design(colour[y, x])
        expected = np.linalg.lstsq(design * root[:, None], data[:, y, x] * root, rcond=None)[0]
        np.testing.assert_allclose(np.r_[continuum[:, y, x], lines[:, y, x]], expected, rtol=2e-5, atol=2e-5)
        covariance = np.linalg.inv((design * root[:, None] ** 2).T @ design)
        np.testing.assert_allclose(line_variance[:, y, x], np.diag(covariance)[3:], rtol=1e-5)
        # B - b L as one linear map of the data, its variance by plain propagation.
        gain = covariance @ design.T * root**2
        remainder = np.eye(3, 6) - RESPONSE[:3] @ gain[3:]
        propagated = (remainder**2) @ variance[:, y, x]
        np.testing.assert_allclose(remainder_variance[:, y, x], propagated, rtol=2e-5)


def test_two_bands_give_the_classical_continuum_subtraction():
    """One line, one narrow and one broad datum: L = (N - k B) / (1 - k b), the net line flux of Waller (1990, PASP
    102, 1217) and Gil de Paz et al. (2003, ApJS 147, 29); form from memory. Two equations, two unknowns: exact,
    so float32 rounding is the only tolerance.
    """
    k, b = 0.12, 0.9
    mixture = Mixture(np.array([0, 0]), np.array([[1.0], [k]]), (0, 0), np.array([[b], [1.0]]), np.array([0]))
    rng = np.random.default_rng(8)
    data = rng.uniform(1, 2, (2, 4, 5)).astype(np.float32)
    variance = rng.uniform(0.1, 1, (2, 4, 5)).astype(np.float32)
    continuum, lines, line_variance, _ = separate(data, variance, np.zeros((4, 5), np.float32), mixture)
    broad, narrow = data.astype(float)
    expected = (narrow - k * broad) / (1 - k * b)
    np.testing.assert_allclose(lines[0], expected, rtol=1e-5, atol=1e-6)
    np.testing.assert_allclose(continuum[0], broad - b * expected, rtol=1e-5, atol=1e-6)
    np.testing.assert_allclose(
        line_variance[0], (variance[1] + k**2 * variance[0]) / (1 - k * b) ** 2, rtol=1e-5
    )


def test_more_than_one_band_of_rows_is_solved_alike():
    data, variance, colour = _data(shape=(600, 3))
    whole = separate(data, variance, colour, BOTH_SETS)
    part = separate(data[:, 500:], variance[:, 500:], colour[500:], BOTH_SETS)
    for full, cut in zip(whole, part, strict=True):
        assert np.array_equal(full[:, 500:], cut)


def test_neither_cores_nor_chunks_nor_the_choice_of_results_change_a_bit(monkeypatch):
    data, variance, colour = _data(shape=(70, 301))  # more than two chunks, none of which ends with a row
    variance[4, 3:9, 5:80] = np.nan
    monkeypatch.setattr("os.sched_getaffinity", lambda _: set(range(3)))
    monkeypatch.setenv("OMP_NUM_THREADS", "1")
    whole = separate(data, variance, colour, BOTH_SETS)
    monkeypatch.setenv("OMP_NUM_THREADS", "3")
    for result, again in zip(whole, separate(data, variance, colour, BOTH_SETS), strict=True):
        assert np.array_equal(result, again, equal_nan=True)
    monkeypatch.setattr("pipeline.numerics.separation.CHUNK_PX", 77)
    lines, remainder = separate(data, variance, colour, BOTH_SETS, wanted=("lines", "remainder_variance"))
    assert np.array_equal(lines, whole[1]) and np.array_equal(remainder, whole[3], equal_nan=True)


@pytest.mark.parametrize("missing", [np.nan, np.inf, 0.0])
def test_pixels_without_a_narrow_set_are_marked_as_unsolved(missing):
    data, variance, colour = _data()
    variance[3:, 2, 3] = missing
    _, lines, line_variance, remainder_variance = separate(data, variance, colour, BOTH_SETS)
    assert np.isnan(line_variance[:, 2, 3]).all() and np.isnan(remainder_variance[:, 2, 3]).all()
    assert (lines[:, 2, 3] == 0).all()
    assert np.isfinite(line_variance).sum() == line_variance.size - 2


def test_one_missing_channel_still_leaves_a_solution():
    data, variance, colour = _data()
    variance[5] = np.nan
    assert np.isfinite(separate(data, variance, colour, BOTH_SETS)[2]).all()


def test_lines_alone_without_a_continuum_set():
    response = RESPONSE[3:]
    mixture = Mixture(np.full(3, -1), np.zeros((3, 1)), (0, 0), response, np.zeros(0, int))
    truth = np.array([0.7, 0.3])
    data = np.broadcast_to((response @ truth)[:, None, None], (3, 2, 2)).astype(np.float32)
    continuum, lines, _, _ = separate(data, np.ones_like(data), np.zeros((2, 2), np.float32), mixture)
    assert continuum.shape == (0, 2, 2)
    np.testing.assert_allclose(lines[:, 0, 0], truth, rtol=1e-5)


def test_variance_is_what_noise_does():
    """Scatter of solutions over noise realisations; 20 000 of them give a variance to 1 %, 4 sigma is 4 %."""
    rng = np.random.default_rng(12)
    sigma = np.array([0.05, 0.06, 0.04, 0.02, 0.03, 0.02])
    shape = (100, 200)
    truth = _design(0.3) @ np.array([1.0, 1.2, 0.8, 0.5, 0.2])
    noise = rng.standard_normal((6, *shape)) * sigma[:, None, None]
    data = (truth[:, None, None] + noise).astype(np.float32)
    variance = np.broadcast_to((sigma**2)[:, None, None], data.shape).astype(np.float32)
    _, lines, line_variance, _ = separate(data, variance, np.full(shape, 0.3, np.float32), BOTH_SETS)
    np.testing.assert_allclose(lines.var(axis=(1, 2)), line_variance[:, 0, 0], rtol=0.04)
    np.testing.assert_allclose(lines.mean(axis=(1, 2)), [0.5, 0.2], atol=4 * 0.06 / np.sqrt(20000))
