"""Levels of cells against numpy."""

import numpy as np
import pytest

from pipeline.numerics.sky_cells import cell_table


def _level(value, x, y):
    """What a cell should say: twice, the plane of least squares through what lies near the median about the last one; its
    median; and the leverage of the middle by numpy's inverse.
    """
    slope, leverage = np.zeros(2), 0.0
    for _ in range(2):
        left = value - slope @ (x, y)
        deviation = np.abs(left - np.median(left))
        near = deviation <= 3 * 1.482602218505602 * np.median(deviation)
        design = np.column_stack([np.ones(near.sum()), x[near], y[near]])
        slope = np.linalg.lstsq(design, value[near], rcond=None)[0][1:]
        leverage = near.sum() * np.linalg.inv(design.T @ design)[0, 0] - 1
    return np.median(value - slope @ (x, y)), leverage


@pytest.mark.parametrize("cell", [8, 21, 45])  # every pixel, every one, every second
@pytest.mark.parametrize("kind", ["noise about 0", "slope", "stars", "few pixels"])
def test_cells_are_medians_about_planes(cell, kind):
    """To single precision, of what is taken off."""
    rng = np.random.default_rng(cell)
    value = rng.normal(0, 1, (2, 2 * cell, 3 * cell)).astype(np.float32)
    usable = rng.random(value.shape) > (0.6 if kind == "few pixels" else 0.3)
    if kind == "slope":
        value += np.linspace(0, 9, 3 * cell, dtype=np.float32)
    elif kind == "stars":
        value[rng.random(value.shape) > 0.9] += 50
    cells = cell_table(value, np.full_like(value, 2.0), usable, cell=cell)
    stride = max(1, int(np.sqrt(cell**2 / 400)))
    places = np.arange(stride // 2, cell, stride)
    y, x = np.meshgrid(places - 0.5 * (cell - 1), places - 0.5 * (cell - 1), indexing="ij")
    for c, row, column in np.ndindex(2, 2, 3):
        part = np.ix_([c], row * cell + places, column * cell + places)
        good = usable[part][0]
        level, leverage = _level(value[part][0][good].astype(np.float64), x[good], y[good])
        assert cells.value[c, row, column] == pytest.approx(level, abs=1e-5)
        expected = np.sqrt(np.pi / 2 * 2.0 / good.sum() * (1 + leverage))
        assert cells.error[c, row, column] == pytest.approx(expected, rel=1e-5)


@pytest.mark.parametrize("kind", ["whole numbers", "one number", "wide range"])
def test_medians_are_those_of_numpy(kind):
    """Of odd and even numbers of samples, of either sign, with ties. No tolerance: pixels to all sides alike have no slope, so the
    median is one of them, or the mean of two in double precision.
    """
    rng = np.random.default_rng(4)
    quarter = rng.normal(0, 1, (1, 8, 8)).astype(np.float32)
    if kind == "whole numbers":
        quarter = np.rint(quarter)
    elif kind == "one number":
        quarter[:] = -2.5
    else:
        quarter = np.float32(10.0) ** (8 * np.clip(quarter, -4, 4)) * np.sign(quarter)
    some = rng.random(quarter.shape) > 0.3

    def mirrored(part):
        return np.concatenate([part, part[:, ::-1]], axis=1)

    value = mirrored(np.concatenate([quarter, quarter[:, :, ::-1]], axis=2))
    usable = mirrored(np.concatenate([some, some[:, :, ::-1]], axis=2))
    cells = cell_table(value, np.ones_like(value), usable, cell=16)
    assert cells.value[0, 0, 0] == np.median(value[usable].astype(np.float64))
    if kind == "one number":
        # One pixel less on one side: an odd number, and still no slope.
        usable[0, 0, 0] ^= True
        cells = cell_table(value, np.ones_like(value), usable, cell=16)
        assert cells.value[0, 0, 0] == -2.5


def test_sky_beside_a_nebula_is_level():
    """Half a field of flat sky beside gas a thousand times as bright as the noise of a cell, stars on one side of every cell: what
    is left in the sky is noise. Of 60 cells the scatter is known to 10 %, taken three times.
    """
    rng = np.random.default_rng(8)
    y, x = np.mgrid[:240, :480]
    sky = 1.0 * np.ones(x.shape)
    value = sky + 0.1 * np.maximum(x - 239.5, 0) + 0.5 * np.maximum(x - 239.5, 0) * (y / 240)
    value = (value + 0.3 * rng.standard_normal(x.shape)).astype(np.float32)[None]
    usable = np.ones(value.shape, bool)
    usable[0, :, (np.arange(480) % 24) < 8] = False
    usable[0, (np.arange(240) % 24) > 18] = False
    cells = cell_table(value, np.full_like(value, 0.09), usable, cell=24)
    free = cells.x < 240
    deviation = (cells.value[0][free] - 1.0) / cells.error[0][free]
    assert free.sum() == 100
    assert np.sqrt(np.mean(deviation**2)) < 1.25


def test_cells_whose_pixels_lie_all_on_one_side_tell_nothing():
    """Of the same number of pixels, a third of the cell: to one side, in one row of the middle, and spread over it."""
    value, usable = np.ones((1, 24, 72), np.float32), np.zeros((1, 24, 72), bool)
    usable[0, :, :8] = True
    usable[0, 8:16, 24:48] = True
    usable[0, ::3, 48:] = True
    cells = cell_table(value, np.ones_like(value), usable, cell=24)
    np.testing.assert_array_equal(np.isfinite(cells.value[0, 0]), [False, True, True])
    usable[0, :, 24:48] = False
    usable[0, 3, 24:48] = True
    cells = cell_table(value, np.ones_like(value), usable, cell=24)
    assert np.isnan(cells.value[0, 0, 1]) and np.isnan(cells.error[0, 0, 1])


def test_the_number_of_cores_does_not_change_the_result(monkeypatch):
    rng = np.random.default_rng(7)
    value = rng.normal(3, 1, (1, 640, 96)).astype(np.float32) + np.linspace(0, 5, 96, dtype=np.float32)
    usable = rng.random(value.shape) > 0.3
    monkeypatch.setattr("os.sched_getaffinity", lambda _: set(range(3)))
    results = []
    for cores in ("1", "3"):
        monkeypatch.setenv("OMP_NUM_THREADS", cores)
        results.append(cell_table(value, np.ones_like(value), usable, cell=16))
    assert np.array_equal(results[0].value, results[1].value)
    assert np.array_equal(results[0].error, results[1].error)
