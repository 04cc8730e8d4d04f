"""Filling of masked pixels."""

import numpy as np
import pytest

from pipeline.numerics import fill
from pipeline.numerics.fill import enclosed, filled


def test_a_slope_is_continued_through_a_hole():
    """A plane solves Laplace's equation, so the fill should give it back. The relaxation is stopped early: what
    is left, at a hole of 11 px, is below 5 % of the plane's rise across the hole.
    """
    y, x = np.mgrid[:64, :80]
    plane = 0.3 * x + 0.1 * y
    mask = (x - 40) ** 2 + (y - 30) ** 2 <= 25
    result = filled(np.where(mask, 1e6, plane), mask)
    assert np.array_equal(result[~mask], plane[~mask])
    assert np.abs(result - plane)[mask].max() < 0.05 * 11 * np.hypot(0.3, 0.1)


def test_large_and_odd_shaped_holes_are_closed_within_the_range_of_their_rim():
    rng = np.random.default_rng(5)
    image = rng.uniform(2, 3, (53, 71)).astype(np.float32)
    mask = np.zeros(image.shape, bool)
    mask[:, 20:60] = True
    mask[:30] = True
    result = filled(np.where(mask, np.float32(np.nan), image), mask)
    assert result.dtype == np.float32
    assert result[mask].min() >= image[~mask].min() and result[mask].max() <= image[~mask].max()


def test_nothing_known_gives_zeros_and_nothing_masked_a_copy():
    image = np.ones((5, 6))
    assert not filled(image, np.ones((5, 6), bool)).any()
    same = filled(image, np.zeros((5, 6), bool))
    assert np.array_equal(same, image) and same is not image


def test_enclosed_patches_do_not_touch_the_border():
    mask = np.zeros((8, 10), dtype=bool)
    mask[0, 3:5] = mask[1:4, 4] = True  # hangs on the border
    mask[5:7, 2:4] = True
    mask[4, 8] = True
    result = enclosed(mask)
    assert result.sum() == 5 and result[5:7, 2:4].all() and result[4, 8]
    assert (
        not enclosed(np.zeros((3, 3), dtype=bool)).any() and not enclosed(np.ones((3, 3), dtype=bool)).any()
    )


@pytest.mark.parametrize("dtype", [np.float32, np.float64])
def test_rows_and_cores_do_not_change_the_result(monkeypatch, dtype):
    """Bands as high as there are passes, and one for the whole image: the same bytes, since no pass looks beyond its neighbours."""
    rng = np.random.default_rng(9)
    image, mask = rng.normal(size=(400, 90)).astype(dtype), rng.random((400, 90)) > 0.2
    mask[100:300, 20:60] = True
    monkeypatch.setattr("os.sched_getaffinity", lambda _: set(range(3)))
    results = []
    for cores, rows in (("1", 1000), ("1", fill.RELAXATIONS), ("3", fill.RELAXATIONS), ("3", 256)):
        monkeypatch.setenv("OMP_NUM_THREADS", cores)
        monkeypatch.setattr(fill, "BAND_ROWS", rows)
        results.append(fill.filled(image, mask))
    for other in results[1:]:
        np.testing.assert_array_equal(other, results[0])
