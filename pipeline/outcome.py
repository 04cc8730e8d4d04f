"""What a run says at its end: where the results are, how long each stage took, and the main figures."""

import json
from collections import Counter, defaultdict

from pipeline.qa import read_record
from pipeline.usage import SETTINGS_USED

__all__ = ["describe_jobs", "describe_outcome"]

MOST_FLAGS = 12
"""Findings that the terminal shows; more would push the rest off the screen."""


def describe_jobs(jobs, *, complete):
    """The jobs that ran, as lines of text: rule, number, and their units.

    Parameters
    ----------
    jobs : dict from ``pipeline.workflow.jobs_of_last_run``
    complete : whether the run did all there was to do
    """
    finished = jobs["finished"]
    if not finished:
        return ["Nothing to do: every result is up to date." if complete else "No job was finished."]
    counts = Counter(job["rule"] for job in finished)
    lines = ["1 job ran:" if len(finished) == 1 else f"{len(finished)} jobs ran:"]
    for rule in dict.fromkeys(job["rule"] for job in finished):
        units = [job["job"].removeprefix(rule).strip() for job in finished if job["rule"] == rule]
        lines.append(f"  {rule} x {counts[rule]}" + (f": {', '.join(units)}" if any(units) else ""))
    return lines


def describe_outcome(layout):
    """Results, times and figures of the target, as lines of text."""
    lines = ["Results:"]
    for what, path in (
        ("picture", layout.preview()),
        ("16-bit picture", layout.fused_tiff()),
        ("comparison", layout.comparison()),
        ("linear layers", layout.fused()),
        ("report", layout.report()),
    ):
        lines.append(f"  {what:<15}{path.resolve() if path.is_file() else 'not made'}")
    records = [read_record(path) for path in sorted(layout.root.glob("qa/*/*.json"))]
    if records:
        lines += ["", *_times(records), "", *_verdicts(records)]
    if layout.summary().is_file():
        lines += ["", *_figures(json.loads(layout.summary().read_text(encoding="utf-8")))]
    return lines


def _times(records):
    seconds, units, memory = defaultdict(float), Counter(), defaultdict(float)
    order = {stage: number for number, stage in enumerate(SETTINGS_USED)}
    for record in sorted(records, key=lambda record: order.get(record["stage"], len(order))):
        stage = record["stage"]
        seconds[stage] += record["wall_s"]
        units[stage] += 1
        memory[stage] = max(memory[stage], record["peak_rss_mb"])
    lines = [
        f"{'stage':<22}{'units':>6}{'seconds':>10}{'peak MB':>10}   (of the last time each unit was made)"
    ]
    lines += [
        f"{stage:<22}{units[stage]:>6}{seconds[stage]:>10.1f}{memory[stage]:>10.0f}" for stage in seconds
    ]
    return lines


def _verdicts(records):
    counts = Counter(record["verdict"] for record in records)
    lines = [f"QA records: {counts['pass']} pass, {counts['warn']} warn, {counts['fail']} fail"]
    flags = [(record, flag) for record in records for flag in record["flags"] if flag["severity"] != "info"]
    # What failed comes first; the sort keeps the order otherwise.
    flags.sort(key=lambda pair: pair[1]["severity"] != "fail")
    lines += [
        f"  {flag['severity']:<5}{record['stage']} {record['unit']}: {flag['message']}"
        for record, flag in flags[:MOST_FLAGS]
    ]
    if len(flags) > MOST_FLAGS:
        lines.append(f"  and {len(flags) - MOST_FLAGS} more; the report has them all")
    return lines


def _figures(summary):
    lights = summary["lights"]
    lines = [
        summary["sentence"],
        "Main figures:",
        f"  lights: {lights['used']} of {lights['seen']} used ({lights['used_s'] / 60:.1f} min), "
        f"{lights['rejected']} rejected, {lights['down_weighted']} with less weight; "
        f"{len(summary['quarantined'])} files quarantined",
    ]
    for name, filter_set in summary["filter_sets"].items():
        lines.append(
            f"  {name}: {filter_set['lights_used']} of {filter_set['lights_seen']} lights, "
            f"{filter_set['used_s'] / 60:.1f} min"
        )
        for row, values in filter_set["bench"].items():
            lines.append(
                f"    {row}: " + ", ".join(_cell(channel, value) for channel, value in values.items())
            )
    return lines


def _cell(channel, quantity):
    if quantity["value"] is None:
        text = f"not known ({quantity['missing']})"
    elif quantity["uncertainty"] is None:
        text = f"{quantity['value']:.4g}"
    else:
        text = f"{quantity['value']:.4g} +- {quantity['uncertainty']:.2g}"
    return text if channel == "all" else f"{channel} {text}"
