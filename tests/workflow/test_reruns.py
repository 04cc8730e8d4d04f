"""Which jobs run: after another night, a second time, after an edit of code or config, after a killed run.

The stages are substitutes that write small files; graph, rules, scripts, plans, pins and front door are the
real ones.
"""

import json
import os
import signal
import subprocess
import sys
import time

import pytest

from pipeline.digest import modules_used
from pipeline.tables import read_table, write_table

NIGHT_1, NIGHT_2, NIGHT_3 = "2031-03-02", "2031-03-03", "2031-03-04"

START_TIMEOUT_S = 60
"""Time for a run to begin its first job; it takes about 4 s on an idle machine."""


def per_session(*sessions, stages=("measure", "diagnose", "register_session", "stack_session")):
    return [f"{stage} {session}" for stage in stages for session in sessions]


def per_set(*filter_sets, stages):
    return [f"{stage} {name}" for stage in stages for name in filter_sets]


ALL_SESSIONS = [f"{name}-{night}" for name in ("broad", "duo") for night in (NIGHT_1, NIGHT_2)]
CHOICES = ["anchor", "register_filter_set broad", "register_filter_set duo"]
PICTURE = ["fuse", "render", "report"]
# The sky is looked for on all filter sets together, since the line maps mask the broadband background too.
AFTER_STACKS = ["survey_sky broad", "survey_sky duo", "flatten broad", "flatten duo", "lines", *PICTURE]


def test_first_run_makes_everything_once(processed):
    expected = [
        *(f"masters flat_{night}" for night in (NIGHT_1, NIGHT_2)),
        *per_session(*ALL_SESSIONS),
        *CHOICES,
        *per_set("broad", "duo", stages=("stack_filter_set", "find_stars")),
        *AFTER_STACKS,
    ]
    assert processed.first_jobs == sorted(expected)


def test_second_run_has_nothing_to_do(processed):
    assert processed.run() == []


def test_another_night_makes_its_sessions_and_what_depends_on_them(processed):
    anchor = processed.layout.anchor().read_bytes()
    processed.add_night(NIGHT_3)
    expected = [
        f"masters flat_{NIGHT_3}",
        *per_session(f"broad-{NIGHT_3}", f"duo-{NIGHT_3}"),
        *per_set("broad", "duo", stages=("stack_filter_set", "find_stars")),
        *AFTER_STACKS,
    ]
    assert processed.run() == sorted(expected)
    assert processed.layout.anchor().read_bytes() == anchor
    assert processed.run() == []


def test_another_night_of_one_filter_set_leaves_the_stack_of_the_other(processed):
    processed.add_night(NIGHT_3, filters=("duo",))
    expected = [
        f"masters flat_{NIGHT_3}",
        *per_session(f"duo-{NIGHT_3}"),
        *per_set("duo", stages=("stack_filter_set", "find_stars")),
        *AFTER_STACKS,
    ]
    assert processed.run("--dry-run") == sorted(expected)


def test_an_earlier_night_added_later_does_not_move_the_anchor(processed):
    # The substitute chooses the first session by name, so the choice would fall on the new one.
    processed.add_night("2031-03-01", filters=("broad",))
    jobs = processed.run("--dry-run")
    assert "measure broad-2031-03-01" in jobs
    assert not set(jobs) & set(CHOICES)


def test_a_frame_added_to_the_anchor_session_does_not_move_the_anchor(processed):
    # The flats of the night get two more as well.
    processed.add_night(NIGHT_1, filters=("broad",))
    expected = [
        f"masters flat_{NIGHT_1}",
        # They calibrate both sessions of the night.
        *per_session(f"broad-{NIGHT_1}", f"duo-{NIGHT_1}"),
        *per_set("broad", "duo", stages=("stack_filter_set", "find_stars")),
        *AFTER_STACKS,
    ]
    assert processed.run("--dry-run") == sorted(expected)


def test_a_new_filter_set_gets_its_own_reference_and_moves_no_other(processed):
    processed.settings["filter_sets"]["narrow"] = {"role": "narrowband", "lines": ["SII"]}
    processed.write_config()
    processed.add_night(NIGHT_3, filters=("narrow",))
    expected = [
        f"masters flat_{NIGHT_3}",
        *per_session(f"narrow-{NIGHT_3}"),
        "register_filter_set narrow",
        *per_set("narrow", stages=("stack_filter_set", "find_stars", "survey_sky", "flatten")),
        *AFTER_STACKS,
    ]
    assert processed.run("--dry-run") == sorted(expected)


def test_the_anchor_is_chosen_anew_when_its_frame_is_gone(processed):
    chosen = json.loads(processed.layout.anchor().read_text(encoding="utf-8"))
    (processed.root / chosen["path"]).unlink()
    done = processed.attempt("run", processed.config.name)
    assert done.returncode == 0, done.stderr
    assert f"{chosen['path']} was the anchor and is gone" in done.stderr
    again = json.loads(processed.layout.anchor().read_text(encoding="utf-8"))
    assert again["path"] != chosen["path"]
    assert {"anchor", "register_filter_set broad", "register_filter_set duo"} <= set(processed.jobs())
    assert processed.run() == []


def test_naming_a_frame_and_no_longer_naming_it_moves_the_anchor(processed):
    processed.settings["anchor"] = {"frame": f"{NIGHT_2}/duo/1.fits"}
    processed.write_config()
    assert set(CHOICES) <= set(processed.run())
    assert json.loads(processed.layout.anchor().read_text(encoding="utf-8"))["session"] == f"duo-{NIGHT_2}"
    processed.add_night(NIGHT_3)
    assert not set(processed.run("--dry-run")) & set(CHOICES)
    del processed.settings["anchor"]
    processed.write_config()
    assert set(CHOICES) <= set(processed.run("--dry-run"))


def test_a_frame_to_anchor_on_that_does_not_exist_is_a_config_error(processed):
    processed.settings["anchor"] = {"frame": "nowhere.fits"}
    processed.write_config()
    done = processed.attempt("run", processed.config.name)
    assert done.returncode == 2
    assert "anchor.frame" in done.stderr
    assert "nowhere.fits" in done.stderr


def test_an_edit_of_an_imported_module_runs_its_step_and_those_after_it(processed):
    edited = "pipeline.numerics.separation"
    assert edited in modules_used("pipeline.stages.lines")
    before = [f"pipeline.stages.{name}" for name in ("masters", "measure", "stack_session", "flatten")]
    assert edited not in modules_used(*before)
    processed.edit("numerics/separation.py")
    assert processed.run() == sorted(["lines", *PICTURE])
    assert processed.run() == []


def test_an_edit_of_the_measuring_code_reaches_the_choices_as_well(processed):
    edited = "pipeline.numerics.detection"
    assert edited in modules_used("pipeline.stages.measure")
    assert edited not in modules_used("pipeline.stages.masters")
    processed.edit("numerics/detection.py")
    merged = per_set("broad", "duo", stages=("stack_filter_set", "find_stars"))
    expected = {*per_session(*ALL_SESSIONS), *CHOICES, *merged}
    assert set(processed.run("--dry-run")) == expected | set(AFTER_STACKS)


def test_an_edit_of_the_report_runs_the_report_only(processed):
    processed.edit("report_page/sentences.py")
    assert processed.run("--dry-run") == ["report"]


def test_a_config_key_runs_only_the_stages_that_read_it(processed):
    processed.settings["report"] = {"low_weight": 0.4}
    processed.write_config()
    assert processed.run("--dry-run") == ["report"]
    processed.settings["render"] = {"saturation": 0.7}
    processed.write_config()
    assert processed.run("--dry-run") == ["render", "report"]
    processed.settings["lines"] = {"star_sigma": 6}
    processed.write_config()
    assert processed.run("--dry-run") == sorted(["lines", *PICTURE])


@pytest.mark.parametrize(
    "change",
    [
        {"boost": {"Ha": 3}},
        {"recipe": "natural"},
        {"line_colours": {"OIII": "#00c8a8"}},
        {"star_reduction": 0.3},
    ],
)
def test_another_taste_runs_the_picture_only(processed, change):
    processed.settings["fuse"] = change
    processed.write_config()
    assert processed.run("--dry-run") == sorted(PICTURE)


def test_what_is_known_of_a_filter_matters_from_flattening_on(processed):
    """Where gas fills the field, flattening asks which channels see which line."""
    processed.settings["filter_sets"]["duo"]["line_throughput"] = {"OIII": 0.9}
    processed.write_config()
    flattened = [f"flatten {name}" for name in processed.settings["filter_sets"]]
    assert processed.run("--dry-run") == sorted([*flattened, "lines", *PICTURE])


def test_more_memory_for_a_job_runs_nothing(processed):
    processed.settings["run"] = {"memory_gb": 3}
    processed.write_config()
    assert processed.run("--dry-run") == []


def test_saying_a_default_aloud_changes_nothing(processed):
    processed.settings["lines"] = {"star_sigma": 5}
    processed.settings["run"] = {"seed": 1}
    processed.write_config()
    assert processed.run("--dry-run") == []


def test_a_killed_run_goes_on_and_a_live_one_is_left_alone(fresh):
    fresh.add_night(NIGHT_1)
    environment = {**os.environ, "PYTHONPATH": str(fresh.root)}
    command = [sys.executable, "-m", "pipeline", "run", fresh.config.name]
    first = subprocess.Popen(
        command, cwd=fresh.root, env=environment, stderr=subprocess.PIPE, text=True, start_new_session=True
    )
    started = time.monotonic()
    for line in first.stderr:
        if line.startswith("[1/"):
            break
        assert time.monotonic() - started < START_TIMEOUT_S
    second = fresh.attempt("run", fresh.config.name)
    assert second.returncode == 1
    assert f"another run (process {first.pid}) is at work" in second.stderr
    os.killpg(first.pid, signal.SIGKILL)
    first.stderr.close()
    first.wait()
    done = fresh.run()
    assert "report" in done
    assert fresh.run() == []


def test_a_filter_set_that_could_not_be_linked_is_tried_again_with_new_lights(processed):
    link = processed.layout.link("duo")
    table = read_table(link)
    table.meta["verdict"] = "fail"
    write_table(link, table)
    # Without new lights there is nothing to try again: only what read the altered file is made anew.
    assert "register_filter_set duo" not in processed.run("--dry-run")
    processed.add_night(NIGHT_3, filters=("duo",))
    jobs = processed.run("--dry-run")
    assert "register_filter_set duo" in jobs
    assert "register_session duo-2031-03-02" in jobs
    assert "register_filter_set broad" not in jobs
