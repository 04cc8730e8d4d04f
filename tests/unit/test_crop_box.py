"""The crop box against a search through all rectangles."""

import numpy as np
import pytest

from pipeline.numerics.crop_box import crop_box


@pytest.mark.parametrize("seed", range(20))
def test_no_rectangle_is_larger(seed):
    rng = np.random.default_rng(seed)
    good = rng.uniform(size=(7, 9)) < rng.uniform(0.5, 1.0)
    best = max(
        (b - a) * (d - c) if good[a:b, c:d].all() else 0
        for a in range(7)
        for b in range(a + 1, 8)
        for c in range(9)
        for d in range(c + 1, 10)
    )
    top, bottom, left, right = crop_box(good)
    assert good[top:bottom, left:right].all()
    assert (bottom - top) * (right - left) == best


def test_the_whole_and_nothing():
    assert crop_box(np.ones((3, 4), dtype=bool)) == (0, 3, 0, 4)
    assert crop_box(np.zeros((3, 4), dtype=bool)) == (0, 0, 0, 0)
