"""Masters and calibration against astropy and ccdproc on the same arrays, and the FITS standard's checksums."""

import warnings

import numpy as np
import pytest
from astropy import units as u
from astropy.io import fits
from astropy.nddata import CCDData
from astropy.stats import mad_std, sigma_clip
from ccdproc import Combiner, flat_correct, subtract_dark

from pipeline.calibration import Calibrator
from pipeline.fitsio import read_frame, read_image
from pipeline.numerics.combine import clipped_mean
from pipeline.numerics.defects import LEAST_SCATTER_ADU
from pipeline.plan import load_master
from tests.unit.calibration_set import prepared, write_bias, write_darks, write_flats, write_lights
from tests.unit.raw_frames import GAIN_E


@pytest.fixture
def rng():
    return np.random.default_rng(51)


def frames_with_hits(rng, n, shape=(40, 50)):
    """A tenth of the pixels hit in one frame."""
    frames = rng.normal(500, 12, (n, *shape)).astype(np.float32)
    hit = rng.random(shape) < 0.1
    frames[rng.integers(0, n, shape)[hit], *np.nonzero(hit)] += rng.uniform(200, 9000, hit.sum())
    return frames


def deviation(values, axis=None):
    return mad_std(values, axis=axis, ignore_nan=True)


@pytest.mark.parametrize("n", [5, 6, 12, 45])
@pytest.mark.parametrize("sigma", [3.0, 4.0])
def test_clipped_mean_is_astropy_sigma_clip(rng, n, sigma):
    """astropy.stats.sigma_clip about the median with mad_std: the same values stay, to the last one.

    The functions are given as such: named by text, astropy 8.0.2 takes a compiled shortcut that keeps about one value
    in a thousand beyond the limit (-4.27 deviations at a limit of 4; numpy by hand agrees with the general way).
    """
    frames = frames_with_hits(rng, n)
    mean, variance, count = clipped_mean(frames, sigma=sigma, iterations=5)
    kept = sigma_clip(
        frames.astype(np.float64),
        sigma=sigma,
        maxiters=5,
        cenfunc=np.nanmedian,
        stdfunc=deviation,
        axis=0,
        masked=True,
    )
    assert (kept.count(axis=0) < n).mean() > 0.1, "something was clipped"
    np.testing.assert_array_equal(count, kept.count(axis=0))
    # float32 results of sums in float64.
    np.testing.assert_allclose(mean, kept.mean(axis=0).filled(np.nan), rtol=1e-6)
    expected = kept.var(axis=0, ddof=1).filled(np.nan) / kept.count(axis=0)
    np.testing.assert_allclose(variance, expected, rtol=1e-5)


def test_one_clipping_is_ccdproc_combiner(rng):
    """ccdproc.Combiner clips once, with the deviation function it is given; equal means are of equal sets."""
    frames = frames_with_hits(rng, 9)
    mean, _, count = clipped_mean(frames, sigma=4.0, iterations=1)
    combiner = Combiner([CCDData(frame.astype(np.float64), unit=u.adu) for frame in frames])
    combiner.sigma_clipping(low_thresh=4.0, high_thresh=4.0, func=np.nanmedian, dev_func=deviation)
    assert (count < 9).mean() > 0.1
    np.testing.assert_allclose(mean, combiner.average_combine().data, rtol=1e-6)


@pytest.fixture
def calibrated_set(tmp_path, rng):
    folder = tmp_path / "frames"
    write_lights(folder, rng, 1, 40.0)
    write_darks(folder, rng, 6, 60.0)
    write_flats(folder, rng, np.linspace(30000, 22500, 6))
    write_darks(folder, rng, 6, 1.0, kind="Dark Flat")
    return prepared(tmp_path)


def test_a_master_dark_is_that_of_ccdproc(calibrated_set):
    layout, session, _ = calibrated_set
    plan = load_master(layout.master_plan(session.masters["dark"]))
    frames = [read_frame(frame.path).astype(np.float64) for frame in plan.frames]
    combiner = Combiner([CCDData(frame, unit=u.adu) for frame in frames])
    plain = combiner.average_combine().data
    ours = read_image(layout.master(plan.name))
    # Where nothing was clipped the two are one mean; 4 of the robust deviations of 6 values clip about one in 400.
    same = np.isclose(ours, plain, rtol=1e-6)
    assert same.mean() > 0.99
    assert np.abs(ours - plain).max() > 10 * LEAST_SCATTER_ADU or same.all()


def test_the_calibrated_frame_is_that_of_ccdproc(calibrated_set):
    """subtract_dark and flat_correct with our masters, then electrons per second: the same to float32."""
    layout, session, options = calibrated_set
    ours = Calibrator.for_session(session, layout, options).calibrate(session.frames[0])
    light, dark, flat = (
        CCDData(array.astype(np.float64), unit=unit)
        for array, unit in (
            (read_frame(session.frames[0].path), u.adu),
            (read_image(layout.master(session.masters["dark"])), u.adu),
            (read_image(layout.master(session.masters["flat"])), u.dimensionless_unscaled),
        )
    )
    exposure = 60.0 * u.second
    reduced = subtract_dark(light, dark, dark_exposure=exposure, data_exposure=exposure)
    # norm_value=1 keeps it from dividing our flat, which is 1 per colour, by a mean over all colours.
    reduced = flat_correct(reduced, flat, norm_value=1.0)
    np.testing.assert_allclose(ours.value, reduced.data * GAIN_E / 60.0, rtol=2e-6, atol=1e-5)


def test_a_scaled_dark_is_that_of_ccdproc(tmp_path, rng):
    """subtract_dark(scale=True) scales a dark whose bias was taken off, as ours does."""
    folder = tmp_path / "frames"
    write_lights(folder, rng, 1, 40.0)
    write_darks(folder, rng, 6, 180.0)
    write_bias(folder, rng, 6)
    layout, session, options = prepared(tmp_path)
    ours = Calibrator.for_session(session, layout, options).calibrate(session.frames[0])
    bias = read_image(layout.master(session.masters["bias"])).astype(np.float64)
    dark = read_image(layout.master(session.masters["dark"])).astype(np.float64)
    light = CCDData(read_frame(session.frames[0].path) - bias, unit=u.adu)
    reduced = subtract_dark(
        light,
        CCDData(dark - bias, unit=u.adu),
        dark_exposure=180.0 * u.second,
        data_exposure=60.0 * u.second,
        scale=True,
    )
    np.testing.assert_allclose(ours.value, reduced.data * GAIN_E / 60.0, rtol=2e-6, atol=1e-5)


def test_written_masters_pass_the_checksums_of_the_standard(calibrated_set):
    """CHECKSUM and DATASUM, FITS 4.0 section 4.4.2.7 and appendix J, verified by astropy."""
    layout, _, _ = calibrated_set
    paths = sorted(layout.root.glob("masters/*.fits"))
    assert len(paths) == 3
    for path in paths:
        with warnings.catch_warnings():
            # astropy only warns of a wrong sum.
            warnings.simplefilter("error")
            with fits.open(path, checksum=True) as hdus:
                hdus.verify("exception")
                assert [hdu.name for hdu in hdus] == ["PRIMARY", "VARIANCE", "MASK"]
                assert all({"CHECKSUM", "DATASUM"} <= set(hdu.header) for hdu in hdus)
                assert all(hdu.data is not None for hdu in hdus)
