"""Headers of many capture habits, and the night they put a frame into."""

import pytest

from pipeline.headers import exposure_start, frame_kind, header_facts, is_master, kind_of_words, number
from pipeline.named_facts import facts_of_names
from pipeline.nights import night_of, proposed_shift, settle_shifts

NOWHERE = {"longitude_deg": None, "utc_offset_h": None}


@pytest.mark.parametrize(
    ("value", "expected"),
    [
        (11, 11.0), ("11 C", 11.0), ("1,5", 1.5), ("120 s", 120.0), (" -30.97", -30.97), ("1e3", 1000.0), (".5", 0.5),
        ("", None), ("none", None), (True, None), (float("nan"), None), (10**400, None), ("1e999", None),
    ],
)  # fmt: skip
def test_numbers_as_headers_write_them(value, expected):
    assert number(value) == expected


@pytest.mark.parametrize(
    ("text", "kind"),
    [
        ("Light Frame", "light"), ("LIGHT", "light"), ("object", "light"), ("Flat Field", "flat"), ("FLAT", "flat"),
        ("skyflat", "flat"), ("Dark Flat", "darkflat"), ("FlatDark", "darkflat"), ("DARK-FLAT", "darkflat"),
        ("dark_flats", "darkflat"), ("Dark Frame", "dark"), ("Darks", "dark"), ("darks_120s", "dark"),
        ("Bias Frame", "bias"), ("zero", "bias"), ("offset", "bias"), ("biases", "bias"),
        ("offset50", None), ("gain100_offset_50", None), ("Flatiron", None), ("darkness", None), ("M 31", None),
    ],
)  # fmt: skip
def test_words_for_kinds(text, kind):
    assert kind_of_words(text) == kind


def test_the_header_wins_over_the_file_name_and_this_over_folders():
    assert frame_kind({"IMAGETYP": "FLAT"}, "darks/bias_001.fits") == "flat"
    assert frame_kind({"IMAGETYP": "unknown"}, "darks/bias_001.fits") == "bias"
    assert frame_kind({}, "flats/darks/img_001.fits") == "dark"
    assert frame_kind({}, "night/img_001.fits") is None


@pytest.mark.parametrize(
    ("text", "start"),
    [
        ("2031-03-02T21:40:05.123456", "2031-03-02T21:40:05.123"), ("2031-03-02T21:40:05", "2031-03-02T21:40:05"),
        ("2031-03-02 21:40", "2031-03-02T21:40:00"), ("2031-03-02T23:59:60", "2031-03-02T23:59:59"),
        ("2031-03-02", None), ("2031-13-02T21:40:05", None), ("", None), ("soon", None),
    ],
)  # fmt: skip
def test_exposure_start(text, start):
    assert exposure_start(text) == start


def test_spellings_of_one_fact():
    facts = header_facts({"EXPOSURE": "120,5 s", "SET-TEMP": -10.0, "CCDTEMP": "-9.8 C", "FOCALLEN": 0.0})
    assert facts["exposure_s"] == 120.5
    assert facts["temperature_c"] == -9.8, "the measured temperature counts, not the one that was set"
    assert "focal_length_mm" not in facts, "0 stands for unknown"


def test_what_stands_for_unknown_is_no_number():
    """-273.15 and -999 degC, a gain of -1, a pixel of 0: common in headers of cameras that tell nothing, no source."""
    header = {
        "CCD-TEMP": -273.15,
        "SET-TEMP": -10.0,
        "GAIN": -1,
        "OFFSET": -1,
        "XPIXSZ": 0,
        "ROTATANG": 9999.0,
    }
    facts = header_facts(header)
    assert facts["temperature_c"] == -10.0
    assert not {"gain_setting", "offset_setting", "pixel_um", "rotation_deg"} & set(facts)
    assert "temperature_c" not in header_facts({"CCD-TEMP": -999, "CCDTEMP": "off"})


def test_the_thermometer_outside_is_not_that_of_the_sensor():
    facts = header_facts({"CCD-TEMP": -10.0, "FOCTEMP": 7.5, "AMBTEMP": 6.0})
    assert (facts["temperature_c"], facts["outside_c"]) == (-10.0, 7.5)
    # A focuser without a thermometer says -273 or the like.
    assert header_facts({"FOCTEMP": -273.0, "AMBTEMP": 6.0})["outside_c"] == 6.0


@pytest.mark.parametrize(
    ("header", "exposure_s"),
    [
        ({"EXPTIME": 60.0, "EXPOSURE": 61.0}, 60.0), ({"EXPOSURE": "61"}, 61.0), ({"EXP_TIME": 62}, 62.0),
        ({"EXPTIME": "none", "EXPOSURE": 61.0}, 61.0), ({"XPOSURE": 63.0}, 63.0),
    ],
)  # fmt: skip
def test_spellings_of_the_exposure(header, exposure_s):
    """XPOSURE is that of FITS 4.0; the others are common practice."""
    assert header_facts(header)["exposure_s"] == exposure_s


@pytest.mark.parametrize(
    ("header", "binning"),
    [
        ({"XBINNING": 2, "YBINNING": 2}, "2x2"), ({"XBINNING": 2}, "2x2"), ({"XBINNING": 1, "YBINNING": 3}, "1x3"),
        ({"BINNING": "2x2"}, "2x2"), ({"CCDSUM": "2 2"}, "2x2"), ({"BINX": 3.0, "BINY": 3.0}, "3x3"), ({"XBINNING": 0}, None),
        ({"XBINNING": "many"}, None), ({"XBINNING": 10**12}, None), ({}, None),
    ],
)  # fmt: skip
def test_spellings_of_the_binning(header, binning):
    assert header_facts(header).get("binning") == binning


def test_the_place_of_a_subframe():
    assert header_facts({"XORGSUBF": 640, "YORGSUBF": 128.0})["origin"] == "640,128"
    assert "origin" not in header_facts({"XORGSUBF": 640})


@pytest.mark.parametrize(
    ("header", "name"),
    [
        ({"FILTER": "Wide "}, "Wide"), ({"FILTER": "", "FILTER1": "Duo"}, "Duo"), ({"FILTERID": "3"}, "3"), ({"FILTER": ""}, None),
    ],
)  # fmt: skip
def test_spellings_of_the_filter(header, name):
    assert header_facts(header).get("filter") == name


@pytest.mark.parametrize(
    ("below", "facts"),
    [
        (
            "x/darks_120s_gain100_-10C/a.fits",
            {"exposure_s": 120.0, "gain_setting": 100.0, "temperature_c": -10.0},
        ),
        (
            "x/Light_M 31_120.0s_Bin2_gain100_offset30_-9.8C_0001.fits.fz",
            {
                "exposure_s": 120.0,
                "gain_setting": 100.0,
                "offset_setting": 30.0,
                "temperature_c": -9.8,
                "binning": "2x2",
            },
        ),
        ("x/dark_300sec/IMG 120s.fits.gz", {"exposure_s": 120.0}),
        ("ISO800/bin1x2/0,5s.FIT", {"exposure_s": 0.5, "gain_setting": 800.0, "binning": "1x2"}),
        ("x/dark-10C/2031-03-02_a12s.fits", {}),
        ("binary3/again100/NGC 7000/s120.fits", {}),
    ],
)
def test_numbers_in_names(below, facts):
    assert facts_of_names(below) == facts


def test_masters_are_known_by_their_words():
    assert kind_of_words("MasterDark") == "dark" and kind_of_words("master_flat_wide") == "flat"
    assert is_master({"IMAGETYP": "Master Bias"}) and is_master({"KIND": "dark"})
    assert not is_master({"IMAGETYP": "Dark"}) and not is_master({"IMAGETYP": "Dark", "KIND": "dark"})


def test_a_date_and_a_time_apart():
    assert (
        header_facts({"DATE-OBS": "2031-03-02", "TIME-OBS": "21:40:05"})["start_utc"] == "2031-03-02T21:40:05"
    )


def test_a_start_as_julian_date():
    """FITS 4.0 section 9.5 and the IAU: MJD 51544.5 is 2000-01-01T12:00, JD = MJD + 2400000.5."""
    assert header_facts({"MJD-OBS": 51544.5})["start_utc"] == "2000-01-01T12:00:00"
    assert header_facts({"JD": 2451545.0})["start_utc"] == "2000-01-01T12:00:00"


def test_longitude_in_degrees_and_sexagesimal():
    assert header_facts({"SITELONG": "-70 58 12"})["longitude_deg"] == pytest.approx(-70.97)
    assert header_facts({"LONG-OBS": "-155:34:48"})["longitude_deg"] == pytest.approx(-155.58)
    assert header_facts({"SITELONG": 204.42})["longitude_deg"] == pytest.approx(-155.58)
    assert "longitude_deg" not in header_facts({"SITELONG": 0})


def test_night_runs_from_noon_to_noon():
    assert night_of("2031-03-02T11:59:00", 0) == "2031-03-01"
    assert night_of("2031-03-02T12:00:00", 0) == "2031-03-02"
    assert night_of("2031-03-03T03:00:00", 0) == "2031-03-02"
    # In Hawaii (155 degrees west) it is still the evening of the 8th at 8:12 UTC on the 9th.
    assert night_of("2016-09-09T08:12:26", -155.58 / 15) == "2016-09-08"


def test_the_config_is_believed_then_the_header():
    facts = {"longitude_deg": 30.0, "utc_offset_h": 3.0}
    assert proposed_shift(facts, {"longitude_deg": -75.0, "utc_offset_h": 1.0}) == (-5.0, True)
    assert proposed_shift(facts, {"longitude_deg": None, "utc_offset_h": 0.0}) == (0.0, True)
    assert proposed_shift(facts, NOWHERE) == (2.0, False)
    assert proposed_shift({"utc_offset_h": 3.0}, NOWHERE) == (3.0, False)
    assert proposed_shift({}, NOWHERE) == (0.0, False)


def test_local_time_gives_the_offset():
    header = {"DATE-OBS": "2031-03-02T20:40:05", "DATE-LOC": "2031-03-03T06:10:06.5"}
    assert header_facts(header)["utc_offset_h"] == 9.5


def test_lights_that_run_through_utc_noon_stay_one_night():
    """Somebody at 150 degrees east takes lights from 9 to 19 hours UTC, and the header does not say where."""
    lights = [(f"2031-03-02T{hour:02d}:30:00", 0.0) for hour in range(9, 19)]
    settled = settle_shifts(lights, {})
    assert {night_of(start, shift, settled) for start, shift in lights} == {"2031-03-02"}


def test_a_longitude_counted_westwards_is_found_out():
    """At 75 degrees west nights run from 0 to 10 UTC; with the sign lost, noon would be at 7 UTC."""
    lights = [(f"2031-03-03T{hour:02d}:10:00", 5.0) for hour in range(1, 10)]
    settled = settle_shifts(lights, {})
    assert {night_of(start, shift, settled) for start, shift in lights} == {"2031-03-02"}


def test_what_was_settled_stays_when_a_night_is_added():
    first = [(f"2031-03-02T{hour:02d}:30:00", 0.0) for hour in range(9, 19)]
    settled = settle_shifts(first, {})
    later = settle_shifts([*first, ("2031-03-09T20:30:00", 0.0)], settled)
    assert later == settled
    assert settle_shifts([(f"2031-03-02T{hour:02d}:00:00", 0.0) for hour in (19, 22, 23)], {}) == {}
