"""What a run says on the terminal: a line per finished job, and every error; nothing else of the workflow
engine.

This is a logger of the engine's own plugin kind; ``pipeline.workflow`` registers it under the name
``narration``. What the jobs themselves say (frames done / total, one-sentence errors) does not come through
here.
"""

import json
import logging
import sys
import time
from dataclasses import dataclass, field

from snakemake_interface_logger_plugins.base import LogHandlerBase
from snakemake_interface_logger_plugins.common import LogEvent
from snakemake_interface_logger_plugins.settings import LogHandlerSettingsBase

from pipeline.atomic import write_bytes

__all__ = ["LogHandler", "LogHandlerSettings"]

SAID_BETTER = (
    "CalledProcessError",
    "Exiting because a job execution failed",
    "At least one job did not complete successfully",
)
"""In messages of the engine about a failed job, of which the job and this module have told already."""


@dataclass
class LogHandlerSettings(LogHandlerSettingsBase):
    """Settings of the plugin, from the command line."""

    jobs_file: str | None = field(
        default=None, metadata={"help": "JSON file for the list of finished jobs", "type": str}
    )


@dataclass
class _Job:
    what: str
    rule: str
    started: float


class LogHandler(LogHandlerBase):
    """Writes the lines, and the list of finished jobs when the run ends."""

    def __post_init__(self):
        self._jobs = {}
        self._finished = []
        self._failed = []
        self._total = 0

    def emit(self, record):
        """Say what there is to say about one event."""
        event = getattr(record, "event", None)
        if event in self._EVENTS:
            self._EVENTS[event](self, record)
        elif record.levelno >= logging.WARNING and record.msg:
            text = record.getMessage()
            if not any(known in text for known in SAID_BETTER):
                _say(text)

    def close(self):
        """Write the list of finished jobs."""
        if self.settings.jobs_file:
            content = {"finished": self._finished, "failed": self._failed, "planned": self._total}
            write_bytes(self.settings.jobs_file, (json.dumps(content, indent=1) + "\n").encode())
        super().close()

    def _run_info(self, record):
        stats = getattr(record, "stats", {})
        # ``rule all`` only collects; it is no work.
        total = int(stats.get("total", 0)) - int(stats.get("all", 0))
        if self.common_settings.dryrun and total and not self._total:
            _say("would run:")
        self._total = total

    def _job_info(self, record):
        self._jobs[record.jobid] = _Job(
            record.rule_msg or record.rule_name, record.rule_name, time.monotonic()
        )
        if self.common_settings.dryrun and record.rule_msg:
            _say(f"  {record.rule_msg}")
            self._finished.append(self._entry(record.jobid))

    def _job_finished(self, record):
        job = self._jobs.get(record.job_id)
        if job is None or job.rule == "all":
            return
        self._finished.append(self._entry(record.job_id))
        took = time.monotonic() - job.started
        _say(f"[{len(self._finished)}/{self._total}] {job.what}: done in {took:.1f} s")

    def _job_error(self, record):
        job = self._jobs.get(record.jobid)
        what = job.what if job else record.rule_name
        self._failed.append(what)
        _say(f"{what}: failed" + (f"; see {record.log[0]}" if record.log else ""))

    def _entry(self, jobid):
        job = self._jobs[jobid]
        return {"rule": job.rule, "job": job.what, "seconds": round(time.monotonic() - job.started, 2)}

    def _quiet(self, record):
        """Nothing to say."""

    _EVENTS = {
        LogEvent.RUN_INFO: _run_info,
        LogEvent.JOB_INFO: _job_info,
        LogEvent.JOB_FINISHED: _job_finished,
        LogEvent.JOB_ERROR: _job_error,
        LogEvent.JOB_STARTED: _quiet,
        LogEvent.PROGRESS: _quiet,
        LogEvent.SHELLCMD: _quiet,
        LogEvent.RESOURCES_INFO: _quiet,
        LogEvent.WORKFLOW_STARTED: _quiet,
    }

    @property
    def writes_to_stream(self):
        """True: it replaces the engine's own lines on the terminal."""
        return True

    @property
    def writes_to_file(self):
        """False: the engine keeps its own log file."""
        return False

    @property
    def has_filter(self):
        """True: all events arrive here."""
        return True

    @property
    def has_formatter(self):
        """True: the events' fields are used, not their text."""
        return True

    @property
    def needs_rulegraph(self):
        """False."""
        return False


def _say(text):
    print(text, file=sys.stderr, flush=True)
