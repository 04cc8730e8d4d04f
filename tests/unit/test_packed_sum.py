"""Partial sums in whole numbers: what comes back, and what the rounding costs."""

import numpy as np
import pytest
from astropy.io import fits

from pipeline.fitsio import read_rows, read_shape, write_packed
from pipeline.numerics.packed_sum import KINDS, Steps, pack, unpack
from pipeline.numerics.partial_sum import PartialSum

SHAPE = (3, 40, 60)


@pytest.fixture
def rng():
    return np.random.default_rng(61)


def a_sum(rng, n=12):
    weight = (n * rng.uniform(0.7, 1.3, SHAPE)).astype(np.float32)
    weight[0, 3, 4] = 0
    weight[1, 5, 6] = 1e-5
    variance = np.where(weight > 0, 1 / np.maximum(weight, 1e-9), 0).astype(np.float32)
    mean = (50 + np.sqrt(1 / n) * rng.normal(size=SHAPE)).astype(np.float32)
    mean[2, 20, 30] = 3e5
    coverage = np.where(weight > 0, n, 0).astype(np.uint16)
    return PartialSum(mean, weight, variance, coverage, np.full(SHAPE, 1, dtype=np.uint16))


def test_a_sum_comes_back_from_its_file_within_its_steps(tmp_path, rng):
    part = a_sum(rng)
    steps = Steps.of_frames(np.ones((12, 3)), np.ones((12, 3)))
    # Twelve frames of weight and variance one: the mean has the variance 1/12.
    assert steps.value == pytest.approx(np.sqrt(1 / 12) / 2048)
    planes = {name.upper(): plane for name, plane in pack(part, steps).items()}
    write_packed(tmp_path / "sum.fits", planes, steps={name.upper(): s for name, s in vars(steps).items()})
    # By the reader of the general library: whole, and with the checksums that it says.
    with fits.open(tmp_path / "sum.fits", checksum=True) as hdus:
        hdus.verify("exception")
        assert [hdu.name for hdu in hdus] == ["PRIMARY", *planes]
        np.testing.assert_array_equal(hdus["COVERAGE"].data, part.coverage)
    names = [name.upper() for name in KINDS]
    assert read_shape(tmp_path / "sum.fits", names[0]) == SHAPE
    # Bands that begin within what is compressed together.
    bands = [read_rows(tmp_path / "sum.fits", names, *rows) for rows in ((0, 7), (7, 33), (33, 40))]
    found = unpack({name.lower(): np.concatenate([b[name] for b in bands], axis=1) for name in names})
    for name in ("mean", "weight", "variance"):
        step = getattr(steps, {"mean": "value"}.get(name, name))
        error = np.abs(getattr(found, name).astype(float) - getattr(part, name))
        error[1, 5, 6] = 0
        # Half a step, and the rounding to float32: of what is 3e5 large, or 50; of a weight of 12.
        large = np.abs(getattr(part, name)) * 2.0**-23
        assert (error <= 0.51 * step + large).all()
    assert found.weight[0, 3, 4] == 0 and found.weight[1, 5, 6] > 0
    np.testing.assert_array_equal(found.coverage, part.coverage)
    np.testing.assert_array_equal(found.rejected, part.rejected)


def test_rounding_adds_a_twelfth_of_the_squared_step(rng):
    """Pence, White & Seaman 2010, section 3: the noise of rounded values is sqrt(1 + q^2 / 12) with q in sigma."""
    part = a_sum(rng)
    values = np.tile(part.mean, (20, 1, 1))
    values = (50 + rng.normal(size=values.shape)).astype(np.float32)
    big = PartialSum(values, *(np.ones(values.shape, dtype=k) for k in "ffff"))
    for q in (0.5, 1.0):
        rounded = pack(big, Steps(q, 1.0, 1.0))["value"] * q
        added = (rounded - values.astype(float)).var()
        # 140 000 values: the variance of the error is known to 0.3 %; 4 sigma.
        assert added == pytest.approx(q**2 / 12, rel=0.012)


def test_frames_without_weight_give_no_step_of_nothing():
    assert Steps.of_frames(np.zeros((2, 3)), np.ones((2, 3))) == Steps(1.0, 1.0, 1.0)
