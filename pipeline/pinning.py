"""Choices that last: from which sessions the anchor and the reference frames are chosen, and when anew.

The anchor is chosen once, from the sessions that exist then. ``anchor/considered.json`` keeps their names,
and the workflow gives the choosing steps these sessions and no others. While a choice is *held*, its step
looks only at whether the measurements of those sessions exist; so a later night, or a frame that arrives
late, changes nothing for that step, nor for anything that depends on the anchor.

A choice is *opened* when the chosen frame is gone, when a frame is named in the config or no longer named,
when the code or the settings that measure and choose have changed, or when ``anchor/`` is deleted. An open
choice depends on its measurements in the ordinary way. ``round`` counts the openings; it is a parameter of
the step, which therefore runs again even if the sessions are the same.
"""

import hashlib
import json

from pipeline.atomic import write_if_different
from pipeline.errors import ConfigError, InputError
from pipeline.plan import load_session
from pipeline.tables import read_table
from pipeline.usage import code_for, settings_for

__all__ = ["considered", "pin_choices"]

OPEN, CLEARED, HELD = "open", "cleared", "held"
"""States of a choice: to be made, with an old one perhaps still there; to be made, or to be tried again;
made."""

NONE_FIT = ("", "")
"""In place of session and path: the choice was tried, and no frame was good enough."""

UNLINKED = "fail"
"""Verdict in the table of a filter set whose reference frame could not be linked to the anchor."""


def pin_choices(layout, settings, *, clear):
    """Bring ``anchor/considered.json`` up to date with the sessions that the inventory found.

    Parameters
    ----------
    layout : Layout
    settings : complete settings of the target
    clear : True to remove choices that are to be made anew, as a run does that will make them

    Returns
    -------
    list of sentences for the user about choices that are made anew
    """
    plans = [load_session(path) for path in sorted(layout.root.glob("sessions/*/session.json"))]
    sessions = {plan.name: plan for plan in plans}
    before, after, messages = _read(layout), {}, []
    for filter_set in [None, *sorted({plan.filter_set for plan in plans})]:
        entry = _entry_name(filter_set)
        after[entry], message = _pinned(layout, settings, sessions, filter_set, before.get(entry))
        messages.extend([message] if message else [])
        if clear and after[entry]["state"] == OPEN:
            _file(layout, filter_set).unlink(missing_ok=True)
            after[entry]["state"] = CLEARED
    text = json.dumps(after, indent=1, sort_keys=True, ensure_ascii=False)
    write_if_different(layout.considered(), (text + "\n").encode())
    return messages


def considered(layout, filter_set=None):
    """What the anchor, or with ``filter_set`` that set's reference frame, is chosen from.

    Returns
    -------
    dict with ``sessions`` (sorted list of names), ``round`` (int) and ``held`` (bool); no sessions where
    nothing is planned
    """
    entry = _read(layout).get(_entry_name(filter_set), {"sessions": [], "round": 0, "state": OPEN})
    return {"sessions": entry["sessions"], "round": entry["round"], "held": entry["state"] == HELD}


def _pinned(layout, settings, sessions, filter_set, before):
    """The entry to keep for one choice, and a sentence if an earlier choice does not hold any more."""
    candidates = sorted(name for name, plan in sessions.items() if filter_set in (None, plan.filter_set))
    frame = settings["anchor"]["frame"] if filter_set is None else None
    if frame:
        candidates = _sessions_with(frame, candidates, sessions)
    entry = {"frame": frame, "sessions": candidates, "round": 1, "state": OPEN}
    message = None
    if before is not None:
        entry.update(round=before["round"], state=before["state"])
        chosen = None if before["state"] == OPEN else _chosen(layout, filter_set)
        if chosen is not None:
            kept = [name for name in before["sessions"] if name in sessions]
            basis = _basis(settings, sessions, filter_set, kept)
            why, entry["sessions"] = _opening(before, frame, chosen, sessions, basis, kept, candidates)
            if why:
                what = "the anchor" if filter_set is None else f"the reference frame of {filter_set}"
                message = f"{why.format(what)}: {what} is chosen anew, and what depends on it made again"
                entry.update(round=before["round"] + 1, state=OPEN)
            else:
                entry["state"] = HELD if chosen != NONE_FIT else CLEARED
    entry["basis"] = _basis(settings, sessions, filter_set, entry["sessions"])
    return entry, message


def _opening(before, frame, chosen, sessions, basis, kept, candidates):
    """Why a choice that was made is opened, or None; and the sessions to choose from, or chosen from."""
    session, path = chosen
    if frame != before["frame"]:
        return f"anchor.frame {'names another frame' if frame else 'names no frame now'}", candidates
    if chosen == NONE_FIT:
        return None, candidates
    if session not in sessions or sessions[session].find(path) is None:
        return f"{path} was {{}} and is gone", candidates
    if basis != before["basis"]:
        return "the code or the settings that measure and choose have changed", kept
    return None, kept


def _basis(settings, sessions, filter_set, names):
    """Digest of the code and settings that measure and choose."""
    stage = "anchor" if filter_set is None else "register_filter_set"
    used = settings_for(stage, settings, filter_sets={sessions[name].filter_set for name in names})
    text = json.dumps([code_for(stage), used], sort_keys=True)
    return hashlib.sha256(text.encode()).hexdigest()


def _sessions_with(frame, candidates, sessions):
    named = [name for name in candidates if sessions[name].find(frame)]
    if not named:
        raise ConfigError(
            f'anchor.frame: found "{frame}", which is the end of no light\'s path; expected a light as '
            "inventory.json lists it, or null"
        )
    return named


def _chosen(layout, filter_set):
    """Session and path of the chosen frame, or ``NONE_FIT``; None before the choice."""
    path = _file(layout, filter_set)
    if not path.is_file():
        return None
    try:
        if filter_set is None:
            content = json.loads(path.read_text(encoding="utf-8"))
        else:
            content = read_table(path).meta
            if content["verdict"] == UNLINKED:
                return NONE_FIT
        return content["session"], content["path"]
    except (OSError, ValueError, KeyError) as error:
        raise InputError(
            f"{path}: damaged ({error}); delete the folder {path.parent} to choose anew"
        ) from error


def _file(layout, filter_set):
    return layout.anchor() if filter_set is None else layout.link(filter_set)


def _entry_name(filter_set):
    return "anchor" if filter_set is None else f"filter_set:{filter_set}"


def _read(layout):
    path = layout.considered()
    if not path.is_file():
        return {}
    try:
        return json.loads(path.read_text(encoding="utf-8"))
    except ValueError as error:
        raise InputError(
            f"{path}: damaged ({error}); delete the folder {path.parent} to choose anew"
        ) from error
