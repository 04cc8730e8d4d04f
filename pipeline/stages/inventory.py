"""Inventory: look at every file once, sort the good ones into sessions and masters, say why the others are not used.

Known files are recognised by path, size and modification time, so that a run after another night reads only
that night. The plan files it leaves are rewritten only where their content changes.
"""

import json
import os
import stat
import sys
from collections import Counter
from fnmatch import fnmatch
from pathlib import Path

from pipeline import qa
from pipeline.assignment import assign_masters
from pipeline.atomic import write_if_different
from pipeline.classification import QUARANTINED, UNUSED, USED, WAITING, check_sizes, classify
from pipeline.colour_pattern import settle_patterns
from pipeline.digest import code_digest
from pipeline.disk_space import shown_bytes
from pipeline.errors import ConfigError, InputError
from pipeline.frame_check import inspect_file
from pipeline.grouping import group_masters, group_sessions
from pipeline.plan import FrameRecord, load_master, load_session, save_plan
from pipeline.progress import progress

__all__ = ["SUFFIXES", "find_files", "run"]

SUFFIXES = (".fits", ".fit", ".fts", ".fits.fz", ".fits.gz", ".fit.gz", ".fit.fz", ".fts.gz", ".fts.fz")
"""Names of FITS files, compressed or not; capitals make no difference."""

NUMBERS = (
    "gain_setting", "offset_setting", "temperature_c", "outside_c", "electrons_per_adu", "read_noise_e",
    "rotation_deg", "focal_length_mm", "pixel_um",
)  # fmt: skip
"""Facts that a plan keeps of a frame as they are."""


def run(layout, unit, settings, **_):
    """Make the inventory of all input folders; see the module."""
    with qa.record(layout, "inventory", unit) as record:
        known = _remembered(layout)
        previous = _previous_plans(layout)
        given = _given_files(settings["input"])
        raw = dict(find_files(settings["input"], skip=layout.root))
        elsewhere = {path.resolve() for path in given}
        found = sorted(
            {**{p: below for p, below in raw.items() if p.resolve() not in elsewhere}, **given}.items()
        )
        _check_mounted(settings["input"]["folders"], found, known, layout)
        entries = [{**_entry(path, below, known["files"]), "given": path in given} for path, below in found]
        _look_at_new(layout, entries, known)
        shifts = classify(entries, settings, remembered_shifts=known["clock_shifts"])
        check_sizes(entries, _usual_sizes(previous))
        used = [entry for entry in entries if entry["status"] == USED]
        pattern_flags = settle_patterns(used, settings["camera"]["cfa_pattern"])
        frames = [_frame(entry) for entry in used]
        options = settings["calibration"]
        sessions = group_sessions([frame for frame in frames if frame.kind == "light"], options)
        masters = group_masters([frame for frame in frames if frame.kind != "light"], options)
        sessions, masters = assign_masters(sessions, masters, options, previous)
        _write_plans(layout, sessions, masters)
        _note_members(entries, sessions, masters)
        _write_inventory(layout, entries, sessions, masters, known["made_by"], shifts)
        _report(record, entries, sessions, masters, pattern_flags, settings)


def find_files(options, *, skip=None):
    """All files below the input folders, sorted by path.

    Parameters
    ----------
    options : section "input" of the settings
    skip : folder to stay out of, like our own results

    Returns
    -------
    list of (path, path below the input folder with that folder's name before it)

    Raises
    ------
    ConfigError
        If an input folder does not exist.
    """
    missing = [folder for folder in options["folders"] if not Path(folder).is_dir()]
    if missing:
        raise ConfigError(
            "\n".join(f"input.folders: {Path(folder).resolve()} is not a folder" for folder in missing)
        )
    found, visited = {}, set()
    if skip is not None:
        visited.add(Path(skip).resolve())
    for folder in options["folders"]:
        for parent, folders, names in os.walk(folder, followlinks=True):
            real = Path(parent).resolve()
            if real in visited:
                # Seen through another input folder or a link; links may even run in circles.
                folders.clear()
                continue
            visited.add(real)
            folders[:] = sorted(name for name in folders if not name.startswith("."))
            for name in sorted(names):
                path = Path(parent) / name
                inside = path.relative_to(folder).as_posix()
                if name.startswith(".") or any(fnmatch(inside, pattern) for pattern in options["ignore"]):
                    continue
                found[str(path)] = f"{Path(folder).resolve().name}/{inside}"
    return [(Path(path), found[path]) for path in sorted(found)]


def _given_files(options):
    """Files below ``input.masters``, as ``find_files`` gives them: dict path -> path below its folder."""
    files = {
        Path(path): f"{Path(path).resolve().parent.name}/{Path(path).name}"
        for path in options["masters"]
        if Path(path).is_file()
    }
    folders = [path for path in options["masters"] if not Path(path).is_file()]
    return {**dict(find_files({**options, "folders": folders})), **files}


def _remembered(layout):
    """What an earlier inventory knows: files (path -> entry), clock_shifts, and the code that looked at them."""
    made_by = code_digest("pipeline.frame_check")
    nothing = {"files": {}, "clock_shifts": {}, "made_by": made_by}
    try:
        content = _read_inventory(layout)
        files = {entry["path"]: entry for entry in content["files"]}
        shifts = {str(clock): float(shift) for clock, shift in content["clock_shifts"].items()}
    except (ValueError, KeyError, TypeError, AttributeError):
        # No inventory yet, or a damaged one: everything is looked at anew.
        return nothing
    if content.get("made_by") != made_by:
        # Other code looked at them; whether they exist is still known.
        files = {path: {"path": path} for path in files}
    return {"files": files, "clock_shifts": shifts, "made_by": made_by}


def _check_mounted(folders, found, known, layout):
    """An input folder that had frames and is now empty is a disk that is not there, not a wish to forget them."""
    for folder in folders:
        prefix = str(Path(folder) / "_")[:-1]
        before = sum(path.startswith(prefix) for path in known["files"])
        if before and not any(str(path).startswith(prefix) for path, _ in found):
            raise InputError(
                f"{Path(folder).resolve()}: expected the {before} files of the last inventory, found an empty folder; "
                f"if they were removed on purpose, delete {layout.inventory()}"
            )


def _entry(path, below, known):
    """What is known of a file: from an earlier run if it is unchanged, else from reading it."""
    entry = {"path": _printable(str(path)), "below": _printable(below), "size": 0, "mtime_ns": 0}
    if entry["path"] != str(path):
        # No plan, log or page can spell such a name.
        return {
            **entry,
            "look": {"ok": False, "waiting": False, "reason": "its name is not valid UTF-8; rename it"},
        }
    try:
        status = path.stat()
    except OSError as error:
        return {
            **entry,
            "look": {"ok": False, "waiting": True, "reason": f"cannot be opened ({error.strerror})"},
        }
    entry.update(size=status.st_size, mtime_ns=status.st_mtime_ns)
    if not stat.S_ISREG(status.st_mode):
        # Opening a pipe would wait for whoever writes into it.
        entry["look"] = {"ok": False, "waiting": False, "status": UNUSED, "reason": "not an ordinary file"}
        return entry
    if not path.name.lower().endswith(SUFFIXES):
        reason = f"not a FITS file by its name (expected {', '.join(SUFFIXES[:3])}, or these with .fz or .gz)"
        entry["look"] = {"ok": False, "waiting": False, "status": UNUSED, "reason": reason}
        return entry
    before = known.get(entry["path"], {})
    same = "look" in before and (before.get("size"), before.get("mtime_ns")) == (
        entry["size"],
        entry["mtime_ns"],
    )
    if same and not before["look"].get("waiting"):
        entry["look"] = before["look"]
    return entry


def _look_at_new(layout, entries, known):
    """Read every file that is not known, once, and say so; what was read is kept if this is interrupted."""
    new = [entry for entry in entries if "look" not in entry]
    if not new:
        return
    size = sum(entry["size"] for entry in new)
    print(
        f"inventory: {len(new)} of {len(entries)} files are new and read once, whole ({shown_bytes(size)})",
        file=sys.stderr,
    )
    try:
        for entry in progress(new, "inventory", unit="files"):
            entry["look"] = inspect_file(Path(entry["path"]))
    except BaseException:
        _remember(layout, entries, known)
        raise


def _remember(layout, entries, known):
    """Keep what was looked at, for the next time; the plans stay as they are."""
    seen = [
        {**entry, "status": WAITING, "reason": "the inventory was interrupted"}
        for entry in entries
        if "look" in entry
    ]
    content = _read_inventory(layout) or {"sessions": [], "masters": [], "quarantined": []}
    content.update(files=seen, made_by=known["made_by"], clock_shifts=known["clock_shifts"])
    _save_inventory(layout, content)


def _printable(text):
    """Text with bytes that are no UTF-8 written out."""
    return text.encode("utf-8", "surrogateescape").decode("utf-8", "backslashreplace")


def _frame(entry):
    facts, look = entry["facts"], entry["look"]
    return FrameRecord(
        path=entry["path"],
        kind=entry["kind"],
        filter_set=entry["filter_set"],
        exposure_s=float(facts["exposure_s"]),
        width=look["width"],
        height=look["height"],
        cfa=entry["cfa"],
        night=facts["night"],
        start_utc=facts["start_utc"],
        hdu=look["hdu"],
        size=entry["size"],
        mtime_ns=entry["mtime_ns"],
        binning=facts.get("binning", "1x1"),
        object_name=facts.get("object_name", ""),
        clipped_adu=look["clipped_adu"],
        origin=facts.get("origin"),
        given=entry["given"],
        **{name: facts.get(name) for name in NUMBERS},
    )


def _previous_plans(layout):
    """Plans of the run before, name -> plan; a damaged one is no reason to stop."""
    plans = {}
    for load, pattern in ((load_session, "sessions/*/session.json"), (load_master, "masters/*.json")):
        for path in layout.root.glob(pattern):
            try:
                plan = load(path)
            except InputError:
                continue
            plans[plan.name] = plan
    return plans


def _usual_sizes(previous):
    """Size of the lights of each filter set in the run before."""
    counts = {}
    for plan in previous.values():
        if hasattr(plan, "masters"):
            counts.setdefault(plan.filter_set, Counter())[plan.width, plan.height] += len(plan.frames)
    return {name: sizes.most_common(1)[0][0] for name, sizes in counts.items()}


def _write_plans(layout, sessions, masters):
    wanted = {layout.session_plan(plan.name): plan for plan in sessions}
    wanted.update({layout.master_plan(plan.name): plan for plan in masters})
    for path, plan in wanted.items():
        save_plan(path, plan)
    for pattern in ("sessions/*/session.json", "masters/*.json"):
        for path in layout.root.glob(pattern):
            if path not in wanted:
                path.unlink()


def _note_members(entries, sessions, masters):
    """Write into the entries where each frame went; calibration frames that no session needs are unused."""
    member_of = {frame.path: plan.name for plan in (*sessions, *masters) for frame in plan.frames}
    for entry in entries:
        if entry["status"] == USED:
            entry["member_of"] = member_of.get(entry["path"])
            if entry["member_of"] is None:
                entry.update(status=UNUSED, reason="no session needs it")


def _write_inventory(layout, entries, sessions, masters, made_by, shifts):
    content = {
        "made_by": made_by,
        "clock_shifts": shifts,
        "files": entries,
        "quarantined": [
            {"path": entry["path"], "reason": entry["reason"]}
            for entry in entries
            if entry["status"] in (QUARANTINED, WAITING)
        ],
        "sessions": [
            {
                "name": plan.name,
                "filter_set": plan.filter_set,
                "night": plan.night,
                "frames": len(plan.frames),
                "exposure_s": plan.exposure_s,
                "hours": _hours([plan]),
                "masters": plan.masters,
                "notes": plan.notes,
            }
            for plan in sessions
        ],
        "masters": [
            {"name": plan.name, "kind": plan.kind, "frames": len(plan.frames), "given": plan.given}
            for plan in masters
        ],
    }
    _save_inventory(layout, content)


def _read_inventory(layout):
    """The inventory as it was written, or None."""
    try:
        content = json.loads(layout.inventory().read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return None
    return content if isinstance(content, dict) else None


def _save_inventory(layout, content):
    # A file, session or master a line: readable, and ten times faster written than with a fact a line.
    parts = []
    for key in sorted(content):
        value = content[key]
        text = json.dumps(value, sort_keys=True, ensure_ascii=False)
        if isinstance(value, list) and value:
            items = (json.dumps(item, sort_keys=True, ensure_ascii=False) for item in value)
            text = "[\n  " + ",\n  ".join(items) + "\n ]"
        parts.append(f" {json.dumps(key)}: {text}")
    write_if_different(layout.inventory(), ("{\n" + ",\n".join(parts) + "\n}\n").encode())


def _hours(sessions):
    return sum(frame.exposure_s for plan in sessions for frame in plan.frames) / 3600


def _report(record, entries, sessions, masters, pattern_flags, settings):
    by_status = Counter(entry["status"] for entry in entries)
    record.metrics({"files": len(entries), "sessions": len(sessions), "masters": len(masters)})
    record.metrics({"lights": sum(len(plan.frames) for plan in sessions), "hours": _hours(sessions)})
    record.metrics({status: by_status[status] for status in (QUARANTINED, WAITING, UNUSED)})
    for entry in entries:
        if entry["status"] in (QUARANTINED, WAITING):
            record.flag(entry["status"], "warn", f"{entry['path']}: {entry['reason']}.")
    for reason, count in Counter(e["reason"] for e in entries if e["status"] == UNUSED).items():
        record.flag("unused", "info", f"{count} file(s) not used: {reason}.", count)
    undated = sum(
        bool(entry.get("facts", {}).get("start_from_file")) and not entry["given"] for entry in entries
    )
    if undated:
        message = f"{undated} file(s) without DATE-OBS: their night is taken from the time of the file."
        record.flag("no_date", "warn", message, undated)
    scaled = sum(
        entry["status"] == USED and entry["look"]["unit_range"] and not entry["given"] for entry in entries
    )
    if scaled:
        message = (
            f"{scaled} frame(s) hold values from 0 to 1 and no ADU: gain and read noise of their headers do not apply; give "
            "camera.electrons_per_adu, camera.read_noise_e and camera.saturation_adu for that unit."
        )
        record.flag("no_adu", "warn", message, scaled)
    for flag in (*pattern_flags, *(note for plan in sessions for note in plan.notes)):
        record.flag(**flag)
    present = {plan.filter_set for plan in sessions}
    for name in settings["filter_sets"]:
        if name not in present:
            message = f"Filter set {name} has no lights; the run goes on without it."
            record.flag("filter_set_without_lights", "warn", message)
    if not sessions:
        record.flag("no_lights", "fail", "No usable light frame was found in the input folders.")
