"""Stages that write small files instead of working on pixels, for tests of the graph.

Copied into a checkout's package as ``pipeline/substitute_stages.py`` (see ``checkout.py``). Each writes what
its rule promises, with the content of what it read inside, and refuses to run when something it needs is
missing.
"""

import hashlib
import json
from pathlib import Path

from astropy.table import Table

from pipeline import qa
from pipeline.atomic import write_bytes
from pipeline.errors import StageError
from pipeline.plan import FrameRecord, MasterPlan, SessionPlan, load_master, load_session, save_plan
from pipeline.settings.filters import filter_set_of, lines_of
from pipeline.tables import write_table

__all__ = ["stage_run"]


def stage_run(stage):
    """The ``run`` of a stage, by name."""
    return globals()[f"_{stage}"]


def _inventory(layout, unit, settings):
    """Folders night/filter/*.fits become sessions; night/flats/*.fits one flat master a night."""
    sessions = set()
    with qa.record(layout, "inventory", unit):
        for folder in settings["input"]["folders"]:
            for night in sorted(path for path in Path(folder).iterdir() if path.is_dir()):
                flats = _frames(night / "flats", "flat", None, night.name)
                master = f"flat_{night.name}" if flats else None
                if master:
                    save_plan(
                        layout.master_plan(master),
                        MasterPlan(master, "flat", flats, 1.0, 8, 8, "RGGB", night.name),
                    )
                for lights in sorted(
                    path for path in night.iterdir() if path.is_dir() and path.name != "flats"
                ):
                    name = filter_set_of(lights.name, settings["filter_sets"])
                    frames = _frames(lights, "light", name, night.name)
                    if name and frames:
                        session = f"{name}-{night.name}"
                        sessions.add(session)
                        masters = {"bias": None, "dark": None, "flat": master}
                        plan = SessionPlan(session, name, night.name, 60.0, 8, 8, "RGGB", frames, masters)
                        save_plan(layout.session_plan(session), plan)
        for stale in layout.root.glob("sessions/*/session.json"):
            if stale.parent.name not in sessions:
                stale.unlink()
        empty = {"files": [], "sessions": [], "masters": [], "names": sorted(sessions)}
        write_bytes(layout.inventory(), json.dumps(empty).encode())


def _masters(layout, unit, settings):
    plan = load_master(layout.master_plan(unit))
    _make(layout, "masters", unit, [frame.path for frame in plan.frames], [layout.master(unit)])


def _measure(layout, unit, settings):
    plan = load_session(layout.session_plan(unit))
    masters = [layout.master(name) for name in plan.masters.values() if name]
    read = [*masters, *(frame.path for frame in plan.frames)]
    _make(layout, "measure", unit, read, [layout.measured(unit), layout.stars(unit)])


def _diagnose(layout, unit, settings):
    plan = load_session(layout.session_plan(unit))
    read = [layout.measured(unit), layout.stars(unit)]
    read += [layout.master(name) for name in plan.masters.values() if name]
    _make(layout, "diagnose", unit, read, [])


def _anchor(layout, unit, settings, *, sessions):
    """The first frame of the first session by name, or of the one that the config names."""
    read = [path for name in sessions for path in (layout.measured(name), layout.stars(name))]
    with qa.record(layout, "anchor", unit):
        plans = [load_session(layout.session_plan(name)) for name in sessions]
        chosen = min(plans, key=lambda plan: plan.name)
        content = {
            "session": chosen.name,
            "filter_set": chosen.filter_set,
            "path": chosen.frames[0].path,
            "from": _digest(read),
        }
        write_bytes(layout.anchor(), json.dumps(content).encode())


def _register_filter_set(layout, unit, settings, *, sessions):
    anchor = json.loads(layout.anchor().read_text(encoding="utf-8"))
    read = [layout.anchor(), layout.stars(anchor["session"])]
    read += [path for name in sessions for path in (layout.measured(name), layout.stars(name))]
    with qa.record(layout, "register_filter_set", unit):
        reference = load_session(layout.session_plan(min(sessions)))
        table = Table(
            {"x": [1.0]},
            meta={"session": reference.name, "path": reference.frames[0].path, "verdict": "pass"},
        )
        table.meta["from"] = _digest(read)
        write_table(layout.link(unit), table)


def _register_session(layout, unit, settings):
    filter_set = load_session(layout.session_plan(unit)).filter_set
    read = [layout.measured(unit), layout.stars(unit), layout.link(filter_set)]
    _make(layout, "register_session", unit, read, [layout.registered(unit)])


def _stack_session(layout, unit, settings):
    plan = load_session(layout.session_plan(unit))
    read = [layout.registered(unit), layout.stars(unit), layout.anchor(), layout.link(plan.filter_set)]
    read += [layout.master(name) for name in plan.masters.values() if name]
    _make(layout, "stack_session", unit, read, [layout.frames(unit), layout.session_stack(unit)])


def _stack_filter_set(layout, unit, settings, *, sessions):
    read = [layout.session_stack(name) for name in sessions]
    _make(layout, "stack_filter_set", unit, read, [layout.stack(unit)])


def _find_stars(layout, unit, settings):
    _make(layout, "find_stars", unit, [layout.stack(unit)], [layout.stack_stars(unit)])


def _survey_sky(layout, unit, settings, *, filter_sets):
    read = [layout.stack(unit), *(layout.stack_stars(name) for name in filter_sets)]
    _make(layout, "survey_sky", unit, read, [layout.sky(unit)])


def _flatten(layout, unit, settings, *, filter_sets):
    read = [layout.stack(unit), *(layout.sky(name) for name in filter_sets)]
    _make(layout, "flatten", unit, read, [layout.flat(unit)])


def _lines(layout, unit, settings, *, filter_sets):
    names = {line for name in filter_sets for line in lines_of(settings["filter_sets"][name])}
    read = [path(name) for path in (layout.flat, layout.stack_stars) for name in filter_sets]
    _make(layout, "lines", unit, read, [layout.continuum(), *(layout.line(name) for name in sorted(names))])


def _fuse(layout, unit, settings, **_options):
    _make(layout, "fuse", unit, [layout.continuum()], [layout.fused()])


def _render(layout, unit, settings, **_options):
    outputs = [layout.fused_tiff(), layout.preview(), layout.comparison()]
    _make(layout, "render", unit, [layout.fused()], outputs)


def _report(layout, unit, settings, *, sessions, filter_sets):
    read = [layout.preview(), layout.comparison(), layout.inventory()]
    read += [path for name in sessions for path in (layout.frames(name), layout.qa("diagnose", name))]
    _make(layout, "report", unit, read, [layout.report(), layout.summary()])


def _failing(layout, unit, settings):
    raise StageError("this stage always fails")


def _make(layout, stage, unit, read, outputs):
    with qa.record(layout, stage, unit):
        digest = _digest(read)
        for path in outputs:
            write_bytes(path, json.dumps({"file": path.name, "from": digest}).encode())


def _digest(paths):
    contents = [Path(path).read_bytes() for path in paths]
    return hashlib.sha256(b"\0".join(contents)).hexdigest()


def _frames(folder, kind, filter_set, night):
    return [
        FrameRecord(
            path=str(path),
            kind=kind,
            filter_set=filter_set,
            exposure_s=60.0,
            width=8,
            height=8,
            cfa="RGGB",
            night=night,
            start_utc=f"{night}T21:00:00",
            hdu=0,
            size=path.stat().st_size,
            mtime_ns=path.stat().st_mtime_ns,
        )
        for path in sorted(folder.glob("*.fits"))
    ]
