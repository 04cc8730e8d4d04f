"""The real chain on small simulated frames: it runs to its report, and another night costs only that night."""

import json
import subprocess
import sys

import pytest
import yaml

from pipeline import PROJECT_ROOT
from pipeline.disk_space import disk_need
from pipeline.fitsio import read_image
from pipeline.graph import Graph
from pipeline.layout import Layout
from pipeline.qa import read_record
from pipeline.settings.load import load_settings
from tests.workflow.checkout import run_front_door

NIGHT_1, NIGHT_2 = "2031-03-02", "2031-03-04"

SMALL = {
    "image": {"width": 416, "height": 320},
    "stars": {"count": 420},
    "nebula": {"radius_px": 90},
    "nights": [
        {
            "date": NIGHT_1,
            "hour_angle_h": -2.0,
            "flipped": False,
            "filters": {"clear": 0, "town": 5, "duo": 5},
        },
        {"date": NIGHT_2, "hour_angle_h": 0.4, "flipped": True, "filters": {"clear": 0, "town": 0, "duo": 5}},
    ],
    "spoiled": [],
    "calibration": {"bias": 5, "dark": 5, "flat": 5, "darkflat": 5},
}
"""What differs from the demo's scene: few and small frames, enough stars to register by."""

CONFIG = {
    "input": {"folders": ["frames of mine"]},
    "output": {"folder": "results of mine"},
    "filter_sets": {
        "broad": {"role": "broadband", "filter_names": ["TownCut"], "passbands_nm": [[405, 526], [634, 690]]},
        "lines": {
            "role": "dualband",
            "filter_names": ["DuoLine"],
            "passbands_nm": [[495.7, 505.7], [651.3, 661.3]],
        },
    },
}


@pytest.fixture(scope="module")
def chain(tmp_path_factory):
    """A working folder in which night 1, then night 2, then nothing new was processed: what each run did."""
    folder = tmp_path_factory.mktemp("chain") / "working folder"
    folder.mkdir()
    (folder / "scene.yaml").write_text(yaml.safe_dump(_small_scene()), encoding="utf-8")
    (folder / "target.yaml").write_text(yaml.safe_dump(CONFIG), encoding="utf-8")
    layout = Layout(folder / "results of mine")
    runs = []
    for nights in ((1,), (2,), ()):
        if nights:
            _simulate(folder, nights)
        done = run_front_door(folder, "run", "target.yaml", root=PROJECT_ROOT)
        assert done.returncode == 0, done.stdout + done.stderr
        jobs = json.loads((layout.root / "logs" / "jobs.json").read_text(encoding="utf-8"))
        runs.append((sorted(job["job"] for job in jobs["finished"]), done))
    return layout, runs


def test_every_product_is_there(chain):
    layout, _ = chain
    expected = [layout.stack("broad"), layout.stack("lines"), layout.flat("broad"), layout.flat("lines")]
    expected += [layout.line("Ha"), layout.line("OIII"), layout.continuum(), layout.fused()]
    for path in expected:
        assert (read_image(path) != 0).any(), path
    for path in (
        layout.fused_tiff(),
        layout.preview(),
        layout.comparison(),
        layout.summary(),
        layout.report(),
        layout.inventory(),
    ):
        assert path.stat().st_size > 0, path


def test_every_job_left_a_valid_record(chain):
    layout, runs = chain
    for job in {job for jobs, _ in runs for job in jobs}:
        stage, _, unit = job.partition(" ")
        unit = unit or {"fuse": "fused", "render": "preview"}.get(stage, stage)
        record = read_record(layout.qa(stage, unit))
        assert (record["stage"], record["unit"]) == (stage, unit)


def test_another_night_costs_that_night_and_what_depends_on_it(chain):
    _, runs = chain
    first, second, third = (jobs for jobs, _ in runs)
    session = f"lines-{NIGHT_2}-120s-g100-o30-b1x1"
    assert second == sorted(
        [
            *(job for job in second if job.startswith("masters ") and NIGHT_2 in job),
            f"measure {session}",
            f"diagnose {session}",
            f"register_session {session}",
            f"stack_session {session}",
            "stack_filter_set lines",
            "find_stars lines",
            "survey_sky broad",
            "survey_sky lines",
            "flatten broad",
            "flatten lines",
            "lines",
            "fuse",
            "render",
            "report",
        ]
    )
    # Flats of one filter and their dark-flats.
    assert sum(job.startswith("masters ") for job in second) == 2
    assert "anchor" in first
    assert third == []


def test_the_terminal_shows_progress_results_times_and_figures(chain):
    _, runs = chain
    done = runs[0][1]
    assert "/ 5 frames" in done.stderr
    assert "[1/" in done.stderr
    for word in ("picture", "report", "seconds", "peak MB", "Main figures:", "stack_session"):
        assert word in done.stdout, word
    assert "Nothing to do" in runs[2][1].stdout


def test_the_disk_it_took_is_the_disk_that_was_foretold(chain, monkeypatch):
    """The estimate is made of the sizes of what the stages write, so it errs only by headers, the compression of the
    picture and the lengths of lists; the headers of these small frames count for more than those of a camera's.
    """
    layout, _ = chain
    monkeypatch.chdir(layout.root.parent)
    need = disk_need(Graph(load_settings("target.yaml")), cores=1)
    lists = need.by_stage["tables and report"]
    made = [path for path in layout.root.rglob("*") if path.is_file()]
    is_image = {path: path.suffix in (".fits", ".tif", ".png") and path.name != "stars.fits" for path in made}
    images, others = (
        sum(path.stat().st_size for path in made if is_image[path] is kind) for kind in (True, False)
    )
    assert images == pytest.approx(sum(need.by_stage.values()) - lists, rel=0.1)
    assert others < lists
    assert need.present == pytest.approx(images, rel=0.1)
    assert need.short == 0


def _simulate(folder, nights):
    command = [sys.executable, "-m", "demo_inputs.simulate", "--scene", str(folder / "scene.yaml")]
    command += ["--out", str(folder / "frames of mine"), "--nights", *map(str, nights)]
    subprocess.run(command, cwd=PROJECT_ROOT, check=True, capture_output=True)


def _small_scene():
    scene = yaml.safe_load((PROJECT_ROOT / "demo_inputs" / "scene.yaml").read_text(encoding="utf-8"))
    for key, value in SMALL.items():
        if isinstance(value, dict):
            scene[key].update(value)
        else:
            scene[key] = value
    return scene
