"""The check: what the user reads before anything long starts."""

import shutil
from collections import namedtuple

import numpy as np
import pytest
import yaml

from pipeline import disk_space
from pipeline.__main__ import DONE, FAILED, main
from pipeline.disk_space import DiskNeed, disk_need, shown_bytes
from pipeline.graph import Graph
from pipeline.settings.load import load_settings
from pipeline.stages import inventory
from tests.unit.calibration_set import write_bias, write_darks, write_flats, write_lights
from tests.unit.raw_frames import SHAPE, exposure, write

CONFIG = {
    "input": {"folders": ["frames"]},
    "output": {"folder": "out"},
    "filter_sets": {"wide": {"role": "broadband"}, "duo": {"role": "dualband", "lines": ["Ha", "OIII"]}},
}


@pytest.fixture
def folder(tmp_path, monkeypatch):
    """Two nights: one with all calibration, one whose dark has another temperature; and files that are none."""
    monkeypatch.chdir(tmp_path)
    rng = np.random.default_rng(12)
    frames = tmp_path / "frames"
    write_lights(frames / "1", rng, 3, 10)
    write_bias(frames / "1", rng, 3)
    write_darks(frames / "1", rng, 3, 60.0)
    write_flats(frames / "1", rng, [20000] * 3)
    write_lights(frames / "2", rng, 2, 10, DATE_OBS="2031-05-03T22:00:00", FILTER="Duo", CCD_TEMP=5.0)
    (frames / "notes.txt").write_text("notes")
    write(frames / "other.fits", exposure(rng, 900), FILTER="Sodium")
    for k in range(12):
        (frames / f"empty_{k:02d}.fits").write_bytes(b"")
    (tmp_path / "target.yaml").write_text(yaml.safe_dump(CONFIG), encoding="utf-8")
    return tmp_path


def test_the_table_tells_sessions_calibration_and_what_is_missing_or_left_out(folder, capsys, monkeypatch):
    monkeypatch.setattr("pipeline.frame_check.STILL_WRITTEN_S", 0.0)
    assert main(["check", "target.yaml"]) == DONE
    told = capsys.readouterr()
    assert "inventory: 27 of 28 files are new and read once, whole" in told.err
    lines = told.out.splitlines()
    assert lines[0] == "28 files: 14 used, 12 quarantined, 2 unused"
    rows = {line.split()[0]: line.split() for line in lines if line and not line.startswith(" ")}
    assert rows["wide"] == ["wide", "1", "3", "0.05"]
    assert rows["together"] == ["together", "2", "5", "0.08"]
    sessions = {
        line.split("-60s")[0]: " ".join(line.split()) for line in lines if "-60s-g100-o30-b1x1  " in line
    }
    assert sessions["wide-2031-05-02"].endswith("0.05 128 x 96 RGGB 3 x 0 s 3 x 60 s 3 x 1 s")
    assert sessions["duo-2031-05-03"].endswith("0.03 128 x 96 RGGB 3 x 0 s of 2031-05-02 none none")
    text = told.out
    assert "temperature -10 instead of 5 degC" in text
    assert "No flat for session duo-2031-05-03" in text
    assert "Quarantined: 12\n" in text
    assert "empty_07.fits and 4 more" in text
    assert 'filter "Sodium" belongs to none of the filter sets' in text
    assert "not a FITS file by its name" in text
    assert "Disk: the results take about" in text
    assert "free" in text


def test_the_second_check_reads_no_frame(folder, capsys, monkeypatch):
    monkeypatch.setattr("pipeline.frame_check.STILL_WRITTEN_S", 0.0)
    main(["check", "target.yaml"])
    first = capsys.readouterr().out
    monkeypatch.setattr(inventory, "inspect_file", None)
    assert main(["check", "target.yaml"]) == DONE
    told = capsys.readouterr()
    assert (told.out.split("Disk:")[0], told.err) == (first.split("Disk:")[0], "")


def test_what_an_interrupted_look_has_read_is_kept(folder, monkeypatch):
    looked = []

    def impatient(path):
        if len(looked) == 5:
            raise KeyboardInterrupt
        looked.append(path)
        return real(path)

    real = inventory.inspect_file
    monkeypatch.setattr(inventory, "inspect_file", impatient)
    assert main(["check", "target.yaml"]) == FAILED
    again = []
    monkeypatch.setattr(inventory, "inspect_file", lambda path: again.append(path) or real(path))
    assert main(["check", "target.yaml"]) == DONE
    # Files found empty a moment ago are waited for, and looked at again.
    assert not {path for path in again if path.stat().st_size} & set(looked)


def small_disk(monkeypatch, free):
    usage = namedtuple("usage", "total used free")
    monkeypatch.setattr(disk_space.shutil, "disk_usage", lambda folder: usage(free, 0, free))


def test_a_run_that_has_no_room_is_refused_before_it_starts(folder, capsys, monkeypatch):
    small_disk(monkeypatch, 5_000_000)
    assert main(["check", "target.yaml"]) == DONE
    assert "TOO SMALL by" in capsys.readouterr().out
    started = []
    monkeypatch.setattr("pipeline.__main__.run_workflow", lambda *a, **k: started.append(a) or 0)
    assert main(["run", "target.yaml"]) == FAILED
    said = capsys.readouterr().err
    assert "are still to be written, and 5 MB are free; make room" in said
    assert not started
    assert main(["run", "target.yaml", "--dry-run"]) == DONE
    config = {**CONFIG, "output": {"folder": "out", "check_disk_space": False}}
    (folder / "target.yaml").write_text(yaml.safe_dump(config), encoding="utf-8")
    assert main(["run", "target.yaml", "--dry-run"]) == DONE
    assert len(started) == 2


def test_what_is_there_is_not_counted_again(folder, monkeypatch):
    main(["check", "target.yaml"])
    graph = Graph(load_settings("target.yaml"))
    before = disk_need(graph, cores=1)
    n = SHAPE[0] * SHAPE[1]
    # 3 masters, 2 sessions and sets of 3 channels, 2 lines, continuum, fused, pictures.
    assert sum(before.by_stage.values()) - before.by_stage["tables and report"] == n * (
        3 * 9 + 2 * 3 * (6 + 16 + 20) + 2 * 13 + 48 + 36 + 9
    )
    assert before.present == before.passing == 0
    finer = Graph({**graph.settings, "stack": {**graph.settings["stack"], "output_scale": 2}})
    grown = disk_need(finer, cores=1).by_stage
    # Whatever is on the grid of the stacks; masters are on that of the frames.
    assert {stage: size / before.by_stage[stage] for stage, size in grown.items()} == {
        stage: 1 if stage in ("masters", "tables and report") else 4 for stage in grown
    }
    stack = graph.layout.stack("wide")
    stack.parent.mkdir(parents=True)
    stack.write_bytes(bytes(3 * 16 * n))
    after = disk_need(graph, cores=2)
    assert after.missing == before.missing, "less one stack, and room for its next version beside it"
    shutil.rmtree(graph.layout.root)


def test_need_and_shortage():
    need = DiskNeed({"a": 70, "b": 30}, present=40, passing=10, free=50)
    assert (need.missing, need.short) == (70, 20)
    assert [shown_bytes(size) for size in (0, 2_500, 1.5e6, 2.34e9, 1e12)] == [
        "0 kB",
        "2 kB",
        "1.5 MB",
        "2.34 GB",
        "1 TB",
    ]


def test_a_folder_that_cannot_be_written_is_named(folder, capsys):
    for place in ("/proc/nothing/here", "/dev/null/below"):
        (folder / "target.yaml").write_text(
            yaml.safe_dump({**CONFIG, "output": {"folder": place}}), encoding="utf-8"
        )
        assert main(["check", "target.yaml"]) == FAILED
        said = capsys.readouterr().err
        assert said.startswith(place.rsplit("/", 1)[0])
        assert len(said.splitlines()) == 1
