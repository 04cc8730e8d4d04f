"""The rim of a job: what goes wrong with the machine or the data is one sentence, on the terminal and in the log."""

import errno
from types import SimpleNamespace

import pytest

from pipeline.errors import StageError
from pipeline.job import run_job


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

    job = SimpleNamespace(
        rule="stack",
        params=SimpleNamespace(output_folder=str(tmp_path), unit="duo", settings={}, get=lambda name: None),
        resources=SimpleNamespace(mem_mb=500),
        threads=1,
        log=[str(tmp_path / "log" / "duo.log")],
    )
    with pytest.raises(SystemExit) as ended:
        run_job(job, run)
    assert ended.value.code == 1
    assert capsys.readouterr().err == said
    assert (tmp_path / "log" / "duo.log").read_text() == said
