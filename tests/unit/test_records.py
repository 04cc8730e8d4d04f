"""QA records, plans, tables and atomic writing."""

import json
import os

import numpy as np
import pytest
from astropy.table import Table

from pipeline import qa
from pipeline.atomic import replaced, write_if_different
from pipeline.errors import InputError
from pipeline.layout import Layout
from pipeline.plan import FrameRecord, MasterPlan, SessionPlan, load_master, load_session, save_plan
from pipeline.progress import progress
from pipeline.tables import read_table, write_table


@pytest.fixture
def layout(tmp_path):
    return Layout(tmp_path)


def frame(**changes):
    facts = dict(
        path="night/a.fits", kind="light", filter_set="broad", exposure_s=60.0, width=10, height=8, cfa="RGGB",
        night="2031-03-02", start_utc="2031-03-02T21:00:00", hdu=0, size=3000, mtime_ns=5,
    )  # fmt: skip
    return FrameRecord(**{**facts, **changes})


def test_record_is_written_with_the_worst_verdict(layout, tmp_path):
    (tmp_path / "in.txt").write_text("content")
    with qa.record(layout, "measure", "broad-1") as record:
        record.metrics({"fwhm_px": np.float32(2.5), "sky": np.array([1.0, np.nan]), "n": np.int64(3)})
        record.flag("few_stars", "warn", "Only 7 stars.", 7, 10)
        record.input(tmp_path / "in.txt")
        record.input(tmp_path / "gone.txt")
    content = qa.read_record(layout.qa("measure", "broad-1"))
    assert content["verdict"] == "warn"
    assert content["metrics"] == {"fwhm_px": 2.5, "sky": [1.0, None], "n": 3}
    assert content["inputs"][1]["sha256"].startswith("ed7002b4")  # sha256 of b"content", by coreutils
    assert content["inputs"][0]["missing"] is True
    assert content["wall_s"] >= 0 and content["peak_rss_mb"] > 10


def test_failed_block_leaves_a_failed_record(layout):
    with pytest.raises(RuntimeError), qa.record(layout, "stack", "x"):
        raise RuntimeError("no light")
    content = qa.read_record(layout.qa("stack", "x"))
    assert content["verdict"] == "fail"
    assert content["flags"][0]["message"] == "stack of x failed: no light"


def test_schema_is_enforced_when_writing_and_reading(layout):
    with pytest.raises(qa.jsonschema.ValidationError), qa.record(layout, "measure", "x") as record:
        record.metric("nested", {"a": 1})
    with pytest.raises(ValueError, match="severity"), qa.record(layout, "measure", "y") as record:
        record.flag("a", "fatal", "b")
    with qa.record(layout, "measure", "z"):
        pass
    path = layout.qa("measure", "z")
    content = json.loads(path.read_text())
    del content["wall_s"]
    path.write_text(json.dumps(content))
    with pytest.raises(InputError, match="wall_s"):
        qa.read_record(path)


def test_plans_round_trip_and_stay_untouched_when_equal(layout):
    session = SessionPlan(
        "s", "broad", "2031-03-02", 60.0, 10, 8, "RGGB", [frame()], {"dark": "d"}, notes=[{"code": "a"}]
    )
    master = MasterPlan("d", "dark", [frame(kind="dark")], 60.0, 10, 8, "RGGB", "2031-03-02")
    assert save_plan(layout.session_plan("s"), session)
    assert save_plan(layout.master_plan("d"), master)
    os.utime(layout.session_plan("s"), ns=(1, 1))
    assert not save_plan(layout.session_plan("s"), session)
    assert layout.session_plan("s").stat().st_mtime_ns == 1
    assert load_session(layout.session_plan("s")) == session
    assert load_master(layout.master_plan("d")) == master


@pytest.mark.parametrize("text", ["{", "[]", '{"name": "a"}', '{"frames": [], "surprise": 1}'])
def test_damaged_plans_are_named(layout, text):
    path = layout.session_plan("s")
    path.parent.mkdir(parents=True)
    path.write_text(text)
    with pytest.raises(InputError, match=r"session\.json"):
        load_session(path)


@pytest.mark.parametrize("suffix", [".ecsv", ".fits"])
def test_tables_round_trip(tmp_path, suffix):
    table = Table(
        {"x": np.array([1.5, np.nan]), "pose": np.arange(24.0).reshape(2, 12), "reason": ["", "cloud"]}
    )
    write_table(tmp_path / f"t{suffix}", table)
    back = read_table(tmp_path / f"t{suffix}")
    np.testing.assert_array_equal(back["x"], table["x"])
    np.testing.assert_array_equal(back["pose"], table["pose"])
    assert list(back["reason"]) == ["", "cloud"]
    with pytest.raises(InputError, match="none"):
        read_table(tmp_path / f"none{suffix}")


def test_a_failed_writer_leaves_the_old_file_and_no_litter(tmp_path):
    path = tmp_path / "a.json"
    assert write_if_different(path, b"old")
    with pytest.raises(RuntimeError), replaced(path) as temporary:
        temporary.write_bytes(b"half")
        raise RuntimeError
    assert path.read_bytes() == b"old"
    assert list(tmp_path.iterdir()) == [path]


def test_progress_counts_to_the_end(capsys):
    assert list(progress("abc", "measuring")) == ["a", "b", "c"]
    assert capsys.readouterr().err.splitlines()[-1] == "measuring: 3 / 3 frames"
