"""From raw frames to electrons per second, against the light that was simulated."""

import numpy as np
import pytest

from pipeline.calibration import Calibrator
from pipeline.errors import StageError
from pipeline.fitsio import RawPixels
from tests.unit.calibration_set import (
    THERMAL_E_S,
    prepared,
    thermal_map,
    write_bias,
    write_darks,
    write_flats,
    write_lights,
)
from tests.unit.raw_frames import GAIN_E, OFFSET_ADU, READ_NOISE_E, SHAPE, exposure, light_map, write

RATE_E_S = 40.0


@pytest.fixture
def rng():
    return np.random.default_rng(41)


@pytest.fixture
def folder(tmp_path):
    return tmp_path / "frames"


def calibrated(tmp_path, **sections):
    layout, session, options = prepared(tmp_path, **sections)
    calibrator = Calibrator.for_session(session, layout, options)
    return calibrator, session, calibrator.calibrate(session.frames[0])


def codes(calibrator):
    return [note["code"] for note in calibrator.notes]


def assert_shows(frame, truth, *, pattern="RGGB", bias_of_mean=0.0):
    """Values scatter about the truth as the noise model says; the mean within 4 standard errors and what masters of
    few frames leave.
    """
    error = frame.value - truth
    sigma = np.sqrt(frame.noise.variance(truth, flat=frame.flat))
    good = ~frame.invalid & ~frame.saturated
    pull = (error / sigma)[good]
    # 12288 pixels know their scatter to 0.6 %; 3 % leaves room for the flat normalised on the same pixels.
    assert pull.std() == pytest.approx(1, abs=0.03)
    assert abs(pull.mean()) < 4 / np.sqrt(pull.size) + bias_of_mean


def test_with_a_dark_and_flat_the_sky_comes_back(tmp_path, folder, rng):
    write_lights(folder, rng, 2, RATE_E_S)
    write_darks(folder, rng, 16, 60.0)
    write_flats(folder, rng, [25000] * 16)
    write_darks(folder, rng, 16, 1.0, kind="Dark Flat")
    calibrator, _, frame = calibrated(tmp_path)
    assert codes(calibrator) == []
    truth = RATE_E_S * light_map("RGGB")
    # The flat is 1 on average while the vignetting is not, so the rate is that of the average pixel.
    scale = np.median(frame.value / truth)
    assert 0.8 < scale < 0.95
    assert_shows(frame, (truth * scale).astype(np.float32))
    # No amplifier glow is left: the corner is as bright as its colours elsewhere.
    corner, middle = (np.mean((frame.value / truth)[part]) for part in (np.s_[:12, :12], np.s_[40:56, 50:70]))
    assert corner == pytest.approx(middle, rel=0.01)
    assert calibrator.sources["electrons_per_adu"] == "header"
    assert calibrator.sources["read_noise_e"] == "measured"
    # A dark's pairs hold the thermal noise as well; without a bias it cannot be told apart, and need not be.
    total = calibrator.noise.read_noise_e**2 + calibrator.noise.thermal_e_s * 60
    assert total == pytest.approx(READ_NOISE_E**2 + 60 * np.mean(thermal_map()), rel=0.05)


def test_bias_is_never_subtracted_twice(tmp_path, folder, rng):
    """The same frames with and without bias frames on the shelf give the same values."""
    write_lights(folder, rng, 1, RATE_E_S)
    write_darks(folder, rng, 8, 60.0)
    _, _, alone = calibrated(tmp_path)
    write_bias(folder, rng, 8)
    calibrator, session, beside = calibrated(tmp_path)
    assert session.masters["bias"]
    np.testing.assert_array_equal(alone.value, beside.value)
    # The bias tells read noise and thermal rate apart.
    assert calibrator.noise.read_noise_e == pytest.approx(READ_NOISE_E, rel=0.05)
    assert calibrator.noise.thermal_e_s == pytest.approx(np.median(thermal_map()), rel=0.05)


def test_a_dark_of_another_exposure_is_scaled(tmp_path, folder, rng):
    write_lights(folder, rng, 1, RATE_E_S)
    write_darks(folder, rng, 16, 180.0)
    write_bias(folder, rng, 16)
    calibrator, _, _ = calibrated(tmp_path)
    assert codes(calibrator) == ["dark_scaled", "no_flat"]
    expected = OFFSET_ADU + 60 * thermal_map() / GAIN_E
    error = (calibrator.pedestal - expected) * GAIN_E / np.sqrt(calibrator.noise.pedestal_variance_e2)
    assert abs(error.mean()) < 4 / np.sqrt(error.size) + 0.02
    # The usual variance is the median; the glowing corner has more, and 5 % leaves room for it.
    assert np.median(np.abs(error)) * 1.4826 == pytest.approx(1, abs=0.06)


def test_a_short_dark_without_bias_is_the_pedestal(tmp_path, folder, rng):
    write_lights(folder, rng, 1, RATE_E_S)
    write_darks(folder, rng, 8, 1.0)
    calibrator, _, _ = calibrated(tmp_path)
    assert codes(calibrator) == ["dark_as_pedestal", "no_flat"]
    assert np.median(calibrator.pedestal) == pytest.approx(OFFSET_ADU + THERMAL_E_S / GAIN_E, abs=1)


def test_a_bias_alone(tmp_path, folder, rng):
    write_lights(folder, rng, 1, RATE_E_S)
    write_bias(folder, rng, 8)
    calibrator, _, _ = calibrated(tmp_path)
    assert codes(calibrator) == ["no_dark", "no_flat"]
    assert np.median(calibrator.pedestal) == pytest.approx(OFFSET_ADU, abs=1)


def test_nothing_at_all(tmp_path, folder, rng):
    write_lights(folder, rng, 1, RATE_E_S, EGAIN=None)
    calibrator, _, frame = calibrated(tmp_path)
    assert codes(calibrator) == ["gain_unknown", "read_noise_unknown", "pedestal_guessed", "no_flat"]
    assert OFFSET_ADU < calibrator.pedestal < OFFSET_ADU + 60 * RATE_E_S / GAIN_E
    assert np.isfinite(frame.value).all()
    calibrator, _, _ = calibrated(
        tmp_path, camera={"pedestal_adu": 510, "electrons_per_adu": 0.9, "read_noise_e": 2.0}
    )
    assert codes(calibrator) == ["constant_pedestal", "no_flat"]
    assert (calibrator.pedestal, calibrator.noise.electrons_per_adu, calibrator.noise.read_noise_e) == (
        510,
        0.9,
        2.0,
    )


def test_gain_is_taken_from_flats_of_the_same_setting_only(tmp_path, folder, rng):
    shape = (256, 256)
    write(folder / "light.fits", exposure(rng, 900, shape=shape), EGAIN=None)
    for k in range(4):
        write(folder / f"bias_{k}.fits", exposure(rng, shape=shape), IMAGETYP="BIAS", FILTER=None, EGAIN=None)
        write(folder / f"flat_{k}.fits", exposure(rng, 20000, shape=shape), IMAGETYP="FLAT", EGAIN=None)
    calibrator, _, _ = calibrated(tmp_path)
    assert calibrator.sources["electrons_per_adu"] == "measured"
    # 16 blocks a plane and three pairs, see test_masters.
    assert calibrator.noise.electrons_per_adu == pytest.approx(GAIN_E, rel=0.03)
    for k in range(4):
        (folder / f"flat_{k}.fits").unlink()
        write(
            folder / f"flat_{k}.fits", exposure(rng, 20000, shape=shape), IMAGETYP="FLAT", EGAIN=None, GAIN=0
        )
    calibrator, _, _ = calibrated(tmp_path)
    assert calibrator.sources["electrons_per_adu"] == "assumed"


def test_parts_are_those_of_the_whole_with_what_cannot_be_used_marked(tmp_path, folder, rng):
    write_lights(folder, rng, 1, RATE_E_S)
    write_darks(folder, rng, 4, 60.0)
    write_flats(folder, rng, [25000] * 4)
    calibrator, session, whole = calibrated(tmp_path)
    (frame,) = session.frames
    expected = whole.value.copy()
    expected[whole.saturated] = np.inf
    expected[whole.invalid] = np.nan
    pixels = RawPixels(frame.path, frame.hdu, tmp_path)
    for rows in ((0, 10), (10, 57), (57, SHAPE[0])):
        for columns in ((0, SHAPE[1]), (7, 50)):
            part = calibrator.rates(frame, pixels, rows, columns)
            np.testing.assert_array_equal(part, expected[slice(*rows), slice(*columns)])
    assert whole.value.dtype == part.dtype == np.float32


def test_clipped_pixels_are_saturated_and_bad_ones_invalid(tmp_path, folder, rng):
    star = np.full(SHAPE, 900.0)
    star[40:46, 40:46] = 60000
    clipped = np.minimum(exposure(rng, star), 16383)
    write(folder / "light_0.fits", clipped)
    faint = exposure(rng, 900)
    faint[10, 10] = 16383
    write(folder / "light_1.fits", faint)
    hot = np.zeros(SHAPE, dtype=bool)
    hot[70, 71] = True
    for k in range(5):
        write(folder / f"dark_{k}.fits", exposure(rng, bad=hot), IMAGETYP="Dark", FILTER=None)
    calibrator, session, first = calibrated(tmp_path)
    np.testing.assert_array_equal(first.saturated, clipped == 16383)
    np.testing.assert_array_equal(first.invalid, hot)
    # The level of the session counts in the frame that has a single clipped pixel, too.
    second = calibrator.calibrate(session.frames[1])
    assert np.argwhere(second.saturated).tolist() == [[10, 10]]
    assert calibrator.sources["saturation_adu"] == "measured"


def test_each_frame_has_its_own_exposure(tmp_path, folder, rng):
    write_lights(folder / "a", rng, 2, RATE_E_S, exposure_s=60.0)
    write_lights(folder / "b", rng, 1, RATE_E_S, exposure_s=60.6, DATE_OBS="2031-05-02T22:00:00")
    layout, session, options = prepared(tmp_path, camera={"pedestal_adu": OFFSET_ADU})
    calibrator = Calibrator.for_session(session, layout, options)
    frames = [calibrator.calibrate(frame) for frame in session.frames]
    assert [frame.noise.exposure_s for frame in frames] == [60.0, 60.0, 60.6]
    medians = [np.median(frame.value) for frame in frames]
    assert medians[2] == pytest.approx(medians[0], rel=0.005)


def test_a_frame_or_master_of_another_size_is_named(tmp_path, folder, rng):
    write_lights(folder, rng, 1, RATE_E_S)
    write_bias(folder, rng, 3)
    layout, session, options = prepared(tmp_path)
    calibrator = Calibrator.for_session(session, layout, options)
    (folder / "light_0.fits").unlink()
    write(folder / "light_0.fits", exposure(rng, shape=(48, 64)))
    with pytest.raises(StageError, match=r"light_0.fits: expected 128 x 96 pixels, found 64 x 48"):
        calibrator.calibrate(session.frames[0])
    write(layout.master("other"), exposure(rng, shape=(48, 64)))
    session.masters["bias"] = "other"
    with pytest.raises(StageError, match=r"other.fits: expected 128 x 96 pixels"):
        Calibrator.for_session(session, layout, options)
