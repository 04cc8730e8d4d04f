"""The inventory as lines of text: sessions, what calibrates them, what is missing, which files are left out and why."""

import json
from collections import Counter, defaultdict

from pipeline.plan import load_master, load_session
from pipeline.qa import read_record

__all__ = ["describe_inventory"]

MOST_NAMES = 8
"""Files that are named with each reason; the others are counted, and all are in inventory.json."""

TITLES = {
    "quarantined": "Quarantined:",
    "waiting": "Waiting for the next run:",
    "unused": "Not needed:",
}
"""Status of files that are left out, and what stands above them."""

TOLD_ELSEWHERE = {"quarantined", "waiting", "unused"}
"""Codes of findings that the lists of files say as well."""


def describe_inventory(layout):
    """Filter sets, sessions, masters, findings and files left out, as lines of text."""
    content = json.loads(layout.inventory().read_text(encoding="utf-8"))
    sessions = [load_session(layout.session_plan(entry["name"])) for entry in content["sessions"]]
    masters = {entry["name"]: load_master(layout.master_plan(entry["name"])) for entry in content["masters"]}
    by_status = Counter(entry["status"] for entry in content["files"])
    counted = ", ".join(f"{count} {status}" for status, count in by_status.most_common())
    lines = [f"{len(content['files'])} files: {counted or 'none found'}"]
    if sessions:
        lines += ["", *_aligned(_filter_set_rows(sessions))]
        rows = [("session", "lights", "hours", "size", "pattern", "bias", "dark", "flat")]
        lines += ["", *_aligned(rows + [_session_row(plan, masters) for plan in sessions])]
    if masters:
        rows = [("master", "frames", "exposure", "taken off first")]
        lines += ["", *_aligned(rows + [_master_row(plan) for plan in masters.values()])]
    lines += _findings(layout, sessions)
    for status, title in TITLES.items():
        lines += _left_out(title, [entry for entry in content["files"] if entry["status"] == status])
    return lines


def _filter_set_rows(sessions):
    rows = [("filter set", "nights", "lights", "hours")]
    for name in dict.fromkeys(plan.filter_set for plan in sessions):
        own = [plan for plan in sessions if plan.filter_set == name]
        nights, lights = len({plan.night for plan in own}), sum(len(plan.frames) for plan in own)
        rows.append((name, str(nights), str(lights), _hours(own)))
    if len(rows) > 2:
        lights = sum(len(plan.frames) for plan in sessions)
        rows.append(("together", str(len({plan.night for plan in sessions})), str(lights), _hours(sessions)))
    return rows


def _hours(sessions):
    return f"{sum(frame.exposure_s for plan in sessions for frame in plan.frames) / 3600:.2f}"


def _session_row(plan, masters):
    calibration = [
        _calibration_cell(plan, masters.get(plan.masters.get(kind))) for kind in ("bias", "dark", "flat")
    ]
    lights = f"{len(plan.frames)} x {plan.exposure_s:g} s"
    return (plan.name, lights, _hours([plan]), f"{plan.width} x {plan.height}", plan.cfa, *calibration)


def _calibration_cell(session, master):
    """Like "20 x 60 s of 2031-05-01": what there is, and the night if it is another."""
    if master is None:
        return "none"
    night = "" if master.night == session.night else f" of {master.night}"
    return f"{len(master.frames)} x {master.exposure_s:g} s{night}"


def _master_row(plan):
    return plan.name, str(len(plan.frames)), f"{plan.exposure_s:g} s", plan.pedestal or "-"


def _findings(layout, sessions):
    """What is missing or doubtful, with the sessions it concerns; then what is merely good to know."""
    notes = [note for plan in sessions for note in plan.notes]
    record = read_record(layout.qa("inventory", "frames"))
    said = {note["message"] for note in notes}
    general = [
        flag for flag in record["flags"] if flag["code"] not in TOLD_ELSEWHERE and flag["message"] not in said
    ]
    found = [*notes, *general]
    lines = []
    for title, severities in (("Missing or doubtful:", ("fail", "warn")), ("Good to know:", ("info",))):
        messages = dict.fromkeys(note["message"] for note in found if note["severity"] in severities)
        lines += ["", title, *(f"  {message}" for message in messages)] if messages else []
    return lines


def _left_out(title, entries):
    """Files by reason, the most frequent reason first."""
    if not entries:
        return []
    by_reason = defaultdict(list)
    for entry in entries:
        by_reason[entry["reason"]].append(entry["path"])
    lines = ["", f"{title} {len(entries)}"]
    for reason, paths in sorted(by_reason.items(), key=lambda item: (-len(item[1]), item[1])):
        names = ", ".join(paths[:MOST_NAMES])
        more = f" and {len(paths) - MOST_NAMES} more" if len(paths) > MOST_NAMES else ""
        lines.append(f"  {reason}: {names}{more}")
    return lines


def _aligned(rows):
    """Rows of text with columns of equal width."""
    widths = [max(len(row[column]) for row in rows) for column in range(len(rows[0]))]
    return [
        "  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip() for row in rows
    ]
