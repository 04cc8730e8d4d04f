"""The rim between a Snakemake job and a stage: settings in, one-sentence errors out."""

import sys
from pathlib import Path

from pipeline.errors import PipelineError, machine_trouble
from pipeline.layout import Layout

__all__ = ["run_job"]

INTERRUPTED = 130
"""Exit code of a process that SIGINT has ended, by the shells' convention: 128 + its number."""


def run_job(job, run):
    """Run one stage for one job of the workflow.

    Parameters
    ----------
    job : the ``snakemake`` object of a script; its params give ``output_folder``, ``unit``, ``settings``
        (nested dict of the sections this stage needs) and, if any, ``options`` (keyword arguments); its
        resources give the memory the stage may use, its threads how many it may run
    run : the stage's ``run(layout, unit, settings, **options)``

    What the stage says on standard error goes to the terminal and into the job's log file.
    """
    params = job.params
    run_section = {
        **params.settings.get("run", {}),
        "memory_gb": job.resources.mem_mb / 1000,
        "threads": job.threads,
    }
    with _copied_to(job.log[0] if job.log else None):
        try:
            run(
                Layout(params.output_folder),
                params.unit,
                {**params.settings, "run": run_section},
                **dict(params.get("options") or {}),
            )
        except PipelineError as error:
            print(f"{job.rule} {params.unit}: {error}", file=sys.stderr, flush=True)
            sys.exit(1)
        except OSError as error:
            print(f"{job.rule} {params.unit}: {machine_trouble(error)}", file=sys.stderr, flush=True)
            sys.exit(1)
        except KeyboardInterrupt:
            # The user knows; the front door says what to do next.
            sys.exit(INTERRUPTED)


class _Tee:
    """A text stream that writes to two others."""

    def __init__(self, first, second):
        self.first = first
        self.second = second

    def write(self, text):
        self.first.write(text)
        self.second.write(text)
        return len(text)

    def flush(self):
        self.first.flush()
        self.second.flush()

    def fileno(self):
        return self.first.fileno()

    def isatty(self):
        return False


class _copied_to:
    """Copy standard error into a log file while the block runs; a no-op without a path."""

    def __init__(self, path):
        self.path = path

    def __enter__(self):
        if self.path is None:
            return
        Path(self.path).parent.mkdir(parents=True, exist_ok=True)
        self.file = open(self.path, "w", encoding="utf-8")
        self.terminal = sys.stderr
        sys.stderr = _Tee(self.terminal, self.file)

    def __exit__(self, *exception):
        if self.path is None:
            return
        if exception[0] is not None and not issubclass(exception[0], SystemExit):
            import traceback

            traceback.print_exception(*exception, file=self.file)
        sys.stderr = self.terminal
        self.file.close()
