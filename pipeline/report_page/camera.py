"""Masters, and the camera as measured against what the headers say."""

from pipeline.report_page.content import Line, Table
from pipeline.report_page.metric_names import metric_text
from pipeline.report_page.quantities import count_of

__all__ = ["camera_sentences", "master_table"]

VERDICT_TEXTS = {"pass": "good", "warn": "look closer", "fail": "not usable"}
"""Verdicts of a record in words."""

LIST_SHOWN = 8
"""Metrics that are longer lists (curves, histograms) stay in the QA record."""


def camera_sentences(evidence):
    """What the masters say in general, and how far the sessions are calibrated."""
    records = evidence.of_stage("masters")
    sentences = []
    if records:
        good = sum(record.verdict == "pass" for record in records)
        sentences.append(f"{count_of(len(records), 'master')} made, {good} of them without a remark.")
    for kind in ("dark", "flat"):
        without = [session.name for session in evidence.sessions if not session.masters.get(kind)]
        if without and len(without) == len(evidence.sessions):
            sentences.append(f"No session has a {kind}.")
        elif without:
            sentences.append(f"Without a {kind}: {', '.join(without)}.")
    return sentences


def master_table(evidence):
    """A row per master with everything that was measured on it."""
    records = evidence.of_stage("masters")
    if not records:
        return None
    rows = tuple(
        (
            record.unit,
            VERDICT_TEXTS[record.verdict],
            tuple(
                Line(metric_text(name, value))
                for name, value in record.metrics.items()
                if not (isinstance(value, list) and len(value) > LIST_SHOWN)
            )
            or "nothing was measured",
        )
        for record in records
    )
    return Table(
        f"{count_of(len(rows), 'master')}, with the camera's gain and read noise where they could be measured.",
        ("Master", "Verdict", "Measured"),
        rows,
    )
