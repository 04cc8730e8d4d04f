"""Start the workflow engine on one target, one run at a time per output folder."""

import fcntl
import json
import os
import shlex
import subprocess
import sys
from contextlib import contextmanager
from pathlib import Path

from pipeline import PROJECT_ROOT
from pipeline.errors import PipelineError

__all__ = [
    "exclusive",
    "jobs_of_last_run",
    "main",
    "quote_interpreter",
    "run_workflow",
    "settle_job_environment",
]

JOBS_FILE = "jobs.json"
"""List of the jobs of the last run, in the folder of the logs."""

THREAD_VARIABLES = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "NUMBA_NUM_THREADS")
"""What the libraries under numpy, scipy and numba read at their start."""


@contextmanager
def exclusive(layout):
    """Hold the output folder for one run; give the file descriptor that keeps it.

    The lock belongs to the open file: it ends with the last process that has it, however that one dies. So a
    killed run leaves nothing to clean up, and a live one cannot be mistaken for a dead one.
    """
    layout.root.mkdir(parents=True, exist_ok=True)
    path = layout.root / "run.lock"
    with open(path, "a+", encoding="ascii") as file:
        try:
            fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            file.seek(0)
            holder = file.read().strip() or "unknown"
            raise PipelineError(
                f"{layout.root}: another run (process {holder}) is at work on this output folder; "
                "wait for it or end it"
            ) from None
        file.truncate(0)
        file.write(f"{os.getpid()}\n")
        file.flush()
        yield file.fileno()


def run_workflow(config, layout, *, cores, lock, dry_run=False, until=()):
    """Run the workflow; return the engine's exit code (0: all done).

    Parameters
    ----------
    config : path of the target's config
    layout : Layout
    cores : number of jobs at a time
    lock : file descriptor from ``exclusive``, which the engine holds as well
    dry_run : only say what would run
    until : rules after which to stop
    """
    command = [
        *(sys.executable, "-m", "pipeline.workflow"),
        *("--snakefile", str(PROJECT_ROOT / "Snakefile")),
        *("--config", f"settings_file={json.dumps(str(config))}"),
        *("--cores", str(cores)),
        # Ours is the lock, above; the engine's own would outlive a killed run. What such a run left half done
        # is made again.
        *("--nolock", "--rerun-incomplete", "--keep-going"),
        # The exact scheduler plans with an optimiser that costs more than it can save on so few jobs.
        *("--scheduler", "greedy"),
        *("--logger", "narration", "--logger-narration-jobs-file", str(_jobs_file(layout))),
        *(("--dry-run",) if dry_run else ()),
        *(("--until", *until) if until else ()),
    ]
    settle_job_environment(PROJECT_ROOT)
    _jobs_file(layout).unlink(missing_ok=True)
    with subprocess.Popen(command, pass_fds=[lock]) as engine:
        try:
            return engine.wait()
        except KeyboardInterrupt:
            # The terminal has sent it to the engine as well, which ends its jobs in order.
            engine.wait()
            raise


def settle_job_environment(root):
    """Set what every job must find in its environment.

    Job scripts look for packages in site-packages before the workflow's own folder ``root``; PYTHONPATH
    comes before both. The workflow uses a core per job, so threads of libraries would only get in each
    other's way.
    """
    others = os.environ.get("PYTHONPATH", "").split(os.pathsep)
    path = [str(root), *(folder for folder in others if folder and folder != str(root))]
    os.environ["PYTHONPATH"] = os.pathsep.join(path)
    for variable in THREAD_VARIABLES:
        os.environ.setdefault(variable, "1")


def quote_interpreter():
    """Quote the path of the running Python, which the engine pastes into shell commands as it is.

    Without this a checkout with a space in its path fails at its first job.
    """
    if not sys.executable.startswith("'"):
        sys.executable = shlex.quote(sys.executable)


def jobs_of_last_run(layout):
    """What the last run did: ``finished`` (list of dict rule, job, seconds) and ``failed`` (names)."""
    path = _jobs_file(layout)
    if not path.is_file():
        return {"finished": [], "failed": [], "planned": 0}
    return json.loads(path.read_text(encoding="utf-8"))


def main(arguments):
    """Register the narration with the engine and hand over; the engine ends the process."""
    from snakemake.cli import main as engine
    from snakemake_interface_logger_plugins.registry import LoggerPluginRegistry

    from pipeline import narration

    LoggerPluginRegistry().register_plugin("narration", narration)
    engine(arguments)


def _jobs_file(layout):
    return Path(layout.root) / "logs" / JOBS_FILE


if __name__ == "__main__":
    main(sys.argv[1:])
