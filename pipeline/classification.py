"""What each file is: its kind, filter set, exposure and night, or why it is not used."""

from collections import Counter, defaultdict
from datetime import UTC, datetime, timedelta
from fnmatch import fnmatch
from pathlib import Path

from pipeline.headers import frame_kind, is_master, kind_of_words
from pipeline.named_facts import facts_of_names
from pipeline.nights import night_of, proposed_shift, settle_shifts
from pipeline.numerics.cfa import BAYER_PATTERNS
from pipeline.settings.filters import filter_set_of

__all__ = ["check_sizes", "classify"]

USED, QUARANTINED, WAITING, UNUSED = "used", "quarantined", "waiting", "unused"
"""Status of a file. "waiting" is a quarantine until the next run, of a file that may still be growing; "unused" are
sound files that nothing needs."""


def classify(entries, settings, *, remembered_shifts):
    """Set "status", "reason", "kind", "filter_set" and "facts" of every entry.

    Parameters
    ----------
    entries : list of dict with "path", "below" (path below its input folder, that folder's name first), "mtime_ns",
        "given" (whether it was named as a ready master), and "look" from ``inspect_file``
    settings : dict with the sections "input", "filter_sets" and "site"
    remembered_shifts : see ``pipeline.nights.settle_shifts``

    Returns
    -------
    settled shifts, to be remembered
    """
    for entry in entries:
        entry.update(status=USED, reason="", kind=None, filter_set=None)
        look = entry["look"]
        if look["ok"]:
            entry["facts"] = dict(look["facts"])
            _apply(entry, settings)
        elif look["waiting"]:
            entry.update(
                status=WAITING,
                reason=f"{look['reason']}; perhaps still being written, looked at again next time",
            )
        else:
            entry.update(status=look.get("status", QUARANTINED), reason=look["reason"])
    used = [entry for entry in entries if entry["status"] == USED]
    clocks = {entry["path"]: proposed_shift(entry["facts"], settings["site"]) for entry in used}
    lights = [
        (entry["facts"]["start_utc"], clocks[entry["path"]][0])
        for entry in used
        if entry["kind"] == "light"
        and not clocks[entry["path"]][1]
        and not entry["facts"].get("start_from_file")
    ]
    settled = settle_shifts(lights, remembered_shifts)
    for entry in used:
        shift, certain = clocks[entry["path"]]
        night = night_of(entry["facts"]["start_utc"], shift, None if certain else settled)
        entry["facts"].setdefault("night", night)
    return settled


def check_sizes(entries, usual):
    """Quarantine lights of another size than most of their filter set.

    Calibration frames of another size stay: they match no light, and are then named as near misses.

    Parameters
    ----------
    entries : list of dict, classified
    usual : dict filter set -> (width, height) used so far; it decides where two sizes are equally frequent
    """
    used = [entry for entry in entries if entry["status"] == USED]
    sizes = defaultdict(Counter)
    for entry in used:
        if entry["kind"] == "light":
            sizes[entry["filter_set"]][_size(entry)] += 1
    common = {
        name: max(counts, key=lambda size: (counts[size], size == usual.get(name), size))
        for name, counts in sizes.items()
    }
    for entry in used:
        if entry["kind"] == "light" and _size(entry) != common[entry["filter_set"]]:
            found, expected = (
                "{} x {}".format(*size) for size in (_size(entry), common[entry["filter_set"]])
            )
            reason = f"{found} pixels, while most lights of {entry['filter_set']} have {expected}"
            entry.update(status=QUARANTINED, reason=reason)


def _size(entry):
    return entry["look"]["width"], entry["look"]["height"]


def _apply(entry, settings):
    """Kind, filter set, exposure and start of one sound file, from header, names and config."""
    facts = entry["facts"]
    override = _override(entry["below"], settings["input"]["overrides"])
    kind = override.pop("image_type", None) or frame_kind(entry["look"]["kind_header"], entry["below"])
    facts.update(override)
    for name, value in facts_of_names(entry["below"]).items():
        # What header and config leave open.
        facts.setdefault(name, value)
    filter_set, spelling = _filter_set(entry, settings["filter_sets"])
    if kind is None and filter_set and facts.get("exposure_s", 0) > 0:
        # Neither header nor names say what it is; a frame through a filter of ours is taken for a light.
        kind = "light"
    entry["kind"] = kind
    # A header that says so is believed wherever the file lies: among raw frames a master would spoil their mean.
    entry["given"] = entry.get("given", False) or is_master(entry["look"]["kind_header"])
    reason = _what_is_missing(facts, kind, given=entry["given"])
    if entry["given"] and kind in ("bias", "dark", "darkflat") and entry["look"]["unit_range"]:
        reason = f"a master {kind} with values from 0 to 1 (expected ADU, as in the raw frames)"
    if not reason and kind in ("light", "flat"):
        entry["filter_set"] = filter_set
        if filter_set is None and spelling is None:
            reason = "the keyword FILTER is missing and neither folder nor file name tells the filter; name it in input.overrides"
        elif filter_set is None:
            names = ", ".join(settings["filter_sets"])
            entry.update(
                status=UNUSED, reason=f'filter "{spelling}" belongs to none of the filter sets ({names})'
            )
    if reason:
        entry.update(status=QUARANTINED, reason=reason)
        return
    facts.setdefault("exposure_s", 0.0)
    if "start_utc" not in facts and "start_local" in facts:
        shift = timedelta(hours=proposed_shift(facts, settings["site"])[0])
        try:
            facts["start_utc"] = (datetime.fromisoformat(facts["start_local"]) - shift).isoformat()
        except OverflowError:
            # A clock that stands at the beginning or end of the calendar.
            facts["start_utc"] = facts["start_local"]
    if "start_utc" not in facts:
        # The time at which the file was last written is near enough to tell the night.
        written = datetime.fromtimestamp(entry["mtime_ns"] / 1e9, UTC)
        facts["start_utc"] = written.replace(tzinfo=None).isoformat(timespec="seconds")
        facts["start_from_file"] = True


def _what_is_missing(facts, kind, *, given):
    """Why a frame cannot be used, or ""."""
    if kind is None:
        return (
            "neither the keyword IMAGETYP nor a folder or file name tells light, bias, dark, flat or dark-flat; "
            "name it in input.overrides"
        )
    if given and kind == "light":
        return "a light that was combined from others (expected raw lights; masters are bias, dark, flat or dark-flat)"
    exposure = facts.get("exposure_s")
    if exposure is None:
        return (
            ""
            if kind == "bias" or (given and kind == "flat")
            else "the keyword EXPTIME is missing (expected seconds), and no name tells it; give it in input.overrides"
        )
    if exposure < 0 or (kind == "light" and exposure == 0):
        return f"EXPTIME is {exposure:g} s (expected {'more than 0' if kind == 'light' else '0 or more'})"
    return ""


def _filter_set(entry, filter_sets):
    """(name of the filter set or None, spelling that was found or None)."""
    stated = entry["facts"].get("filter")
    if stated is not None:
        found = filter_set_of(stated, filter_sets)
        # Some colour cameras write their colour pattern here, which says nothing about what is in front of them.
        if found or stated.upper() not in BAYER_PATTERNS:
            return found, stated
    parts = Path(entry["below"]).parts
    for part in (*_words(parts[-1]), *reversed(parts[:-1])):
        found = filter_set_of(part, filter_sets)
        if found:
            return found, part
    if stated is not None and len(filter_sets) == 1:
        # A colour camera in a target with a single filter set: there is no choice.
        return next(iter(filter_sets)), stated
    return None, None


def _words(name):
    """Words of a file name that may be a filter: those that do not name a kind of frame."""
    words = name.split(".")[0].replace("-", "_").split("_")
    return [word for word in words if word and not kind_of_words(word)]


def _override(below, overrides):
    """Facts that the config gives for a file; later entries win."""
    # Patterns are held against the path below the input folder, without that folder's own name.
    inside = below.split("/", 1)[-1]
    facts = {}
    for entry in overrides:
        if fnmatch(inside, entry["match"]):
            facts.update({key: value for key, value in entry.items() if key != "match" and value is not None})
    return facts
