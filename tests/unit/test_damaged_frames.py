"""Hundreds of damaged files among good frames: every file gets its verdict, and no good frame is lost."""

import json
import os
import subprocess
import sys
import time

import numpy as np
import pytest
import yaml

from pipeline import PROJECT_ROOT
from pipeline.calibration import Calibrator
from pipeline.errors import PipelineError
from pipeline.layout import Layout
from pipeline.plan import load_master, load_session
from pipeline.qa import read_record
from pipeline.settings.load import load_settings
from pipeline.stages import inventory, masters
from tests.unit.calibration_set import write_bias, write_darks, write_flats, write_lights
from tests.unit.damaged_frames import DAMAGES, damaged
from tests.unit.raw_frames import SHAPE, exposure

ROUNDS = 14
"""Of each of the 24 kinds of damage: 336 files."""

HEADER = {
    "FILTER": "Wide", "DATE-OBS": "2031-05-02T21:00:00", "CCD-TEMP": -10.0, "GAIN": 100, "OFFSET": 30,
    "XBINNING": 1, "YBINNING": 1, "BAYERPAT": "RGGB", "EGAIN": 0.8,
}  # fmt: skip

KINDS = (("Light Frame", 60.0, 900), ("Flat", 1.0, 20000), ("Dark", 60.0, 0), ("Bias", 0.0, 0))
"""IMAGETYP, exposure in s, electrons."""

CONFIG = {
    "input": {"folders": ["frames"]},
    "output": {"folder": "out"},
    "filter_sets": {"wide": {"role": "broadband"}},
}

MOST_MORE_MB = 60.0
"""Memory that the damaged files may cost beyond the good ones: caches and a list of some hundred findings, about 10 MB as
measured; a single header that is believed in would ask for gigabytes."""


@pytest.fixture(scope="module")
def target(tmp_path_factory):
    """A folder with good frames, checked once with them alone and once with the damaged ones among them."""
    folder = tmp_path_factory.mktemp("damaged")
    rng = np.random.default_rng(606)
    good = folder / "frames" / "good"
    write_lights(good, rng, 4, 10)
    write_bias(good, rng, 3)
    write_darks(good, rng, 3, 60.0)
    write_flats(good, rng, [20000, 19000, 18000])
    (folder / "target.yaml").write_text(yaml.safe_dump(CONFIG), encoding="utf-8")
    alone = checked(folder)
    write_damaged(folder / "frames", rng)
    return folder, alone, checked(folder)


def write_damaged(folder, rng):
    """Files of every damage, and what is no file at all."""
    for number, kind in enumerate([*DAMAGES] * ROUNDS):
        image_type, exposure_s, electrons = KINDS[number % 4]
        header = {**HEADER, "IMAGETYP": image_type, "EXPTIME": exposure_s}
        suffix, content = damaged(kind, exposure(rng, electrons), header, rng)
        path = folder / kind / f"{number}{suffix}"
        path.parent.mkdir(exist_ok=True)
        path.write_bytes(content)
    (folder / "folder.fits").mkdir()
    os.mkfifo(folder / "pipe.fits")
    (folder / "gone.fits").symlink_to(folder / "nowhere.fits")
    then = time.time() - 3600
    for path in folder.rglob("*"):
        if path.is_file():
            os.utime(path, (then, then))


def checked(folder):
    """Run the check; return what it said, its inventory and the peak of its memory in MB."""
    command = [sys.executable, "-W", "error::RuntimeWarning", "-m", "pipeline", "check", "target.yaml"]
    done = subprocess.run(
        command,
        cwd=folder,
        env={**os.environ, "PYTHONPATH": str(PROJECT_ROOT)},
        capture_output=True,
        text=True,
        check=False,
    )
    layout = Layout(folder / "out")
    content = json.loads(layout.inventory().read_text(encoding="utf-8"))
    return done, content, read_record(layout.qa("inventory", "frames"))["peak_rss_mb"]


def good_entries(content):
    return {
        entry["path"]: (entry["status"], entry["kind"], entry["filter_set"], entry["facts"])
        for entry in content["files"]
        if "/good/" in entry["path"]
    }


def refusal(function, *arguments):
    """What the user is told if the function does not do it, or None; any other error fails the test."""
    try:
        function(*arguments)
    except PipelineError as error:
        return str(error)
    return None


def test_no_traceback_reaches_the_user(target):
    _, _, (done, _, _) = target
    assert done.returncode == 0
    assert "Traceback" not in done.stdout + done.stderr
    assert "Warning" not in done.stderr


def test_every_file_has_its_verdict_and_every_verdict_its_reason(target):
    _, _, (_, content, _) = target
    entries = [entry for entry in content["files"] if "/good/" not in entry["path"]]
    assert len(entries) == ROUNDS * len(DAMAGES) + 2 > 300
    for entry in entries:
        assert entry["status"] in ("used", "quarantined", "unused") or entry["path"].endswith("/gone.fits"), (
            entry
        )
        assert (entry["status"] == "used") != bool(entry["reason"]), entry
    by_name = {entry["path"].rsplit("/", 1)[-1]: entry for entry in content["files"]}
    assert by_name["pipe.fits"]["reason"] == "not an ordinary file"
    # What cannot be a frame is not one, whatever the seed.
    for kind in (
        "empty",
        "huge",
        "no_end",
        "no_image",
        "one_value",
        "nothing_but_random_bytes",
        "truncated_gzip",
    ):
        found = {entry["status"] for entry in entries if f"/{kind}/" in entry["path"]}
        assert found == {"quarantined"}, kind


def test_no_good_frame_is_lost(target):
    _, (_, before, _), (_, after, _) = target
    assert good_entries(after) == good_entries(before)
    assert {status for status, *_ in good_entries(after).values()} == {"used"}
    (session,) = before["sessions"]
    assert session["name"] in [each["name"] for each in after["sessions"]]


def test_memory_is_bounded(target):
    _, (_, _, before), (_, _, after) = target
    assert after - before < MOST_MORE_MB


def test_what_was_accepted_is_calibrated_or_refused_in_a_sentence(target, monkeypatch):
    """Headers may be mad in ways that only the next stages meet: exposures of 1e300 s, gains of 0, other sizes."""
    folder, _, (_, content, _) = target
    monkeypatch.chdir(folder)
    settings, layout = load_settings("target.yaml"), Layout("out")
    plans = [load_master(layout.master_plan(entry["name"])) for entry in content["masters"]]
    for plan in sorted(plans, key=lambda plan: plan.kind == "flat"):
        refused = refusal(masters.run, layout, plan.name, settings)
        assert refused is None or any(
            name in refused for name in (plan.name, *(frame.path for frame in plan.frames))
        )
    calibrated = 0
    for entry in content["sessions"]:
        session = load_session(layout.session_plan(entry["name"]))
        refused = refusal(Calibrator.for_session, session, layout, settings)
        assert refused is None or not any("/good/" in frame.path for frame in session.frames)
        if refused is None:
            calibrator = Calibrator.for_session(session, layout, settings)
            for frame in session.frames:
                value = calibrator.calibrate(frame).value
                calibrated += (
                    "/good/" in frame.path and value.shape == SHAPE and np.isfinite(value).mean() > 0.9
                )
    assert calibrated == 4


def test_a_second_look_reads_nothing_again(target, monkeypatch):
    folder, _, (_, content, _) = target
    monkeypatch.chdir(folder)

    def refuse(path):
        raise AssertionError(f"{path} was read again")

    monkeypatch.setattr(inventory, "inspect_file", refuse)
    inventory.run(Layout("out"), "frames", load_settings("target.yaml"))
    assert json.loads(Layout("out").inventory().read_text(encoding="utf-8"))["files"] == content["files"]
