"""What the front door makes of targets that lack something, and of configs that are wrong."""

import os
import subprocess
import sys

import pytest

from pipeline.graph import Graph
from pipeline.settings.load import load_settings

NIGHT = "2031-03-02"

DUO = {"role": "dualband", "lines": ["Ha", "OIII"]}


@pytest.mark.parametrize(
    ("filter_sets", "present", "lines"),
    [
        ({"broad": {"role": "broadband"}}, ("broad",), []),
        ({"duo": DUO}, ("duo",), ["Ha", "OIII"]),
        ({"broad": {"role": "broadband"}, "duo": DUO}, ("broad",), []),
        (
            {"red": {"role": "narrowband", "lines": ["Ha"]}, "open": {"role": "unfiltered"}},
            ("red", "open"),
            ["Ha"],
        ),
    ],
    ids=["only broadband", "only dual-band", "dual-band configured, not there", "narrowband and unfiltered"],
)
def test_a_missing_filter_set_leaves_a_graph(fresh, monkeypatch, filter_sets, present, lines):
    fresh.settings["filter_sets"] = filter_sets
    fresh.write_config()
    fresh.add_night(NIGHT, filters=present)
    jobs = fresh.run("--dry-run")
    for stage in ("register_filter_set", "stack_filter_set", "find_stars", "survey_sky", "flatten"):
        assert [job for job in jobs if job.startswith(f"{stage} ")] == sorted(
            f"{stage} {name}" for name in present
        )
    assert {"anchor", "lines", "fuse", "render", "report"} <= set(jobs)
    monkeypatch.chdir(fresh.root)
    assert Graph(load_settings(fresh.config)).lines == lines


def test_a_target_with_only_a_dual_band_filter_runs_to_its_report(fresh):
    fresh.settings["filter_sets"] = {"duo": DUO}
    fresh.write_config()
    fresh.add_night(NIGHT, filters=("duo",))
    fresh.run()
    assert fresh.layout.report().is_file()
    assert {path.stem for path in (fresh.layout.root / "lines").glob("*.fits")} == {"continuum", "Ha", "OIII"}


def test_a_target_without_lights_is_told_so(fresh):
    (fresh.root / "my frames").mkdir()
    done = fresh.attempt("run", fresh.config.name)
    assert done.returncode == 1
    assert "my target.yaml: no usable light in input.folders" in done.stderr
    assert "Traceback" not in done.stderr


def test_mistakes_in_the_config_are_told_all_at_once_without_a_traceback(fresh):
    fresh.add_night(NIGHT)
    fresh.settings["renderr"] = {}
    fresh.settings["run"] = {"memory_gb": "plenty"}
    fresh.write_config()
    done = fresh.attempt("run", fresh.config.name)
    assert done.returncode == 2
    assert "2 mistakes" in done.stderr
    assert "Did you mean render?" in done.stderr
    assert "run.memory_gb (line" in done.stderr
    assert "Traceback" not in done.stderr


def test_the_bare_engine_asks_for_an_inventory(fresh):
    fresh.add_night(NIGHT)
    command = [sys.executable, "-m", "snakemake", "all", "--cores", "1", "--dry-run"]
    command += ["--config", f'settings_file="{fresh.config.name}"']
    environment = {**os.environ, "PYTHONPATH": str(fresh.root)}
    done = subprocess.run(
        command, cwd=fresh.root, env=environment, capture_output=True, text=True, check=False
    )
    assert done.returncode != 0
    assert (
        "start with `python -m pipeline run CONFIG`, which makes the inventory first"
        in done.stderr + done.stdout
    )


def test_a_failing_job_is_named_and_the_others_go_on(fresh):
    fresh.add_night(NIGHT)
    fresh.edit("substitute_stages.py", "_measure = _failing")
    done = fresh.attempt("run", fresh.config.name)
    assert done.returncode == 1
    assert f"measure duo-{NIGHT}: failed; see my results/logs/measure/duo-{NIGHT}.log" in done.stderr
    assert f"measure duo-{NIGHT}: this stage always fails" in done.stderr
    assert f"masters flat_{NIGHT}" in fresh.jobs()
    assert "Traceback" not in done.stderr
