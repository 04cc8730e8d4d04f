"""QA records: what a stage measured and thinks of one unit of its work, checked against a JSON Schema."""

import json
import math
import time
from contextlib import contextmanager
from functools import cache
from pathlib import Path

import jsonschema
import numpy as np

from pipeline.atomic import write_bytes
from pipeline.errors import InputError
from pipeline.provenance import file_identity, peak_rss_mb, software

__all__ = ["SCHEMA_NAME", "SEVERITIES", "Record", "finding", "read_record", "record"]

SCHEMA_NAME = "duskloom-qa-1"
"""Value of ``schema`` in every record; the number rises when a reader would have to change."""

SEVERITIES = ("info", "warn", "fail")
"""From harmless to fatal; the worst one of the flags decides the verdict."""

SCHEMA_PATH = Path(__file__).with_name("qa.schema.json")


class Record:
    """A QA record in the making.

    Metrics are flat: name to number, text, bool, None or list of numbers; the unit is part of the name.
    """

    def __init__(self, stage, unit):
        self.stage = stage
        self.unit = unit
        self._metrics = {}
        self._flags = []
        self._inputs = {}
        self._started = time.monotonic()

    def metric(self, name, value):
        """Set one metric; numpy scalars and arrays are converted, NaN and infinity become None."""
        self._metrics[name] = _plain(value)

    def metrics(self, values):
        """Set several metrics from a dict."""
        for name, value in values.items():
            self.metric(name, value)

    def flag(self, code, severity, message, value=None, limit=None):
        """Add a finding.

        Parameters
        ----------
        code : short lower-case word or words joined by "_", stable for programs
        severity : one of ``SEVERITIES``
        message : one plain sentence for the user
        value, limit : what was found, and what it was held against, if numbers or text
        """
        self._flags.append(finding(code, severity, message, value, limit))

    def input(self, path):
        """Name a file that the result depends on; a missing one is recorded as such."""
        path = Path(path)
        self._inputs[str(path)] = (
            file_identity(path) if path.is_file() else {"path": str(path), "missing": True}
        )

    @property
    def verdict(self):
        """The worst of the flags: "pass", "warn" or "fail"."""
        severities = {flag["severity"] for flag in self._flags}
        return "fail" if "fail" in severities else "warn" if "warn" in severities else "pass"

    def as_dict(self):
        """The record as it is written."""
        return {
            "schema": SCHEMA_NAME,
            "stage": self.stage,
            "unit": self.unit,
            "verdict": self.verdict,
            "metrics": dict(self._metrics),
            "flags": list(self._flags),
            "inputs": [self._inputs[path] for path in sorted(self._inputs)],
            "software": dict(software()),
            "wall_s": round(time.monotonic() - self._started, 3),
            "peak_rss_mb": round(peak_rss_mb(), 1),
        }


def finding(code, severity, message, value=None, limit=None):
    """A finding in the form of a record's flag, for code that has no record at hand; see :meth:`Record.flag`."""
    if severity not in SEVERITIES:
        raise ValueError(f"severity is one of {SEVERITIES}, got {severity!r}")
    return {
        "code": code,
        "severity": severity,
        "message": message,
        "value": _plain(value),
        "limit": _plain(limit),
    }


@contextmanager
def record(layout, stage, unit):
    """Give a :class:`Record` and write it to ``qa/<stage>/<unit>.json`` when the block ends.

    An exception in the block writes the record with a flag "stage_failed" and goes on its way.
    """
    made = Record(stage, unit)
    try:
        yield made
    except Exception as error:
        made.flag("stage_failed", "fail", f"{stage} of {unit} failed: {error}")
        _write(layout.qa(stage, unit), made)
        raise
    _write(layout.qa(stage, unit), made)


def read_record(path):
    """Read a QA record and validate it; raises InputError where that fails."""
    try:
        content = json.loads(Path(path).read_text(encoding="utf-8"))
        _validator().validate(content)
    except (OSError, ValueError, jsonschema.ValidationError) as error:
        reason = getattr(error, "message", error)
        raise InputError(f"{path}: not a readable QA record ({reason})") from error
    return content


def _write(path, made):
    content = made.as_dict()
    _validator().validate(content)
    text = json.dumps(content, indent=1, ensure_ascii=False, allow_nan=False)
    write_bytes(path, (text + "\n").encode())


@cache
def _validator():
    return jsonschema.Draft202012Validator(json.loads(SCHEMA_PATH.read_text(encoding="utf-8")))


def _plain(value):
    """The value in JSON's own types; a number that JSON cannot hold becomes None."""
    if isinstance(value, np.ndarray):
        return [_plain(item) for item in value.ravel().tolist()]
    if isinstance(value, list | tuple):
        return [_plain(item) for item in value]
    if isinstance(value, np.generic):
        value = value.item()
    if isinstance(value, float) and not math.isfinite(value):
        return None
    if isinstance(value, Path):
        return str(value)
    return value
