"""Which cells hold nothing but sky, on tables of cells with known content."""

import numpy as np
import pytest

from pipeline.numerics.free_cells import agreeing_cells, cells_near, explained_cells, find_free_cells
from pipeline.numerics.sky_cells import Cells
from pipeline.numerics.sky_model import fit_sky, fit_together
from pipeline.numerics.surface import fit_surface

SHAPE = (384, 504)
ROWS, COLUMNS = 16, 21
ERROR = 0.001
LEVELS = np.array([3.0, 4.0, 2.5])


def _cells(light, *, seed=1, bend=0.15, error=ERROR):
    """Cells of three planes: a sky that rises by half and bends, ``light`` (rows, columns) in two, three and four parts of it, noise."""
    x, y = np.meshgrid(24 * np.arange(COLUMNS) + 11.5, 24 * np.arange(ROWS) + 11.5)
    u, v = x / SHAPE[1] - 0.5, y / SHAPE[0] - 0.5
    sky = LEVELS[:, None, None] * (1 + 0.3 * u + 0.2 * v + bend * (u**2 - u * v))
    noise = np.random.default_rng(seed).normal(0, error, (3, ROWS, COLUMNS))
    value = sky + np.array([2.0, 3.0, 4.0])[:, None, None] * light + noise
    return Cells(x, y, value, np.full(value.shape, error), SHAPE), sky


def _nebula(floor):
    """A nebula over the left half of the field, with a lane through it that is as dark as ``floor``."""
    x, y = np.meshgrid(np.arange(COLUMNS), np.arange(ROWS))
    slope = np.clip(12.5 - x - 0.3 * np.abs(y - 8), 0, None) / 12
    lane = np.exp(-0.5 * ((x - 5 - 0.2 * y) / 1.0) ** 2)
    return 0.15 * slope**1.6 * (1 - lane) + floor * lane * (slope > 0)


@pytest.mark.parametrize("seed", range(6))
def test_a_dark_lane_amid_nebula_is_not_sky(seed):
    """A surface of second order could be bent down to the sky on the right and up to the lane on the left, six times the noise
    above it; then a dozen cells of the lane would pass for sky. What passes by chance is less than three.
    """
    light = _nebula(0.002)
    cells, sky = _cells(light, seed=seed)
    free = find_free_cells([cells], max_order=3)
    true = light < 0.1 * ERROR
    assert free[true].mean() > 0.85
    assert free[light > 2 * ERROR].sum() < 3
    for c, found in enumerate(fit_sky(cells, free, max_order=3)):
        error = found.surface.evaluate(cells.x, cells.y) - sky[c]
        # Of the nebula's range, 0.3 in the faintest plane: the target at half a field.
        assert np.ptp(error) < 0.03 * 0.3


@pytest.mark.parametrize("seed", range(4))
def test_a_field_without_nebula_is_free(seed):
    """Three standard deviations in three planes leave out one cell in 120; the lonely among the others are none."""
    cells, _ = _cells(np.zeros((ROWS, COLUMNS)), seed=seed)
    assert find_free_cells([cells], max_order=3).mean() > 0.95


def test_light_that_templates_hold_is_no_object():
    light = _nebula(0.002)
    cells, _ = _cells(light, seed=2)
    known = np.ones(light.shape, dtype=bool)
    free = agreeing_cells(cells, known, max_order=3, clip_sigma=3.0, templates=light[..., None])
    assert free.mean() > 0.95


def test_cells_with_other_light_or_other_shadow_are_not_explained():
    light = _nebula(0.002)
    cells, _ = _cells(light, seed=3)
    value = cells.value.copy()
    value[0, 3:5, 15:17] += 20 * ERROR
    value[1, 10:12, 15:17] -= 20 * ERROR
    odd = np.zeros(light.shape, dtype=bool)
    odd[3:5, 15:17] = odd[10:12, 15:17] = True
    found = explained_cells(
        Cells(cells.x, cells.y, value, cells.error, cells.shape), np.ones(light.shape, dtype=bool),
        light[..., None], order=2, clip_sigma=3.0,
    )  # fmt: skip
    assert not found[odd].any()
    # Three standard deviations in three planes: one in 120.
    assert found[~odd].mean() > 0.97


def test_a_few_cells_without_a_sky_are_no_sky():
    """With less than three cells a coefficient there is nothing to find, and nothing is called free."""
    light = np.abs(np.random.default_rng(4).normal(0, 1, (ROWS, COLUMNS)))
    cells, _ = _cells(light)
    assert find_free_cells([cells], max_order=3).mean() < 0.1


def test_cells_near_are_those_within_noise_and_what_a_sky_departs_from_a_surface():
    cells, sky = _cells(np.zeros((ROWS, COLUMNS)), seed=5, error=1e-5)
    surfaces = [
        fit_surface(cells.x.ravel(), cells.y.ravel(), plane.ravel(), order=2, scale=500.0)[0] for plane in sky
    ]
    value = cells.value.copy()
    value[:, 4:7, 4:7] *= 1.002
    value[:, 9:12, 9:12] *= 1.006
    near = cells_near(Cells(cells.x, cells.y, value, cells.error, cells.shape), surfaces, clip_sigma=3.0)
    assert near[4:7, 4:7].all() and not near[9:12, 9:12].any()
    assert near.sum() == near.size - 9


def test_planes_fitted_together_have_surfaces_of_one_order():
    """One plane is bent, two are not and would take a plane by themselves; noise is as large as what the bend leaves of a plane."""
    free = np.ones((ROWS, COLUMNS), dtype=bool)
    bent, _ = _cells(np.zeros(free.shape), seed=6, bend=0.15)
    flat, _ = _cells(np.zeros(free.shape), seed=7, bend=0.0)
    assert [sky.surface.order for sky in fit_sky(flat, free, max_order=3)] == [1, 1, 1]
    for parts in ([(bent, free, None), (flat, free, None)], [(flat, free, None), (bent, free, None)]):
        together = fit_together(parts, max_order=3)
        assert {sky.surface.order for planes in together for sky, _ in planes} == {2}
