"""The rim of a job: what goes wrong with the machine or the data is one sentence, on the terminal and in the log."""

import errno
from types import SimpleNamespace

import pytest

from pipeline.errors import StageError
from pipeline.job import run_job


def a_job(tmp_path):
    return SimpleNamespace(
        rule="stack",
        params=SimpleNamespace(output_folder=str(tmp_path), unit="duo", settings={}, get=lambda name: None),
        resources=SimpleNamespace(mem_mb=500),
        threads=1,
        log=[str(tmp_path / "log" / "duo.log")],
    )


@pytest.mark.parametrize(
    ("error", "said"),
    [
        (StageError("a.fits: expected this, found that"), "stack duo: a.fits: expected this, found that\n"),
        (
            OSError(errno.ENOSPC, "No space left on device", "out/stack.fits"),
            "stack duo: out/stack.fits: no space left on device\n",
        ),
    ],
)
def test_a_job_fails_in_a_sentence(tmp_path, capsys, error, said):
    def run(layout, unit, settings):
        raise error

    with pytest.raises(SystemExit) as ended:
        run_job(a_job(tmp_path), run)
    assert ended.value.code == 1
    assert capsys.readouterr().err == said
    assert (tmp_path / "log" / "duo.log").read_text() == said


def test_an_interrupted_job_ends_without_a_word(tmp_path, capsys):
    def run(layout, unit, settings):
        raise KeyboardInterrupt

    with pytest.raises(SystemExit) as ended:
        run_job(a_job(tmp_path), run)
    # POSIX shells report a process that a signal has ended as 128 + the signal's number; SIGINT is 2.
    assert ended.value.code == 130
    assert capsys.readouterr().err == ""
