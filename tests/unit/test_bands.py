"""Work in bands of rows."""

import numpy as np
import pytest

from pipeline.numerics.bands import in_bands
from pipeline.numerics.starlet import denoise


@pytest.mark.parametrize("cores", ["1", "2", "5", ""])
def test_bands_cover_every_row_once(monkeypatch, cores):
    monkeypatch.setenv("OMP_NUM_THREADS", cores)
    monkeypatch.setattr("os.sched_getaffinity", lambda _: set(range(4)))
    for n_rows in (0, 1, 700, 2048):
        count = np.zeros(n_rows, dtype=int)

        def work(start, stop, count=count):
            count[start:stop] += 1

        in_bands(work, n_rows)
        in_bands(work, n_rows, rows=100)
        assert (count == 2).all()


def test_the_number_of_cores_does_not_change_the_result(monkeypatch):
    image = np.random.default_rng(1).normal(size=(900, 40)).astype(np.float32)
    monkeypatch.setattr("os.sched_getaffinity", lambda _: set(range(3)))
    results = []
    for cores in ("1", "3"):
        monkeypatch.setenv("OMP_NUM_THREADS", cores)
        results.append(denoise(image, np.ones_like(image), sigma=1.5))
    np.testing.assert_array_equal(*results)


def test_an_error_in_a_band_is_not_lost(monkeypatch):
    monkeypatch.setattr("os.sched_getaffinity", lambda _: {0, 1})
    monkeypatch.setenv("OMP_NUM_THREADS", "2")

    def work(start, stop):
        raise ValueError(f"band {start}")

    with pytest.raises(ValueError, match="band 0"):
        in_bands(work, 1000)
