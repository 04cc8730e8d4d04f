"""Masters made of simulated frames of a known camera."""

import numpy as np
import pytest

from pipeline import qa
from pipeline.errors import StageError
from pipeline.fitsio import read_hdus
from pipeline.master_checks import check_thermal
from pipeline.numerics.cfa import Cfa
from pipeline.numerics.defects import COLD, HOT, UNSTABLE
from pipeline.numerics.photon_transfer import QUANTISATION_ADU2
from pipeline.plan import load_master
from pipeline.qa import read_record
from pipeline.session_masters import read_masters
from pipeline.stages import masters
from tests.unit.calibration_set import (
    prepared,
    thermal_map,
    vignetting,
    write_bias,
    write_darks,
    write_flats,
    write_lights,
)
from tests.unit.raw_frames import GAIN_E, OFFSET_ADU, READ_NOISE_E, SHAPE, exposure, write

NOISE_ADU = np.sqrt((READ_NOISE_E / GAIN_E) ** 2 + QUANTISATION_ADU2)


@pytest.fixture
def rng():
    return np.random.default_rng(31)


@pytest.fixture
def folder(tmp_path):
    return tmp_path / "frames"


def master(layout, kind):
    (path,) = layout.root.glob(f"masters/{kind}-*.fits")
    header, images = read_hdus(path)
    record = read_record(layout.qa("masters", path.stem))
    return header, images, record


def codes(record):
    return [flag["code"] for flag in record["flags"]]


def test_bias_level_noise_and_variance(tmp_path, folder, rng):
    write_lights(folder, rng, 1, 10)
    write_bias(folder, rng, 8)
    layout, _, _ = prepared(tmp_path)
    header, images, record = master(layout, "bias")
    n_pixels = SHAPE[0] * SHAPE[1]
    # Four standard errors of the mean of all pixels.
    assert images["PRIMARY"].mean() == pytest.approx(OFFSET_ADU, abs=4 * NOISE_ADU / np.sqrt(8 * n_pixels))
    # The mean of n_pixels sample variances with 7 degrees of freedom; clipping at 4 sigma takes less than 0.5 %.
    assert images["VARIANCE"].mean() == pytest.approx(
        NOISE_ADU**2 / 8, rel=4 * np.sqrt(2 / 7 / n_pixels) + 0.005
    )
    assert record["metrics"]["read_noise_adu"] == pytest.approx(NOISE_ADU, rel=4 / np.sqrt(2 * n_pixels))
    assert header["RDNADU"] == pytest.approx(record["metrics"]["read_noise_adu"])
    assert (header["KIND"], header["NCOMBINE"], header["BUNIT"]) == ("bias", 8, "adu")
    assert images["MASK"].dtype == np.uint8
    assert images["MASK"].sum() == 0
    assert record["verdict"] == "pass"


def test_hits_are_clipped_and_hot_pixels_masked(tmp_path, folder, rng):
    hot = np.zeros(SHAPE, dtype=bool)
    hot[20, 30] = hot[50, 51] = hot[70, 8] = True
    hot[:, 100] = True
    write_lights(folder, rng, 1, 10)
    for k in range(8):
        frame = exposure(rng, thermal=60 * thermal_map(), bad=hot)
        frame[40 + k, 60:64] = 30000
        write(folder / f"dark_{k}.fits", frame, IMAGETYP="Dark", FILTER=None)
    layout, _, _ = prepared(tmp_path)
    _, images, record = master(layout, "dark")
    np.testing.assert_array_equal(images["MASK"] > 0, hot)
    expected = OFFSET_ADU + 60 * thermal_map() / GAIN_E
    # 32 pixels had a hit of 30000 ADU in one of 8 frames; with it they would be off by 3700.
    hit = images["PRIMARY"][40:48, 60:64] - expected[40:48, 60:64]
    assert np.abs(hit).max() < 5 * np.sqrt((NOISE_ADU**2 + 60 * thermal_map().max() / GAIN_E**2) / 7)
    assert record["metrics"]["clipped_sample_fraction"] >= 32 / (8 * SHAPE[0] * SHAPE[1])


def test_an_unstable_pixel_is_masked_though_its_mean_is_ordinary(tmp_path, folder, rng):
    write_lights(folder, rng, 1, 10)
    for k in range(10):
        frame = exposure(rng)
        frame[33, 44] = OFFSET_ADU + 300 * (-1) ** k
        write(folder / f"bias_{k}.fits", frame, IMAGETYP="Bias", EXPTIME=0.0, FILTER=None)
    layout, _, _ = prepared(tmp_path)
    _, images, _ = master(layout, "bias")
    assert abs(images["PRIMARY"][33, 44] - OFFSET_ADU) < 1
    np.testing.assert_array_equal(np.argwhere(images["MASK"]), [[33, 44]])


@pytest.mark.parametrize("pattern", ["RGGB", "GBRG", "mono"])
def test_flats_that_fade_by_a_quarter_give_the_illumination(tmp_path, folder, rng, pattern):
    dead = np.ones(SHAPE)
    dead[60, 61] = 0.3
    write_lights(folder, rng, 1, 10, pattern=pattern)
    write_flats(folder, rng, np.linspace(30000, 22500, 8), pattern=pattern, response=dead)
    write_darks(folder, rng, 6, 1.0, kind="Dark Flat", pattern=pattern)
    layout, _, _ = prepared(tmp_path)
    header, images, record = master(layout, "flat-wide")
    cfa = Cfa(pattern)
    good = images["MASK"] == 0
    np.testing.assert_array_equal(np.argwhere(~good), [[60, 61]])
    for c in range(len(cfa.channels)):
        of_colour = (cfa.index_map(*SHAPE) == c) & good
        assert images["PRIMARY"][of_colour].mean(dtype=float) == pytest.approx(1, abs=1e-6)
        truth = vignetting()[of_colour] / vignetting()[of_colour].mean()
        error = images["PRIMARY"][of_colour] - truth
        # The clipping of 8 values by their own deviation takes a few good ones, at the tails: some per cent.
        stated = np.sqrt(images["VARIANCE"][of_colour].mean(dtype=float))
        assert error.std() == pytest.approx(stated, rel=0.06)
        assert abs(error.mean()) < 5 * stated / np.sqrt(of_colour.sum())
    assert header["FLATCON0"] > 0
    assert record["metrics"]["flat_faintest_to_brightest"] == pytest.approx(0.75, rel=0.01)
    assert codes(record) == []


def test_constants_keep_the_colour_of_the_lamp(tmp_path, folder, rng):
    write_lights(folder, rng, 1, 10)
    write_flats(folder, rng, [30000] * 6)
    write_bias(folder, rng, 6)
    layout, _, _ = prepared(tmp_path)
    header, _, _ = master(layout, "flat-wide")
    constants = [header[f"FLATCON{k}"] for k in range(4)]
    assert constants[1] == pytest.approx(constants[2], rel=1e-6), "both greens share one"
    mean = vignetting().mean() * 30000 / GAIN_E
    # The constant refers to the mean of each colour's pixels; 1 % since the level is that of the middle half.
    np.testing.assert_allclose(constants, [0.5 * mean, mean, mean, 0.7 * mean], rtol=0.03)


def test_gain_is_measured_and_compared_with_the_header(tmp_path, folder, rng):
    """The 96 x 128 frames have 12 blocks of 32 px; on 256 x 256, 16 blocks a plane know the gain to about 1 %."""
    shape = (256, 256)
    write(folder / "light.fits", exposure(rng, 900, shape=shape), EGAIN=1.2)
    for k in range(6):
        write(folder / f"flat_{k}.fits", exposure(rng, 20000, shape=shape), IMAGETYP="FLAT", EGAIN=1.2)
        write(
            folder / f"bias_{k}.fits",
            exposure(rng, shape=shape),
            IMAGETYP="BIAS",
            FILTER=None,
            RDNOISE=9.0,
            EGAIN=1.2,
        )
    layout, _, _ = prepared(tmp_path)
    header, _, record = master(layout, "flat-wide")
    assert header["GAINPTC"] == pytest.approx(GAIN_E, rel=0.03)
    assert codes(record) == ["gain_differs"]
    assert record["metrics"]["gain_difference"] == pytest.approx(GAIN_E / 1.2 - 1, abs=0.03)
    assert codes(master(layout, "bias")[2]) == ["read_noise_differs"]


def test_flats_too_bright_too_faint_and_of_the_wrong_pattern_are_said(tmp_path, folder, rng):
    write_lights(folder, rng, 1, 10)
    write_flats(folder, rng, [60000 * 1.2] * 3)
    write_bias(folder, rng, 3)
    layout, _, _ = prepared(tmp_path)
    assert "flat_clipped" in codes(master(layout, "flat-wide")[2])


def test_faint_flats_and_few_of_them_are_said(tmp_path, folder, rng):
    write_lights(folder, rng, 1, 10)
    write_flats(folder, rng, [300] * 2)
    layout, _, _ = prepared(tmp_path)
    assert codes(master(layout, "flat-wide")[2]) == ["few_frames", "flat_without_pedestal"]
    write_bias(folder, rng, 3)
    layout, _, _ = prepared(tmp_path)
    assert codes(master(layout, "flat-wide")[2]) == ["few_frames", "flat_faint"]


def test_a_wrong_pattern_shows_in_the_greens(tmp_path, folder, rng):
    write_lights(folder, rng, 1, 10, pattern="GBRG")
    write_flats(folder, rng, [20000] * 4, pattern="GBRG")
    write_bias(folder, rng, 3)
    layout, _, _ = prepared(tmp_path, camera={"cfa_pattern": "RGGB"})
    assert "green_planes_differ" in codes(master(layout, "flat-wide")[2])


def test_bands_do_not_show(tmp_path, folder, rng):
    """The same master whether made at once or a few rows at a time."""
    write_lights(folder, rng, 1, 10)
    write_flats(folder, rng, [20000] * 5)
    write_darks(folder, rng, 5, 1.0, kind="darkflat")
    layout, _, options = prepared(tmp_path)
    at_once = {path.name: read_hdus(path)[1] for path in layout.root.glob("masters/*.fits")}
    # Room for 7 rows of 5 frames of 128 pixels.
    options["run"]["memory_gb"] = 2 * 7 * 5 * 128 * masters.BYTES_PER_SAMPLE / 1e9
    for name, images in at_once.items():
        masters.run(layout, name.removesuffix(".fits"), options)
        again = read_hdus(layout.master(name.removesuffix(".fits")))[1]
        for extension, plane in images.items():
            np.testing.assert_array_equal(again[extension], plane)


def test_a_frame_that_broke_since_is_left_out_with_a_flag(tmp_path, folder, rng):
    write_lights(folder, rng, 1, 10)
    write_bias(folder, rng, 5)
    layout, session, options = prepared(tmp_path)
    whole = (folder / "bias_1.fits").read_bytes()
    (folder / "bias_1.fits").write_bytes(whole[: len(whole) // 2])
    (folder / "bias_2.fits").unlink()
    name = session.masters["bias"]
    masters.run(layout, name, options)
    header, _, record = master(layout, "bias")
    assert header["NCOMBINE"] == 3
    assert codes(record) == ["frame_skipped", "frame_skipped"]
    for frame in load_master(layout.master_plan(name)).frames:
        (tmp_path / frame.path).unlink(missing_ok=True)
    with pytest.raises(StageError, match="none of the 5 frames"):
        masters.run(layout, name, options)
    assert read_record(layout.qa("masters", name))["verdict"] == "fail"


def test_a_dark_among_the_flats_stops_with_its_name(tmp_path, folder, rng):
    write_lights(folder, rng, 1, 10)
    write_flats(folder, rng, [20000, 20000, 0])
    write(folder / "bias.fits", exposure(rng, thermal=20.0), IMAGETYP="Bias", FILTER=None)
    with pytest.raises(StageError, match=r"flat_2.fits: a flat without light"):
        prepared(tmp_path)


def test_bad_pixels_are_counted_by_kind(tmp_path, folder, rng):
    write_lights(folder, rng, 1, 10)
    for k in range(10):
        frame = exposure(rng)
        frame[20, 30] += 900
        frame[25, 35] -= 400
        frame[33, 44] = OFFSET_ADU + 300 * (-1) ** k
        # Up in four of ten frames, which the clipping takes for hits.
        frame[60, 61] += 120 * (k in (1, 4, 5, 8))
        write(folder / f"bias_{k}.fits", frame, IMAGETYP="Bias", EXPTIME=0.0, FILTER=None)
    layout, _, _ = prepared(tmp_path)
    _, images, record = master(layout, "bias")
    mask = images["MASK"]
    assert (mask[20, 30], mask[25, 35], mask[33, 44]) == (HOT, COLD, UNSTABLE)
    assert mask[60, 61] & UNSTABLE
    counts = [record["metrics"][f"{kind}_pixels"] for kind in ("hot", "cold", "unstable")]
    # The one that jumps may count as hot as well, if the mean of what is left is high.
    assert counts[1:] == [1, 2] and counts[0] in (1, 2)


@pytest.mark.parametrize("fault", ["none", "colour", "side", "odd"])
def test_light_in_darks_is_said_and_clean_ones_are_left_alone(tmp_path, folder, rng, fault):
    """Darks of two minutes with amplifier glow, which is no fault; then light through the filters, from one side, or on one
    frame only.
    """
    write_lights(folder, rng, 1, 10)
    write_bias(folder, rng, 8)
    side = np.broadcast_to(np.linspace(0, 1, SHAPE[1]), SHAPE)
    for k in range(8):
        light = {"colour": 25.0, "odd": 60.0 * (k == 3)}.get(fault, 0.0)
        thermal = 120 * 0.5 + 40.0 * side * (fault == "side")
        write(
            folder / f"dark_{k}.fits", exposure(rng, light, thermal=thermal), IMAGETYP="Dark", FILTER=None, EXPTIME=120.0
        )  # fmt: skip
    layout, session, _ = prepared(tmp_path)
    _, _, record = master(layout, "dark")
    expected = {
        "none": [],
        "colour": ["dark_light_leak"],
        "side": [],
        "odd": ["dark_level_differs"],
    }[fault]
    assert codes(record) == expected
    if fault == "odd":
        assert "dark_3.fits" in record["flags"][0]["message"]
    assert codes(master(layout, "bias")[2]) == []
    # A slope is held against the bias, which the session knows.
    found = read_masters(session, layout)
    record = qa.Record("diagnose", session.name)
    check_thermal(record, found["dark"], found["bias"], Cfa("RGGB"))
    assert codes(record.as_dict()) == (["dark_gradient"] if fault == "side" else [])
    check_thermal(record, found["bias"], found["dark"], Cfa("RGGB"))
    assert "dark_below_bias" in codes(record.as_dict()), "the other way round"


def test_flats_that_change_colour_or_lack_one_are_said(tmp_path, folder, rng):
    write_lights(folder, rng, 1, 10)
    write_bias(folder, rng, 4)
    cfa = Cfa("RGGB")
    for k in range(6):
        blue = np.where(cfa.index_map(*SHAPE) == 2, 0.08 * (1 + 0.05 * k), 1.0)
        frame = exposure(rng, 30000 * vignetting() * blue)
        write(folder / f"flat_{k}.fits", frame, IMAGETYP="Flat", EXPTIME=1.0)
    layout, _, _ = prepared(tmp_path)
    assert codes(master(layout, "flat-wide")[2]) == ["flat_colour_weak", "flat_colour_drift"]
