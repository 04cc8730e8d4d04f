"""Inventory: look at every file once, sort the good ones into sessions and masters, say why the others are not used.

Known files are recognised by path, size and modification time, so that a run after another night reads only
that night. The plan files it leaves are rewritten only where their content changes.
"""

import json
import os
from collections import Counter
from datetime import UTC, datetime
from fnmatch import fnmatch
from pathlib import Path

from pipeline import qa
from pipeline.atomic import write_if_different
from pipeline.errors import ConfigError, InputError
from pipeline.frame_check import green_diagonal, inspect_file
from pipeline.grouping import group_masters, group_sessions, match_sessions
from pipeline.headers import frame_kind, kind_of_words, night_of, stored_pattern
from pipeline.numerics.cfa import BAYER_PATTERNS, MONO
from pipeline.plan import FrameRecord, load_master, load_session, save_plan
from pipeline.progress import progress
from pipeline.settings.filters import filter_set_of

__all__ = ["SUFFIXES", "find_files", "run"]

SUFFIXES = (".fits", ".fit", ".fts", ".fits.fz", ".fits.gz", ".fit.gz", ".fit.fz", ".fts.gz")
"""Names of FITS files, compressed or not; capitals make no difference."""

SCHEMA = 1
"""Rises when what is remembered of a file changes its meaning; older memories are then dropped."""

DEGREES_PER_HOUR = 15.0

SWAPPED_ROWS = {"RGGB": "GBRG", "GBRG": "RGGB", "BGGR": "GRBG", "GRBG": "BGGR"}
"""Pattern of the same array when its first row is the second one of the pattern."""

GREEN_DIAGONAL = {"RGGB": "anti", "BGGR": "anti", "GRBG": "main", "GBRG": "main"}
"""Where the two green pixels of a pattern's 2 x 2 cell lie."""


def run(layout, unit, settings, **_):
    """Make the inventory of all input folders; see the module."""
    with qa.record(layout, "inventory", unit) as record:
        found = find_files(settings["input"])
        known = _remembered(layout)
        entries = []
        for path, below in progress(found, "inventory", unit="files"):
            entries.append(_entry(path, below, known))
        _classify(entries, settings)
        _check_sizes(entries)
        _settle_patterns(entries, settings, record)
        frames = [_frame(entry) for entry in entries if entry["status"] == "used"]
        sessions = group_sessions([frame for frame in frames if frame.kind == "light"])
        masters = group_masters([frame for frame in frames if frame.kind != "light"], settings["calibration"])
        sessions, masters = match_sessions(sessions, masters, settings["calibration"], _previous(layout))
        _write_plans(layout, sessions, masters)
        _note_members(entries, sessions, masters)
        _write_inventory(layout, entries, sessions, masters)
        _report(record, entries, sessions, masters, settings)


def find_files(options):
    """All FITS files below the input folders: [(path, path below its input folder)], sorted.

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
    found = {}
    for folder in options["folders"]:
        for parent, folders, names in os.walk(folder):
            folders.sort()
            for name in sorted(names):
                path = Path(parent) / name
                below = path.relative_to(folder).as_posix()
                if not name.lower().endswith(SUFFIXES) or name.startswith("."):
                    continue
                if not any(fnmatch(below, pattern) for pattern in options["ignore"]):
                    found[str(path)] = below
    return [(Path(path), found[path]) for path in sorted(found)]


def _remembered(layout):
    """What an earlier inventory knows of each file: path -> entry."""
    try:
        content = json.loads(layout.inventory().read_text(encoding="utf-8"))
        if content["schema"] != SCHEMA:
            return {}
        return {entry["path"]: entry for entry in content["files"]}
    except (OSError, ValueError, KeyError, TypeError):
        # No inventory yet, or a damaged one: everything is looked at anew.
        return {}


def _entry(path, below, known):
    """What is known of a file: from an earlier run if it is unchanged, else from reading it."""
    try:
        status = path.stat()
    except OSError as error:
        return {"path": str(path), "below": below, "size": 0, "mtime_ns": 0,
                "look": {"ok": False, "waiting": True, "reason": f"cannot be opened ({error.strerror})"}}  # fmt: skip
    entry = {"path": str(path), "below": below, "size": status.st_size, "mtime_ns": status.st_mtime_ns}
    before = known.get(str(path))
    same = before and (before["size"], before["mtime_ns"]) == (entry["size"], entry["mtime_ns"])
    if same and not before["look"].get("waiting"):
        entry["look"] = before["look"]
    elif status.st_size == 0:
        entry["look"] = {"ok": False, "waiting": False, "reason": "the file is empty"}
    else:
        entry["look"] = inspect_file(path)
    return entry


def _classify(entries, settings):
    """Set status, reason, kind, filter_set and the facts of every entry."""
    for entry in entries:
        look = entry["look"]
        entry.update(status="used", reason="", kind=None, filter_set=None)
        if not look["ok"]:
            entry.update(status="waiting" if look["waiting"] else "quarantined", reason=look["reason"])
            if look["waiting"]:
                entry["reason"] += " - perhaps still being written; left for the next run"
            continue
        facts = dict(look["facts"])
        override = _override(entry["below"], settings["input"]["overrides"])
        kind, _ = frame_kind(look["kind_header"], entry["below"])
        kind = override.pop("image_type", None) or kind
        facts.update(override)
        if kind is None and "filter" in facts and facts.get("exposure_s", 0) > 0:
            # Neither header nor folder says what it is; a frame through a filter of ours is taken for a light.
            kind = "light" if filter_set_of(facts["filter"], settings["filter_sets"]) else None
        entry["kind"], entry["facts"] = kind, facts
        _place(entry, facts, kind, settings)


def _place(entry, facts, kind, settings):
    """Fill in filter set, exposure, start and night, or say what is missing."""
    filter_sets = settings["filter_sets"]

    def quarantine(reason):
        entry.update(status="quarantined", reason=reason)

    if kind is None:
        quarantine("neither IMAGETYP nor a folder name tells light, bias, dark, flat or dark-flat (see input.overrides)")
        return
    if "exposure_s" not in facts:
        if kind != "bias":
            quarantine("EXPTIME is missing (expected seconds; see input.overrides)")
            return
        facts["exposure_s"] = 0.0
    if kind == "light" and not facts["exposure_s"] > 0:
        quarantine(f"a light of {facts['exposure_s']:g} s (expected a positive EXPTIME)")
        return
    if kind in ("light", "flat"):
        filter_set, found = _filter_set(entry, facts, filter_sets)
        entry["filter_set"] = filter_set
        if filter_set is None and found is None:
            quarantine("the FILTER keyword is missing and no folder name tells the filter (see input.overrides)")
            return
        if filter_set is None:
            names = ", ".join(filter_sets)
            entry.update(status="unused", reason=f'filter "{found}" belongs to none of the filter sets ({names})')
            return
    if "start_utc" not in facts:
        # The time at which the file was last written is near enough to tell the night.
        facts["start_utc"] = datetime.fromtimestamp(entry["mtime_ns"] / 1e9, UTC).replace(tzinfo=None).isoformat()
        facts["start_from_file"] = True
    longitude, site = facts.get("longitude_deg"), settings["site"]
    if site["longitude_deg"] is not None:
        longitude = site["longitude_deg"]
    shift = site["utc_offset_h"] if longitude is None else longitude / DEGREES_PER_HOUR
    facts.setdefault("night", night_of(facts["start_utc"], shift_h=shift))


def _filter_set(entry, facts, filter_sets):
    """(name of the filter set or None, spelling that was found or None)."""
    if "filter" in facts and facts["filter"].upper() not in BAYER_PATTERNS:
        return filter_set_of(facts["filter"], filter_sets), facts["filter"]
    parts = Path(entry["below"]).parts
    for part in (*reversed(parts[:-1]), *_words(parts[-1])):
        filter_set = filter_set_of(part, filter_sets)
        if filter_set is not None:
            return filter_set, part
    # A colour camera with nothing in front, in a target that has a single filter set: there is no choice.
    if len(filter_sets) == 1 and facts.get("filter", "").upper() in BAYER_PATTERNS:
        return next(iter(filter_sets)), facts["filter"]
    return None, None


def _words(name):
    return [word for word in name.split(".")[0].replace("-", "_").split("_") if word and not kind_of_words(word)]


def _override(below, overrides):
    """Facts that the config gives for a file; later entries win."""
    facts = {}
    for entry in overrides:
        if fnmatch(below, entry["match"]):
            facts.update({key: value for key, value in entry.items() if key != "match" and value is not None})
    return facts


def _check_sizes(entries):
    """Quarantine lights whose size is not that of most lights of their filter set, and calibration of no light's size."""
    used = [entry for entry in entries if entry["status"] == "used"]
    common = {}
    for filter_set in {entry["filter_set"] for entry in used if entry["kind"] == "light"}:
        sizes = Counter(_size(e) for e in used if e["kind"] == "light" and e["filter_set"] == filter_set)
        common[filter_set] = max(sizes, key=lambda size: (sizes[size], size))
    for entry in used:
        size = _size(entry)
        if entry["kind"] == "light" and size != common[entry["filter_set"]]:
            width, height = common[entry["filter_set"]]
            reason = f"{size[0]} x {size[1]} pixels, while most lights of {entry['filter_set']} have {width} x {height}"
            entry.update(status="quarantined", reason=reason)
        elif entry["kind"] != "light" and common and size not in common.values():
            entry.update(status="quarantined", reason=f"{size[0]} x {size[1]} pixels, which no light has")


def _size(entry):
    return entry["look"]["width"], entry["look"]["height"]


def _settle_patterns(entries, settings, record):
    """Give every used entry its colour pattern; where header and pixels disagree, the pixels win and a flag says so."""
    used = [entry for entry in entries if entry["status"] == "used"]
    forced = settings["camera"]["cfa_pattern"]
    by_size = {}
    for entry in used:
        by_size.setdefault((*_size(entry), entry["facts"].get("binning", "1x1")), []).append(entry)
    for group in by_size.values():
        claimed = Counter(filter(None, (_claimed(entry) for entry in group)))
        pattern = claimed.most_common(1)[0][0] if claimed else None
        seen = _seen_diagonal(group)
        if forced:
            pattern = forced
            if pattern in GREEN_DIAGONAL and seen in ("main", "anti") and seen != GREEN_DIAGONAL[pattern]:
                record.flag("pattern_contradicted", "warn", f"camera.cfa_pattern says {pattern}, but the pixels that look alike lie on the {seen} diagonal.", seen, GREEN_DIAGONAL[pattern])
        elif pattern is None:
            pattern = _guessed(group, seen, record)
        elif seen in ("main", "anti") and seen != GREEN_DIAGONAL[pattern]:
            swapped = SWAPPED_ROWS[pattern]
            record.flag("pattern_corrected", "warn", f"The headers say {pattern}, but the pixels that look alike lie on the {seen} diagonal: {swapped} is used. Set camera.cfa_pattern if red and blue come out exchanged.", swapped, pattern)
            pattern = swapped
        for entry in group:
            entry["cfa"] = pattern


def _claimed(entry):
    """Pattern that an entry's header claims for the stored pixels, or None."""
    facts = entry["facts"]
    bottom_up = entry["look"]["height"] if facts["row_order"].startswith("BOTTOM") else None
    return stored_pattern(
        facts.get("pattern_text", ""), x_offset=facts["x_offset"], y_offset=facts["y_offset"], bottom_up_height=bottom_up
    )


def _seen_diagonal(group):
    """Diagonal of the green pixels by majority of the frames with light, or None."""
    dark = [min(e["look"]["parity"]) for e in group if e["kind"] in ("bias", "dark", "darkflat")]
    votes = Counter()
    for entry in group:
        if entry["kind"] in ("light", "flat"):
            parity = entry["look"]["parity"]
            pedestal = min(dark) if dark and min(dark) < 0.9 * min(parity) else 0.0
            votes[green_diagonal(parity, pedestal)] += 1
    votes.pop(None, None)
    return votes.most_common(1)[0][0] if votes else None


def _guessed(group, seen, record):
    """Pattern where no header names one: mono, unless the pixels show a colour pattern."""
    if seen not in ("main", "anti"):
        return MONO
    hint = next((e["facts"]["filter"].upper() for e in group if e["facts"].get("filter", "").upper() in BAYER_PATTERNS), None)
    if hint and GREEN_DIAGONAL[hint] == seen:
        pattern = hint
    elif hint:
        pattern = SWAPPED_ROWS[hint]
    else:
        pattern = next(name for name in BAYER_PATTERNS if GREEN_DIAGONAL[name] == seen)
    said = f'The headers only hint at "{hint}"' if hint else "No header names the colour pattern"
    record.flag("pattern_guessed", "warn", f"{said}, and the pixels that look alike lie on the {seen} diagonal: {pattern} is assumed. Set camera.cfa_pattern if red and blue come out exchanged.", pattern)
    return pattern


def _frame(entry):
    facts, look = entry["facts"], entry["look"]
    numbers = ("gain_setting", "offset_setting", "temperature_c", "electrons_per_adu", "read_noise_e", "rotation_deg",
               "focal_length_mm", "pixel_um")  # fmt: skip
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
        **{name: facts.get(name) for name in numbers},
    )


def _previous(layout):
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
    """Write into the entries where each frame went; calibration frames that no session needs are "unused"."""
    member_of = {frame.path: plan.name for plan in (*sessions, *masters) for frame in plan.frames}
    for entry in entries:
        if entry["status"] == "used":
            entry["member_of"] = member_of.get(entry["path"])
            if entry["member_of"] is None:
                entry.update(status="unused", reason="no session needs it")


def _write_inventory(layout, entries, sessions, masters):
    content = {
        "schema": SCHEMA,
        "files": entries,
        "quarantined": [
            {"path": entry["path"], "reason": entry["reason"]}
            for entry in entries
            if entry["status"] in ("quarantined", "waiting")
        ],
        "sessions": [
            {
                "name": plan.name,
                "filter_set": plan.filter_set,
                "night": plan.night,
                "frames": len(plan.frames),
                "exposure_s": plan.exposure_s,
                "hours": len(plan.frames) * plan.exposure_s / 3600,
                "masters": plan.masters,
                "notes": plan.notes,
            }
            for plan in sessions
        ],
        "masters": [{"name": plan.name, "kind": plan.kind, "frames": len(plan.frames)} for plan in masters],
    }
    text = json.dumps(content, indent=1, sort_keys=True, ensure_ascii=False)
    write_if_different(layout.inventory(), (text + "\n").encode())


def _report(record, entries, sessions, masters, settings):
    by_status = Counter(entry["status"] for entry in entries)
    record.metrics(
        {
            "files": len(entries),
            "lights": sum(len(plan.frames) for plan in sessions),
            "sessions": len(sessions),
            "masters": len(masters),
            "quarantined": by_status["quarantined"],
            "waiting": by_status["waiting"],
            "unused": by_status["unused"],
            "hours": sum(len(plan.frames) * plan.exposure_s for plan in sessions) / 3600,
        }
    )
    for entry in entries:
        if entry["status"] in ("quarantined", "waiting"):
            record.flag(entry["status"], "warn", f"{entry['path']}: {entry['reason']}.")
    for reason, count in Counter(e["reason"] for e in entries if e["status"] == "unused").items():
        record.flag("unused", "info", f"{count} file(s) not used: {reason}.", count)
    undated = sum(bool(entry.get("facts", {}).get("start_from_file")) for entry in entries)
    if undated:
        record.flag("no_date", "warn", f"{undated} file(s) without DATE-OBS: their night is taken from the time of the file.", undated)
    for plan in sessions:
        for note in plan.notes:
            record.flag(note["code"], note["severity"], note["message"], note["value"], note["limit"])
    present = {plan.filter_set for plan in sessions}
    for name in settings["filter_sets"]:
        if name not in present:
            record.flag("filter_set_without_lights", "warn", f"Filter set {name} has no lights; the run goes on without it.")
    if not sessions:
        record.flag("no_lights", "fail", "No usable light frame was found in the input folders.")
