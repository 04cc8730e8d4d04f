"""The inventory as a whole, on folders of small frames, good and bad."""

import gzip
import json
import os
import shutil
import time

import numpy as np
import pytest
from astropy.io import fits

from pipeline import frame_check
from pipeline.errors import ConfigError, InputError
from pipeline.frame_check import inspect_file
from pipeline.layout import Layout
from pipeline.plan import load_session
from pipeline.qa import read_record
from pipeline.stages import inventory
from tests.unit.raw_frames import OFFSET_ADU, exposure, settings, write

HOUR_S = 3600


@pytest.fixture
def rng():
    return np.random.default_rng(21)


@pytest.fixture
def folder(tmp_path):
    return tmp_path / "frames"


def aged(folder):
    """Make all files an hour old: nothing is "still being written"."""
    then = time.time() - HOUR_S
    for path in folder.rglob("*"):
        if path.is_file():
            os.utime(path, (then, then))


def taken(tmp_path, options, *, age=True):
    """Run the inventory; return layout, content, entries by file name."""
    if age:
        aged(tmp_path / "frames")
    layout = Layout(tmp_path / "out")
    inventory.run(layout, "frames", options)
    content = json.loads(layout.inventory().read_text())
    return layout, content, {entry["path"].rsplit("/", 1)[-1]: entry for entry in content["files"]}


def statuses(entries):
    return {name: entry["status"] for name, entry in entries.items()}


def test_bad_files_are_set_aside_with_a_reason_and_the_rest_goes_on(tmp_path, folder, rng):
    for k in range(3):
        write(folder / f"light_{k}.fits", exposure(rng, 900))
    good = (folder / "light_0.fits").read_bytes()
    (folder / "truncated.fits").write_bytes(good[: len(good) // 2])
    (folder / "empty.fits").write_bytes(b"")
    (folder / "text.fits").write_text("These are notes, not a picture.\n")
    (folder / "noise.fits").write_bytes(rng.bytes(5000))
    write(folder / "black.fits", np.zeros((96, 128), np.uint16))
    write(folder / "small.fits", exposure(rng, 900, shape=(48, 128)))
    write(folder / "no_name.fits", exposure(rng, 900), FILTER=None)
    write(folder / "other.fits", exposure(rng, 900), FILTER="Sodium")
    write(folder / "no_time.fits", exposure(rng, 900), EXPTIME=None)
    write(folder / "backwards.fits", exposure(rng, 900), EXPTIME=-60.0)
    write(folder / "what.fits", exposure(rng, 900), IMAGETYP=None, FILTER=None)
    write(folder / "blank.fits", np.full((96, 128), np.nan, np.float32))
    fits.PrimaryHDU().writeto(folder / "header_only.fits")
    (folder / "readme.md").write_text("notes")
    layout, content, entries = taken(tmp_path, settings(folder))
    reasons = {name: entry["reason"] for name, entry in entries.items() if entry["status"] == "quarantined"}
    expected = {
        "truncated.fits": "truncated",
        "empty.fits": "not a readable FITS file",
        "text.fits": "not a readable FITS file",
        "noise.fits": "not a readable FITS file",
        "black.fits": "all pixels have the same value, 0",
        "small.fits": "128 x 48 pixels, while most lights of wide have 128 x 96",
        "no_name.fits": "FILTER is missing",
        "no_time.fits": "EXPTIME is missing",
        "backwards.fits": "EXPTIME is -60 s",
        "what.fits": "IMAGETYP",
        "blank.fits": "hold no number",
        "header_only.fits": "no two-dimensional image",
    }
    assert set(reasons) == set(expected)
    for name, text in expected.items():
        assert text in reasons[name], name
    assert entries["other.fits"]["status"] == "unused"
    assert 'filter "Sodium" belongs to none of the filter sets (wide, duo)' in entries["other.fits"]["reason"]
    assert entries["readme.md"]["status"] == "unused"
    (session,) = content["sessions"]
    assert session["frames"] == 3
    record = read_record(layout.qa("inventory", "frames"))
    assert record["verdict"] == "warn"
    assert record["metrics"]["quarantined"] == len(expected)
    assert len(content["quarantined"]) == len(expected)


def test_a_header_that_promises_the_moon_costs_no_memory(tmp_path, folder, rng):
    write(folder / "light.fits", exposure(rng, 900))
    text = (folder / "light.fits").read_bytes()
    huge = text.replace(b"NAXIS1  =                  128", b"NAXIS1  =              9000000")
    huge = huge.replace(b"NAXIS2  =                   96", b"NAXIS2  =              9000000")
    assert huge != text
    (folder / "huge.fits").write_bytes(huge)
    _, _, entries = taken(tmp_path, settings(folder))
    assert statuses(entries) == {"light.fits": "used", "huge.fits": "quarantined"}


def test_a_file_that_is_still_growing_waits_and_is_read_when_it_is_there(tmp_path, folder, rng):
    write(folder / "light_0.fits", exposure(rng, 900))
    write(folder / "light_1.fits", exposure(rng, 900))
    aged(folder)
    whole = (folder / "light_1.fits").read_bytes()
    (folder / "light_1.fits").write_bytes(whole[:9000])
    _, content, entries = taken(tmp_path, settings(folder), age=False)
    assert entries["light_1.fits"]["status"] == "waiting"
    assert "still being written" in content["quarantined"][0]["reason"]
    (folder / "light_1.fits").write_bytes(whole)
    _, _, entries = taken(tmp_path, settings(folder), age=False)
    assert statuses(entries) == {"light_0.fits": "used", "light_1.fits": "used"}


@pytest.mark.parametrize("change", ["longer", "touched", "gone"])
def test_a_file_that_changes_while_it_is_read_waits(tmp_path, folder, rng, monkeypatch, change):
    """Also if it could be read to its end: what was read may be the old half and the new one."""
    path = write(folder / "light.fits", exposure(rng, 900))
    aged(folder)
    real = frame_check.read_frame

    def written_meanwhile(name, hdu):
        frame = real(name, hdu)
        if change == "longer":
            with open(name, "ab") as file:
                file.write(b" " * 2880)
        elif change == "touched":
            os.utime(name)
        else:
            name.unlink()
        return frame

    monkeypatch.setattr(frame_check, "read_frame", written_meanwhile)
    look = inspect_file(path)
    assert (look["ok"], look["waiting"], look["reason"]) == (False, True, "changed while it was read")


def test_a_file_of_full_length_whose_end_is_still_empty_is_no_frame(tmp_path, folder, rng):
    """Some systems give a file its length before its content; a row or two of zeros may be the sensor's own."""
    for number, rows in enumerate((1, 40)):
        frame = exposure(rng, 900).astype(np.int16)
        frame[-rows:] = 0
        write(folder / f"{number}.fits", frame)
    dark = np.zeros((96, 128), np.uint8)
    dark[3, 4] = dark[50, 60] = 1
    write(folder / "dark.fits", dark, IMAGETYP="Dark")
    _, _, entries = taken(tmp_path, settings(folder))
    assert entries["0.fits"]["status"] == "used"
    assert entries["1.fits"]["reason"] == "the last 40 of 96 rows are empty (all 0)"
    assert entries["dark.fits"]["look"]["ok"], "rows of one value are everywhere in it"


def test_frames_on_a_scale_from_0_to_1_are_used_with_a_warning(tmp_path, folder, rng):
    write(folder / "a.fits", (exposure(rng, 900) / 65535).astype(np.float32))
    layout, _, entries = taken(tmp_path, settings(folder))
    assert entries["a.fits"]["status"] == "used"
    assert "no_adu" in [flag["code"] for flag in read_record(layout.qa("inventory", "frames"))["flags"]]


def test_a_start_by_the_clock_of_the_place_alone(tmp_path, folder, rng):
    """Half past nine in the evening, 9.5 hours east of UTC: the config tells how far, and UTC follows."""
    write(folder / "a.fits", exposure(rng, 900), DATE_OBS=None, DATE_LOC="2031-05-02T21:30:00.25")
    write(folder / "b.fits", exposure(rng, 900), DATE_OBS=None, DATE_LOC="2031-05-03T03:30:00")
    _, content, entries = taken(tmp_path, settings(folder, site={"utc_offset_h": 9.5}))
    assert entries["a.fits"]["facts"]["start_utc"] == "2031-05-02T12:00:00.250000"
    assert [each["night"] for each in content["sessions"]] == ["2031-05-02"]
    _, content, entries = taken(tmp_path, settings(folder))
    assert [each["night"] for each in content["sessions"]] == ["2031-05-02"], (
        "local time tells the night by itself"
    )


def test_facts_that_header_and_config_leave_open_come_from_names(tmp_path, folder, rng):
    bare = {"EXPTIME": None, "GAIN": None, "CCD_TEMP": None, "OFFSET": None}
    write(folder / "lights_90s" / "wide_gain100.fits", exposure(rng, 900), **bare)
    write(
        folder / "darks_-10C" / "d_90s_gain100.fits",
        exposure(rng, 0),
        **{**bare, "IMAGETYP": None, "FILTER": None},
    )
    overrides = [{"match": "lights*", "temperature_c": -9.0}]
    _, content, _ = taken(tmp_path, settings(folder, input={"overrides": overrides}))
    (session,) = content["sessions"]
    assert session["name"] == "wide-2031-05-02-90s-g100-b1x1"
    assert session["masters"]["dark"] == "dark-2031-05-02-90s-g100-m10C-b1x1"


def test_calibration_frames_of_another_size_are_named_as_near_misses(tmp_path, folder, rng):
    """Binned darks are a mistake to be told of, not a broken file."""
    write(folder / "light.fits", exposure(rng, 900))
    write(folder / "dark.fits", exposure(rng, 0, shape=(48, 64)), IMAGETYP="Dark", XBINNING=2, YBINNING=2)
    _, content, entries = taken(tmp_path, settings(folder))
    assert entries["dark.fits"]["status"] == "unused"
    (session,) = content["sessions"]
    assert "binning 2x2 instead of 1x1, size 64 x 48 instead of 128 x 96" in session["notes"][0]["message"]


def test_a_subframe_of_another_place_has_no_use_for_a_dark(tmp_path, folder, rng):
    write(folder / "light.fits", exposure(rng, 900), XORGSUBF=640, YORGSUBF=128)
    write(folder / "dark.fits", exposure(rng, 0), IMAGETYP="Dark", XORGSUBF=0, YORGSUBF=0)
    _, content, _ = taken(tmp_path, settings(folder))
    (session,) = content["sessions"]
    assert "place of the subframe on the sensor 0,0 instead of 640,128" in session["notes"][0]["message"]


def test_all_kinds_of_fits(tmp_path, folder, rng):
    frame = exposure(rng, 900)
    write(folder / "u16.fits", frame)
    write(folder / "i16.fit", (frame // 4).astype(np.int16))
    write(folder / "u8.fts", np.clip(frame // 16, 0, 255).astype(np.uint8))
    write(folder / "f32.FITS", frame.astype(np.float32))
    with fits.open(folder / "u16.fits") as hdus:
        header = hdus[0].header.copy()
        fits.CompImageHDU(frame, header=header, compression_type="RICE_1").writeto(folder / "rice.fits.fz")
        table = fits.BinTableHDU.from_columns([fits.Column("a", "E", array=np.arange(3.0))])
        later = fits.ImageHDU(frame, header=header)
        fits.HDUList([fits.PrimaryHDU(), table, later]).writeto(folder / "later.fits")
    with gzip.open(folder / "zipped.fits.gz", "wb") as out:
        out.write((folder / "u16.fits").read_bytes())
    layout, _, entries = taken(tmp_path, settings(folder))
    assert set(statuses(entries).values()) == {"used"}, {n: e["reason"] for n, e in entries.items()}
    assert entries["later.fits"]["look"]["hdu"] == 2
    session = load_session(layout.session_plan("wide-2031-05-02-60s-g100-o30-b1x1"))
    assert len(session.frames) == 7


def test_kinds_and_filters_from_names_and_config(tmp_path, folder, rng):
    blind = {"IMAGETYP": None, "FILTER": None}
    write(folder / "Town_Cut" / "lights" / "a.fits", exposure(rng, 900), **blind)
    write(folder / "lights" / "b_DUO 10_01.fits", exposure(rng, 900), **blind)
    write(folder / "flats" / "town cut" / "c.fits", exposure(rng, 9000), **blind)
    write(folder / "x" / "d.fits", exposure(rng, 900), **blind)
    write(folder / "x" / "e.fits", exposure(rng, 900), IMAGETYP=None, FILTER="DUO_10", GAIN="100,0")
    overrides = [{"match": "x/d*", "image_type": "dark", "exposure_s": 60.0, "night": "2031-05-02"}]
    _, _, entries = taken(tmp_path, settings(folder, input={"overrides": overrides}))
    found = {name: (entry["kind"], entry["filter_set"]) for name, entry in entries.items()}
    assert found == {
        "a.fits": ("light", "wide"),
        "b_DUO 10_01.fits": ("light", "duo"),
        "c.fits": ("flat", "wide"),
        "d.fits": ("dark", None),
        "e.fits": ("light", "duo"),
    }


def test_the_name_of_the_input_folder_itself_counts(tmp_path, rng):
    write(tmp_path / "frames" / "darks" / "a.fits", exposure(rng, 0), IMAGETYP=None, FILTER=None)
    write(tmp_path / "frames" / "l" / "b.fits", exposure(rng, 900))
    options = settings(tmp_path / "frames" / "l", input={})
    options["input"]["folders"].append(str(tmp_path / "frames" / "darks"))
    _, _, entries = taken(tmp_path, options)
    assert entries["a.fits"]["kind"] == "dark"


def test_a_second_look_reads_no_file_and_writes_no_plan(tmp_path, folder, rng, monkeypatch):
    for k in range(3):
        write(folder / f"light_{k}.fits", exposure(rng, 900))
    write(folder / "dark.fits", exposure(rng, 0), IMAGETYP="Dark", FILTER=None)
    (folder / "empty.fits").write_bytes(b"")
    layout, _, _ = taken(tmp_path, settings(folder))
    plans = [*layout.root.glob("sessions/*/*.json"), *layout.root.glob("masters/*.json"), layout.inventory()]
    before = {path: path.stat().st_mtime_ns for path in plans}
    assert len(before) == 3

    def refuse(path):
        raise AssertionError(f"{path} was read again")

    monkeypatch.setattr(inventory, "inspect_file", refuse)
    inventory.run(layout, "frames", settings(folder))
    assert {path: path.stat().st_mtime_ns for path in plans} == before


def test_another_night_adds_its_session_and_leaves_the_others(tmp_path, folder, rng, monkeypatch):
    night = {"IMAGETYP": "Flat", "EXPTIME": 1.0}
    for k in range(2):
        write(folder / "1" / f"light_{k}.fits", exposure(rng, 900))
        write(folder / "1" / f"flat_{k}.fits", exposure(rng, 9000), **night)
    layout, _, _ = taken(tmp_path, settings(folder))
    before = {
        path: path.read_bytes() for path in layout.root.glob("*/**/*.json") if path.parent.parent.name != "qa"
    }
    for k in range(2):
        later = {"DATE_OBS": "2031-05-03T22:00:00"}
        write(folder / "2" / f"light_{k}.fits", exposure(rng, 900), **later)
        write(folder / "2" / f"flat_{k}.fits", exposure(rng, 9000), **night, **later)
    read = []

    def noted(path):
        read.append(path.parent.name)
        return inspect_file(path)

    monkeypatch.setattr(inventory, "inspect_file", noted)
    inventory.run(layout, "frames", settings(folder))
    assert read == ["2"] * 4
    assert {path: path.read_bytes() for path in before} == before
    assert len(list(layout.root.glob("sessions/*/session.json"))) == 2


def test_stale_plans_go(tmp_path, folder, rng):
    write(folder / "a.fits", exposure(rng, 900))
    write(folder / "b.fits", exposure(rng, 900), FILTER="Duo 10")
    layout, _, _ = taken(tmp_path, settings(folder))
    (folder / "b.fits").unlink()
    inventory.run(layout, "frames", settings(folder))
    assert [path.parent.name for path in layout.root.glob("sessions/*/session.json")] == [
        "wide-2031-05-02-60s-g100-o30-b1x1"
    ]


def test_a_disk_that_is_not_mounted_is_not_taken_for_the_wish_to_forget(tmp_path, folder, rng):
    write(folder / "a.fits", exposure(rng, 900))
    layout, _, _ = taken(tmp_path, settings(folder))
    (folder / "a.fits").unlink()
    with pytest.raises(InputError, match="expected the 1 files of the last inventory"):
        inventory.run(layout, "frames", settings(folder))
    assert list(layout.root.glob("sessions/*/session.json"))
    shutil.rmtree(folder)
    with pytest.raises(ConfigError, match="is not a folder"):
        inventory.run(layout, "frames", settings(folder))


def test_links_circles_ignored_and_own_results(tmp_path, folder, rng):
    write(folder / "night" / "a.fits", exposure(rng, 900))
    write(folder / "bad" / "b.fits", exposure(rng, 900))
    write(tmp_path / "elsewhere" / "c.fits", exposure(rng, 900))
    (folder / "linked").symlink_to(tmp_path / "elsewhere")
    (folder / "night" / "circle").symlink_to(folder)
    layout = Layout(folder / "results")
    write(folder / "results" / "masters" / "d.fits", exposure(rng, 900))
    inventory.run(layout, "frames", settings(folder, input={"ignore": ["bad/*"]}))
    files = json.loads(layout.inventory().read_text())["files"]
    assert sorted(entry["path"].rsplit("/", 1)[-1] for entry in files) == ["a.fits", "c.fits"]


def test_clipping_level_and_pattern_come_from_the_pixels(tmp_path, folder, rng):
    star = np.full((96, 128), 900.0)
    star[40:46, 40:46] = 60000
    clipped = np.minimum(exposure(rng, star, pattern="GRBG"), 16383)
    write(folder / "stars.fits", clipped, BAYERPAT="GRBG")
    write(folder / "plain.fits", exposure(rng, 900, pattern="GRBG"), BAYERPAT="GRBG")
    layout, _, entries = taken(tmp_path, settings(folder))
    assert entries["stars.fits"]["look"]["clipped_adu"] == 16383
    assert entries["plain.fits"]["look"]["clipped_adu"] is None
    assert load_session(next(layout.root.glob("sessions/*/session.json"))).cfa == "GRBG"


def test_a_light_without_date_takes_that_of_its_file(tmp_path, folder, rng):
    write(folder / "a.fits", exposure(rng, 900), DATE_OBS=None)
    layout, _, entries = taken(tmp_path, settings(folder))
    assert entries["a.fits"]["facts"]["start_from_file"]
    assert "no_date" in [flag["code"] for flag in read_record(layout.qa("inventory", "frames"))["flags"]]


def test_no_light_at_all_fails_in_the_record_and_lists_the_files(tmp_path, folder, rng):
    write(
        folder / "dark.fits",
        np.full((96, 128), OFFSET_ADU, np.uint16) + rng.integers(0, 5, (96, 128), np.uint16),
        IMAGETYP="DARK",
    )
    layout, content, entries = taken(tmp_path, settings(folder))
    assert read_record(layout.qa("inventory", "frames"))["verdict"] == "fail"
    assert entries["dark.fits"]["status"] == "unused"
    assert content["sessions"] == []


def test_a_name_that_is_no_text_is_set_aside(tmp_path, folder, rng):
    write(folder / "a.fits", exposure(rng, 900))
    odd = os.fsencode(folder) + b"/caf\xe9.fits"
    shutil.copy(os.fsencode(folder / "a.fits"), odd)
    _, content, _ = taken(tmp_path, settings(folder))
    (entry,) = content["quarantined"]
    assert entry["path"].endswith("caf\\xe9.fits")
    assert "not valid UTF-8" in entry["reason"]
