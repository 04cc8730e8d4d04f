"""Relative background: a gradient is found below stars, nebula and noise."""

import numpy as np
import pytest

from pipeline.numerics.relative_background import SampleGrid, fit_relative_background

SHAPE = (240, 320)


def scene(grid, seed, *, noise=1.0):
    """Frame and reference with the same object, other sky, other noise, at the places of the grid."""
    rng = np.random.default_rng(seed)
    u, v = (grid.x - 159.5) / 200, (grid.y - 119.5) / 200
    nebula = 50 * np.exp(-((u - 0.2) ** 2 + v**2) / 0.05)
    stars = np.where(rng.uniform(size=grid.x.size) < 0.03, 1000 * rng.uniform(size=grid.x.size), 0)
    sky = 20 + 6 * u - 4 * v + 3 * u * v
    reference = nebula + stars + rng.normal(0, noise, grid.x.size)
    # Seeing differs by so much that stars do not cancel at all well.
    frame = nebula + 0.7 * stars + sky + rng.normal(0, noise, grid.x.size)
    return frame - reference, sky


@pytest.mark.parametrize("shape", [(240, 320), (61, 47), (1000, 700)])
def test_places_are_pixels_of_the_image_and_fill_their_cells(shape):
    grid = SampleGrid.over(shape)
    assert (grid.x == np.floor(grid.x)).all() and (grid.y == np.floor(grid.y)).all()
    assert grid.x.min() >= 0 and grid.x.max() < shape[1] and grid.y.max() < shape[0]
    x_cells, y_cells = grid.centres
    half = max(shape[0] / grid.cells[0], shape[1] / grid.cells[1]) / 2
    near = np.stack(
        [grid.cell_medians(grid.x) - x_cells[None, :], grid.cell_medians(grid.y) - y_cells[:, None]]
    )
    # The median place of a cell lies near its middle: within the step of the places plus half a pixel.
    assert np.abs(near).max() <= half / min(grid.points) + 1.5


def test_cell_medians_ignore_what_is_missing():
    grid = SampleGrid.over(SHAPE)
    values = np.where(grid.x % 3 == 0, np.nan, 5.0)
    np.testing.assert_array_equal(grid.cell_medians(values), 5.0)
    values = np.where(grid.x < 100, np.nan, 5.0)
    medians = grid.cell_medians(values)
    assert np.isnan(medians[:, 0]).all() and (medians[:, -1] == 5).all()
    assert grid.cell_medians(np.stack([values, values])).shape == (2, *grid.cells)


def test_cell_medians_are_numpys():
    grid = SampleGrid.over((50, 40))
    values = np.random.default_rng(0).normal(size=grid.x.size)
    medians = grid.cell_medians(values)
    (rows, columns), (p, q) = grid.cells, grid.points
    for row in range(rows):
        for column in range(columns):
            block = values.reshape(rows * p, columns * q)[
                row * p : (row + 1) * p, column * q : (column + 1) * q
            ]
            assert medians[row, column] == pytest.approx(np.median(block), rel=1e-12)


def test_gradient_is_found_below_the_object():
    grid = SampleGrid.over(SHAPE)
    difference, sky = scene(grid, 1)
    found = fit_relative_background(grid, difference, order=2)
    # Cell medians: noise sqrt(2) * 1.25 / sqrt(places in a cell); six terms over 400 cells; 4 sigma at the corner,
    # plus the bias of the median by 3 % of one-sided outliers, 0.04 sigma.
    places = grid.points[0] * grid.points[1]
    limit = 4 * np.sqrt(2) * 1.25 / np.sqrt(places) * np.sqrt(6 / 400) * 3 + 0.06
    assert np.abs(found.surface.evaluate(grid.x, grid.y) - sky).max() < limit
    # The scatter of the cells is that of their medians.
    assert found.residual == pytest.approx(np.sqrt(2) * 1.25 / np.sqrt(places), rel=0.25)


def test_order_gives_way_where_the_overlap_is_small():
    grid = SampleGrid.over(SHAPE)
    difference, _ = scene(grid, 2)
    medians_needed = np.where((grid.x < 40) & (grid.y < 40), difference, np.nan)
    found = fit_relative_background(grid, medians_needed, order=2)
    assert found.surface.order < 2
    assert fit_relative_background(grid, np.full(grid.x.size, np.nan), order=2) is None
