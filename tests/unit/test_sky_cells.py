"""Medians of cells against numpy."""

import numpy as np
import pytest

from pipeline.numerics.sky_cells import cell_table


@pytest.mark.parametrize("cell", [8, 21, 45])  # every pixel, every one, every second
@pytest.mark.parametrize("kind", ["noise about 0", "whole numbers", "one number", "wide range"])
def test_cells_are_numpys_medians(cell, kind):
    """Too few cells for a slope, so each is the plain median: of odd and even numbers of samples, of either sign, with ties.
    No tolerance: the median is one of the samples, or the mean of two in double precision.
    """
    rng = np.random.default_rng(cell)
    value = rng.normal(0, 1, (2, 2 * cell, 3 * cell)).astype(np.float32)
    if kind == "whole numbers":
        value = np.rint(value)
    elif kind == "one number":
        value[:] = -2.5
    elif kind == "wide range":
        value = np.float32(10.0) ** (8 * np.clip(value, -4, 4)) * np.sign(value)
    usable = rng.random(value.shape) > 0.3
    usable[:, :cell, :cell] = True
    cells = cell_table(value, np.full_like(value, 2.0), usable, cell=cell)
    stride = max(1, int(np.sqrt(cell**2 / 400)))
    for c in range(2):
        for row in range(2):
            for column in range(3):
                part = np.s_[
                    c,
                    row * cell + stride // 2 : (row + 1) * cell : stride,
                    column * cell + stride // 2 : (column + 1) * cell : stride,
                ]
                samples = value[part][usable[part]].astype(np.float64)
                assert cells.value[c, row, column] == np.median(samples)
                expected = np.sqrt(np.pi / 2 * 2.0 / samples.size)
                assert cells.error[c, row, column] == pytest.approx(expected, rel=1e-12)


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
