"""Means of blocks, and the part of a picture where most is to be seen."""

import numpy as np
import pytest

from pipeline.numerics.detail_window import block_means, richest_window


def test_block_means_are_means_of_blocks():
    cube = np.random.default_rng(1).normal(size=(3, 11, 14)).astype(np.float32)
    means = block_means(cube, 4)
    assert means.shape == (3, 2, 3)
    np.testing.assert_allclose(means[1, 1, 2], cube[1, 4:8, 8:12].mean(), rtol=1e-5)


def test_the_window_holds_the_edge_of_the_nebula_and_not_the_brightest_stars():
    rng = np.random.default_rng(2)
    image = rng.normal(0, 0.1, (3, 240, 320)).astype(np.float32)
    image[:, 40:110, 60:130] += np.linspace(0, 3, 70, dtype=np.float32)
    for y, x in rng.integers(150, 230, (25, 2)):
        image[:, y : y + 3, x + 80 : x + 83] += 500.0
    rows, columns = richest_window(image, (80, 80))
    assert (rows.stop - rows.start, columns.stop - columns.start) == (80, 80)
    assert rows.start <= 50 and rows.stop >= 100
    assert columns.start <= 120 and columns.stop >= 140  # where its bright edge meets the sky


@pytest.mark.parametrize("shape", [(5, 7), (33, 20), (240, 320)])
def test_the_window_lies_inside(shape):
    image = np.random.default_rng(3).normal(size=(1, *shape)).astype(np.float32)
    rows, columns = richest_window(image, (30, 30))
    assert 0 <= rows.start < rows.stop <= shape[0] and rows.stop - rows.start == min(30, shape[0])
    assert 0 <= columns.start < columns.stop <= shape[1] and columns.stop - columns.start == min(30, shape[1])
