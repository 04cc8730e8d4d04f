"""The inventory as lines of text: sessions, what calibrates them, which files are left out and why."""

import json
from collections import Counter

from pipeline.plan import load_master, load_session

__all__ = ["describe_inventory"]


def describe_inventory(layout):
    """Sessions, masters, findings and files left out, as lines of text."""
    content = json.loads(layout.inventory().read_text(encoding="utf-8"))
    sessions = [load_session(layout.session_plan(entry["name"])) for entry in content["sessions"]]
    masters = [load_master(layout.master_plan(entry["name"])) for entry in content["masters"]]
    by_status = Counter(entry["status"] for entry in content["files"])
    counted = ", ".join(f"{count} {status}" for status, count in by_status.most_common())
    lines = [f"{len(content['files'])} files: {counted or 'none found'}"]
    if sessions:
        rows = [("session", "lights", "minutes", "size", "pattern", "bias", "dark", "flat")]
        rows += [_session_row(plan) for plan in sessions]
        lines += ["", *_aligned(rows)]
    if masters:
        rows = [("master", "kind", "frames", "exposure", "filter set", "taken off first")]
        rows += [_master_row(plan) for plan in masters]
        lines += ["", *_aligned(rows)]
    notes = [f"  {plan.name}: {note['message']}" for plan in sessions for note in plan.notes]
    left_out = [
        f"  {entry['path']}: {entry['reason']}" for entry in content["files"] if entry["status"] != "used"
    ]
    for title, found in (("Notes:", notes), ("Not used:", left_out)):
        if found:
            lines += ["", title, *found]
    return lines


def _session_row(plan):
    minutes = len(plan.frames) * plan.exposure_s / 60
    calibration = [plan.masters.get(kind) or "-" for kind in ("bias", "dark", "flat")]
    return (
        plan.name,
        str(len(plan.frames)),
        f"{minutes:.1f}",
        f"{plan.width} x {plan.height}",
        plan.cfa,
        *calibration,
    )


def _master_row(plan):
    exposure = f"{plan.exposure_s:g} s"
    return (
        plan.name,
        plan.kind,
        str(len(plan.frames)),
        exposure,
        plan.filter_set or "-",
        plan.pedestal or "-",
    )


def _aligned(rows):
    """Rows of text with columns of equal width."""
    widths = [max(len(row[column]) for row in rows) for column in range(len(rows[0]))]
    return [
        "  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip() for row in rows
    ]
