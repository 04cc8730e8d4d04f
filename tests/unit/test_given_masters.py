"""Masters that were made before, of our own and of others, in place of raw calibration frames."""

import json
import os
import shutil
import time

import numpy as np
import pytest
from astropy.io import fits

from pipeline.calibration import Calibrator
from pipeline.fitsio import read_hdus
from pipeline.layout import Layout
from pipeline.numerics.cfa import Cfa
from pipeline.numerics.pixel_scatter import pixel_variance
from pipeline.plan import load_session
from pipeline.qa import read_record
from pipeline.stages import inventory, masters
from tests.unit.calibration_set import (
    prepared,
    thermal_map,
    vignetting,
    write_bias,
    write_darks,
    write_flats,
    write_lights,
)
from tests.unit.raw_frames import COLOURS, GAIN_E, OFFSET_ADU, READ_NOISE_E, SHAPE, settings

RATE_E_S = 40.0
"""Of the sky, electrons per second in the brightest colour."""

DARK_ADU = OFFSET_ADU + 60 * thermal_map() / GAIN_E
"""What a dark of 60 s shows."""


@pytest.fixture
def rng():
    return np.random.default_rng(31)


@pytest.fixture
def folder(tmp_path):
    return tmp_path / "frames"


@pytest.fixture
def given(tmp_path):
    (tmp_path / "given").mkdir()
    return tmp_path / "given"


def foreign(path, frame, **header):
    """A master as some other program may leave it; "_" stands for "-" in keywords."""
    hdu = fits.PrimaryHDU(np.asarray(frame, dtype=np.float32))
    hdu.header.update({key.replace("_", "-"): value for key, value in header.items()})
    hdu.writeto(path)
    return path


def lamp(pattern="RGGB"):
    """(ny, nx) signal of a flat in ADU, without its pedestal, with colours."""
    cfa = Cfa(pattern)
    colours = np.array([COLOURS[channel] for channel in cfa.channels])[cfa.index_map(*SHAPE)]
    return 30000 * colours * vignetting()


def taken(tmp_path, **sections):
    """Layout, inventory, the only session, and QA records of the masters after these were made."""
    layout, session, options = prepared(tmp_path, **sections)
    content = json.loads(layout.inventory().read_text())
    records = {path.stem: read_record(path) for path in layout.root.glob("qa/masters/*.json")}
    return layout, content, session, records, options


def colour_error(layout, session, options):
    """Largest deviation of the calibrated sky from truth, by colour, relative."""
    calibrator = Calibrator.for_session(session, layout, options)
    value = np.mean([calibrator.calibrate(frame).value for frame in session.frames], axis=0)
    cfa, errors = Cfa(session.cfa), []
    for index, channel in enumerate(cfa.channels):
        of_colour = (cfa.index_map(*SHAPE) == index) & ~calibrator.invalid
        mean_light = vignetting()[of_colour].mean()
        errors.append(value[of_colour].mean() / (RATE_E_S * COLOURS[channel] * mean_light) - 1)
    return np.abs(errors).max(), calibrator


def test_our_own_masters_are_taken_over_unchanged(tmp_path, folder, given, rng):
    """From raw frames in one target, then without them in another: the same calibration to the last bit."""
    write_lights(folder, rng, 3, RATE_E_S)
    write_bias(folder / "raw", rng, 4)
    write_darks(folder / "raw", rng, 4, 60.0)
    write_flats(folder / "raw", rng, [30000] * 4)
    layout, session, options = prepared(tmp_path)
    before = Calibrator.for_session(session, layout, options)
    for path in layout.root.glob("masters/*.fits"):
        shutil.copy(path, given)
    shutil.rmtree(folder / "raw")
    shutil.rmtree(layout.root)
    layout, content, session, records, options = taken(tmp_path, input={"masters": [str(given)]})
    assert all(entry["given"] for entry in content["masters"])
    assert {kind: name.split("-")[1] for kind, name in session.masters.items()} == {
        "bias": "bias",
        "dark": "dark",
        "flat": "flat",
    }
    assert session.notes == []
    after = Calibrator.for_session(session, layout, options)
    assert (after.noise, after.sources) == (before.noise, before.sources)
    np.testing.assert_array_equal(after.pedestal, before.pedestal)
    # It was 1 on average in each colour already; that it is made so again changes the last digits.
    np.testing.assert_allclose(after.flat, before.flat, rtol=1e-6)
    np.testing.assert_array_equal(after.invalid, before.invalid)
    for record in records.values():
        assert [flag["code"] for flag in record["flags"]] == ["master_given"]
        assert "not known" not in record["flags"][0]["message"]
        assert record["metrics"]["n_frames"] == 4


def test_masters_of_others_calibrate_and_what_they_do_not_tell_is_recorded(tmp_path, folder, given, rng):
    write_lights(folder, rng, 3, RATE_E_S)
    hot = DARK_ADU + rng.normal(0, 1.0, SHAPE)
    hot[20, 30] = 9000
    foreign(given / "MasterDark_60s.fits", hot)
    flat = foreign(
        tmp_path / "old.fits",
        lamp() * rng.normal(1, 0.002, SHAPE),
        IMAGETYP="Master Flat",
        FILTER="wide",
        NCOMBINE=25,
    )
    layout, content, session, records, options = taken(tmp_path, input={"masters": [str(given), str(flat)]})
    assert {entry["status"] for entry in content["files"]} == {"used"}
    assert [entry["kind"] for entry in content["masters"]] == ["dark", "flat"]
    error, calibrator = colour_error(layout, session, options)
    # The mean of some thousand pixels of 3 frames; the flat is 1 on average in each colour, dust and corners included.
    assert error < 0.005
    assert calibrator.invalid[20, 30]
    assert [note["code"] for note in calibrator.notes if note["severity"] != "info"] == ["read_noise_unknown"]
    messages = {name.split("-")[1]: record["flags"][0]["message"] for name, record in records.items()}
    assert messages["dark"].endswith(
        "not known: the noise of its pixels (estimated from neighbours), number of frames, gain setting, offset setting, "
        "temperature, night."
    )
    assert "number of frames" not in messages["flat"]
    header, images = read_hdus(layout.master(session.masters["flat"]))
    assert (header["GIVEN"], header["NCOMBINE"]) == (True, 25)
    # 0.002 of the local value was put in, and vignetting makes the usual value up to 1.3 in the middle of this frame.
    assert 0.002 < np.sqrt(np.median(images["VARIANCE"])) < 0.0026
    dark_header = read_hdus(layout.master(session.masters["dark"]))[0]
    assert "NCOMBINE" not in dark_header


def test_a_given_master_is_used_before_raw_frames_where_it_matches(tmp_path, folder, given, rng):
    write_lights(folder, rng, 2, RATE_E_S)
    write_darks(folder, rng, 3, 60.0)
    foreign(given / "dark_60s.fits", DARK_ADU + rng.normal(0, 1, SHAPE))
    foreign(given / "dark_60s_gain200.fits", DARK_ADU + rng.normal(0, 1, SHAPE))
    options = {"input": {"masters": [str(given)]}}
    before, _, _ = prepared(tmp_path)
    assert (
        not load_session(next(before.root.glob("sessions/*/session.json")))
        .masters["dark"]
        .startswith("given")
    )
    _, content, session, _, _ = taken(tmp_path, **options)
    assert session.masters["dark"].startswith("given-dark")
    used = {entry["path"].rsplit("/", 1)[-1]: entry["status"] for entry in content["files"]}
    assert (used["dark_60s.fits"], used["dark_60s_gain200.fits"]) == ("used", "unused")
    assert used["DarkFrame_60_0.fits"] == "unused"
    # Taken away again, the raw frames are back.
    _, _, session, _, _ = taken(tmp_path)
    assert session.masters["dark"].startswith("dark-")


def test_a_given_master_that_does_not_match_is_explained(tmp_path, folder, given, rng):
    write_lights(folder, rng, 2, RATE_E_S)
    foreign(given / "dark_60s_gain200.fits", DARK_ADU + rng.normal(0, 1, SHAPE))
    _, _, session, _, _ = taken(tmp_path, input={"masters": [str(given)]})
    assert session.masters["dark"] is None
    assert "gain setting 200 instead of 100" in session.notes[0]["message"]


def test_masters_among_raw_frames_are_known_by_their_header(tmp_path, folder, rng):
    """A master in the mean of raw frames would spoil it; a light that was combined is no raw light."""
    write_lights(folder, rng, 2, RATE_E_S)
    write_darks(folder, rng, 3, 60.0)
    foreign(folder / "a.fits", DARK_ADU + rng.normal(0, 1, SHAPE), IMAGETYP="MASTERDARK", EXPTIME=60.0)
    foreign(folder / "b.fits", lamp(), IMAGETYP="Master Light", EXPTIME=60.0, FILTER="wide")
    for path in folder.iterdir():
        os.utime(path, (time.time() - 3600,) * 2)
    _, content, session, _, _ = taken(tmp_path)
    assert len(session.frames) == 2
    entries = {entry["path"].rsplit("/", 1)[-1]: entry for entry in content["files"]}
    assert entries["a.fits"]["member_of"] == session.masters["dark"]
    assert "combined from others" in entries["b.fits"]["reason"]


def test_a_given_dark_without_its_bias_gets_it_back(tmp_path, folder, given, rng):
    write_lights(folder, rng, 3, RATE_E_S)
    foreign(given / "dark_60s.fits", DARK_ADU - OFFSET_ADU + rng.normal(0, 1, SHAPE))
    bias = foreign(tmp_path / "master_bias.fits", OFFSET_ADU + rng.normal(0, 1, SHAPE))
    foreign(given / "flat_wide.fits", lamp() * rng.normal(1, 0.002, SHAPE))
    layout, _, session, _, options = taken(tmp_path, input={"masters": [str(given), str(bias)]})
    error, calibrator = colour_error(layout, session, options)
    assert error < 0.005
    assert "bias_added_to_dark" in [note["code"] for note in calibrator.notes]
    bias.unlink()
    layout, _, session, _, options = taken(tmp_path, input={"masters": [str(given)]})
    calibrator = Calibrator.for_session(session, layout, options)
    assert "dark_without_bias" in [note["code"] for note in calibrator.notes]


def test_masters_on_a_scale_from_0_to_1_are_refused_unless_they_are_flats(tmp_path, folder, given, rng):
    write_lights(folder, rng, 2, RATE_E_S)
    foreign(given / "dark_60s.fits", (DARK_ADU + rng.normal(0, 1, SHAPE)) / 65535)
    foreign(given / "flat_wide.fits", lamp() / 65535)
    for path in given.iterdir():
        os.utime(path, (time.time() - 3600,) * 2)
    _, content, session, _, _ = taken(tmp_path, input={"masters": [str(given)]})
    assert session.masters["flat"]
    (left_out,) = content["quarantined"]
    assert "values from 0 to 1 (expected ADU" in left_out["reason"]


def test_a_master_below_an_input_folder_is_no_raw_frame_too(tmp_path, folder, rng, monkeypatch):
    write_lights(folder, rng, 2, RATE_E_S)
    (folder / "old").mkdir()
    foreign(folder / "old" / "dark_60s.fits", DARK_ADU + rng.normal(0, 1, SHAPE))
    monkeypatch.chdir(tmp_path)
    layout = Layout(tmp_path / "out")
    inventory.run(layout, "frames", settings(folder, input={"masters": ["frames/old"]}))
    content = json.loads(layout.inventory().read_text())
    assert [entry["path"] for entry in content["files"] if entry["given"]] == ["frames/old/dark_60s.fits"]
    assert len(content["files"]) == 3
    (entry,) = content["masters"]
    masters.run(layout, entry["name"], settings(folder))
    assert read_hdus(layout.master(entry["name"]))[0]["KIND"] == "dark"


def test_scatter_of_pixels_is_that_of_the_noise_whatever_the_slope(rng):
    """Outside check: the variance of numpy's normal deviates; colours, a slope and hot pixels do not matter."""
    y, x = np.indices((200, 300))
    image = 100 + 0.3 * x - 0.2 * y + 500 * ((x % 2) ^ (y % 2)) + rng.normal(0, READ_NOISE_E, (200, 300))
    image[rng.random(image.shape) < 0.01] = 60000
    image[5, 5] = np.nan
    # 60 000 pixels know a MAD to 0.7 %, its square to 1.4 %; 3 % of the differences hold a hot pixel, which widens the MAD by
    # 3 % / (4 phi(0.674) 0.674) = 3.5 % and its square by 7 %.
    assert READ_NOISE_E**2 * 0.97 < pixel_variance(image) < READ_NOISE_E**2 * 1.11
    assert pixel_variance(np.ones((2, 2))) == 0.0
