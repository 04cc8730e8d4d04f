"""Read the output tree of a run into :class:`~pipeline.report_page.evidence.Evidence`.

The report is made whatever happened before, so a missing or damaged product is noted and the rest goes on.
"""

import json
import math
from dataclasses import replace
from pathlib import Path

from pipeline.errors import InputError
from pipeline.plan import load_session
from pipeline.qa import read_record
from pipeline.report_page.evidence import Evidence, FilterSet, Flag, Light, QaRecord, Quarantined, Session
from pipeline.tables import read_table

__all__ = ["STAGES", "gather", "relative_to", "with_findings", "with_problems"]

STAGES = (
    "inventory",
    "masters",
    "measure",
    "diagnose",
    "anchor",
    "register_filter_set",
    "register_session",
    "stack_session",
    "stack_filter_set",
    "find_stars",
    "survey_sky",
    "flatten",
    "lines",
    "fuse",
    "render",
)
"""Stages in the order of the chain; the page lists findings in this order."""

FURTHEST = (("frames", "stacked"), ("registered", "registered"), ("measured", "measured"))
"""Per-light tables from the last stage to the first: layout method, and what its presence means."""


def gather(layout, settings, *, sessions, filter_sets):
    """Collect what is known.

    Parameters
    ----------
    layout : Layout
    settings : nested dict of the configuration
    sessions, filter_sets : names that take part in this run; records of anything else are from earlier
        configurations and are left out

    Returns
    -------
    Evidence
    """
    problems = []
    made = [_session(layout, name, problems) for name in sessions]
    made = [session for session in made if session is not None]
    units = (
        set(sessions)
        | set(filter_sets)
        | _masters_of(made, layout)
        | {"anchor", "lines", "fused", "preview", "frames"}
    )
    sets = tuple(_filter_set(layout, settings, name, made) for name in filter_sets)
    inventory = _json(layout.inventory(), problems, unit="frames")
    return Evidence(
        target=str((settings.get("target") or {}).get("name") or "unnamed target"),
        settings=settings,
        records=_records(layout, units, problems),
        filter_sets=sets,
        quarantined=_quarantined(inventory),
        files_seen=_files_seen(inventory),
        anchor=_json(layout.anchor(), problems, unit="anchor"),
        lines=_line_maps(layout),
        preview=layout.preview() if layout.preview().is_file() else None,
        comparison=layout.comparison() if layout.comparison().is_file() else None,
        unreadable=tuple(problems),
    )


def _session(layout, name, problems):
    try:
        plan = load_session(layout.session_plan(name))
    except InputError as error:
        problems.append(_problem(name, error))
        return None
    furthest, table = "planned", None
    for method, meaning in FURTHEST:
        path = getattr(layout, method)(name)
        if not path.is_file():
            continue
        try:
            table = read_table(path)
        except InputError as error:
            problems.append(_problem(name, error))
            continue
        furthest = meaning
        break
    lights = _planned_lights(plan) if table is None else _lights(plan, table)
    sizes = [frame.pixel_um for frame in plan.frames if frame.pixel_um]
    return Session(
        plan.name, plan.filter_set, plan.night, plan.exposure_s, lights, dict(plan.masters), furthest,
        pixels=(plan.width, plan.height, plan.binning), pixel_um=sizes[0] if sizes else None,
    )  # fmt: skip


def _planned_lights(plan):
    return tuple(
        Light(
            plan.name,
            plan.filter_set,
            plan.night,
            frame.path,
            frame.start_utc,
            frame.exposure_s,
            True,
            "",
            {},
        )
        for frame in plan.frames
    )


def _lights(plan, table):
    """Lights from a table row each; text columns are facts, finite numbers are measurements."""
    lights = []
    for row in table:
        numbers, facts = {}, {}
        for column in table.colnames:
            value = row[column]
            if getattr(value, "shape", ()):
                continue
            if table[column].dtype.kind in "fiu":
                if math.isfinite(value):
                    numbers[column] = float(value)
            else:
                facts[column] = str(value)
        lights.append(
            Light(
                session=plan.name,
                filter_set=plan.filter_set,
                night=plan.night,
                path=facts.get("path", f"frame {len(lights)}"),
                start_utc=facts.get("start_utc", ""),
                exposure_s=numbers.get("exposure_s", plan.exposure_s),
                used=facts.get("verdict", "accept") == "accept",
                reason=facts.get("reason", ""),
                numbers=numbers,
            )
        )
    return tuple(lights)


def _masters_of(sessions, layout):
    names = {name for session in sessions for name in session.masters.values() if name}
    # The master that a flat or a scaled dark leans on is named in that master's own plan.
    for name in sorted(names):
        path = layout.master_plan(name)
        if path.is_file():
            try:
                pedestal = json.loads(path.read_text(encoding="utf-8")).get("pedestal")
            except (OSError, ValueError):
                continue
            names |= {pedestal} if pedestal else set()
    return names


def _filter_set(layout, settings, name, sessions):
    configured = (settings.get("filter_sets") or {}).get(name) or {}
    stack, flat = layout.stack(name), layout.flat(name)
    return FilterSet(
        name=name,
        role=str(configured.get("role") or ""),
        sessions=tuple(
            sorted(
                (s for s in sessions if s.filter_set == name),
                key=lambda session: (session.night, session.name),
            )
        ),
        stack=stack if stack.is_file() else None,
        flat=flat if flat.is_file() else None,
    )


def _records(layout, units, problems):
    records = []
    for stage in STAGES:
        for path in sorted((layout.root / "qa" / stage).glob("*.json")):
            if path.stem not in units:
                continue
            try:
                content = read_record(path)
            except InputError as error:
                problems.append(_problem(path.stem, error))
                continue
            flags = tuple(Flag(content["stage"], content["unit"], **flag) for flag in content["flags"])
            records.append(
                QaRecord(
                    content["stage"],
                    content["unit"],
                    content["verdict"],
                    content["metrics"],
                    flags,
                    tuple(content["inputs"]),
                    content["software"],
                    content["wall_s"],
                    content["peak_rss_mb"],
                )
            )
    return tuple(records)


def _json(path, problems, *, unit):
    if not path.is_file():
        return {}
    try:
        content = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError) as error:
        problems.append(_problem(unit, f"{path}: cannot be read ({error})"))
        return {}
    return content if isinstance(content, dict) else {}


def _quarantined(inventory):
    entries = inventory.get("quarantined") or []
    return tuple(Quarantined(str(entry["path"]), str(entry["reason"])) for entry in entries)


def _files_seen(inventory):
    files = inventory.get("files")
    return len(files) if isinstance(files, list | dict) else None


def _line_maps(layout):
    folder = layout.continuum().parent
    return {path.stem: path for path in sorted(folder.glob("*.fits")) if path != layout.continuum()}


def _problem(unit, error):
    return Flag(
        "report", unit, "unreadable_product", "warn", f"A product of this run cannot be read: {error}."
    )


def relative_to(path, root):
    """``path`` as seen from ``root``, or unchanged where it lies elsewhere."""
    path = Path(path)
    return str(path.relative_to(root)) if path.is_relative_to(root) else str(path)


def with_findings(evidence, unit, findings):
    """The evidence with findings of the report itself, in the form of a QA record's flags."""
    flags = tuple(Flag("report", unit, **finding) for finding in findings)
    return replace(evidence, unreadable=evidence.unreadable + flags)


def with_problems(evidence, problems):
    """The evidence with further Flags about products that cannot be read; a problem is named once."""
    known = {flag.message for flag in evidence.unreadable}
    fresh = tuple(flag for flag in problems if flag.message not in known)
    return replace(evidence, unreadable=evidence.unreadable + fresh)
