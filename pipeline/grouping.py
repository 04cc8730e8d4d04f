"""Sort frames into sessions and masters, and give each session its masters."""

from collections import defaultdict
from dataclasses import dataclass, replace
from types import SimpleNamespace

import numpy as np

from pipeline.matching import choose
from pipeline.plan import MasterPlan, SessionPlan

__all__ = ["group_masters", "group_sessions", "match_sessions"]

COMMON = ("gain_setting", "offset_setting", "binning", "size")
"""What frames of one camera setting share."""


def group_sessions(lights):
    """Sessions of light frames: one night of one filter set with one exposure, gain, offset and binning.

    Returns
    -------
    list of SessionPlan without masters, frames in order of time
    """
    groups = defaultdict(list)
    for frame in lights:
        key = (
            frame.filter_set, frame.night, frame.exposure_s, frame.gain_setting, frame.offset_setting,
            frame.binning, frame.width, frame.height, frame.cfa,
        )  # fmt: skip
        groups[key].append(frame)
    plans = []
    for frames in groups.values():
        frames = sorted(frames, key=lambda frame: (frame.start_utc, frame.path))
        first = frames[0]
        plans.append(
            SessionPlan(
                name=_name(first.filter_set, first),
                filter_set=first.filter_set,
                night=first.night,
                exposure_s=first.exposure_s,
                width=first.width,
                height=first.height,
                cfa=first.cfa,
                frames=frames,
                masters={},
                gain_setting=first.gain_setting,
                offset_setting=first.offset_setting,
                temperature_c=_median_temperature(frames),
                binning=first.binning,
            )
        )
    return _unique(plans)


def group_masters(frames, tolerances):
    """Masters of calibration frames: one night of one kind with the same settings and temperature.

    Returns
    -------
    list of MasterPlan without pedestals
    """
    groups = defaultdict(list)
    for frame in frames:
        filter_set = frame.filter_set if frame.kind == "flat" else None
        key = (
            frame.kind, filter_set, frame.night, frame.gain_setting, frame.offset_setting, frame.binning,
            frame.width, frame.height, frame.rotation_deg if frame.kind == "flat" else None,
            # Sky flats change their exposure as the light fades; they are brought to one level anyhow.
            None if frame.kind == "flat" else frame.exposure_s,
        )  # fmt: skip
        groups[key].append(frame)
    plans = []
    for members in groups.values():
        for part in _by_temperature(members, tolerances["temperature_tolerance_c"]):
            part = sorted(part, key=lambda frame: (frame.start_utc, frame.path))
            first = part[0]
            label = first.kind if first.kind != "flat" else f"flat-{first.filter_set}"
            plans.append(
                MasterPlan(
                    name=_name(label, replace(first, temperature_c=_median_temperature(part)), temperature=first.kind != "flat"),
                    kind=first.kind,
                    frames=part,
                    exposure_s=float(np.median([frame.exposure_s for frame in part])),
                    width=first.width,
                    height=first.height,
                    cfa=first.cfa,
                    night=first.night,
                    gain_setting=first.gain_setting,
                    offset_setting=first.offset_setting,
                    temperature_c=_median_temperature(part),
                    binning=first.binning,
                    filter_set=first.filter_set if first.kind == "flat" else None,
                )
            )
    return _unique(plans)


def match_sessions(sessions, masters, tolerances, previous):
    """Give sessions their masters and flats their pedestals.

    Parameters
    ----------
    sessions : list of SessionPlan
    masters : list of MasterPlan
    tolerances : section "calibration" of the settings
    previous : dict name -> SessionPlan or MasterPlan of the run before, for matches that should last

    Returns
    -------
    sessions, masters : with their matches; masters that nobody needs are left out
    """
    of_kind = defaultdict(list)
    for master in masters:
        of_kind[master.kind].append(master)
    matched = [_match_session(session, of_kind, tolerances, previous.get(session.name)) for session in sessions]
    needed = {name for session in matched for name in session.masters.values() if name}
    by_name = {master.name: master for master in masters}
    complete = {}
    for name in sorted(needed):
        master = by_name[name]
        if master.kind == "flat":
            master = replace(master, pedestal=_pedestal(master, of_kind, tolerances, previous.get(name)))
            if master.pedestal:
                complete.setdefault(master.pedestal, by_name[master.pedestal])
        complete[name] = master
    return matched, [complete[name] for name in sorted(complete)]


@dataclass(frozen=True)
class _Wanted:
    """What is asked of a calibration frame, in the attributes of a plan."""

    exposure_s: float
    gain_setting: float | None
    offset_setting: float | None
    temperature_c: float | None
    binning: str
    width: int
    height: int
    night: str
    filter_set: str | None
    rotation_deg: float | None
    size: None = None

    @classmethod
    def of(cls, plan):
        return cls(
            plan.exposure_s, plan.gain_setting, plan.offset_setting, plan.temperature_c, plan.binning, plan.width,
            plan.height, plan.night, plan.filter_set, _rotation(plan),
        )  # fmt: skip


def _match_session(session, of_kind, tolerances, before):
    wanted = _Wanted.of(session)
    kept = before.masters if before is not None else {}
    notes, chosen = [], {}

    def pick(kind, fields):
        groups = [_viewed(group) for group in of_kind[kind]]
        return choose(wanted, groups, tolerances, fields=fields, kept=kept.get(kind))

    bias, _ = pick("bias", (*COMMON, "temperature_c"))
    dark, nearest = pick("dark", (*COMMON, "temperature_c", "exposure_s"))
    if dark is None:
        # Of another exposure: the longest, whose thermal part is known best, if a bias can split it; without a
        # bias the shortest, which is nearest to the bare pedestal.
        fallback = [_viewed(group) for group in of_kind["dark"]]
        fallback.sort(key=lambda group: group.exposure_s, reverse=bias is not None)
        for group in fallback:
            dark, _ = choose(wanted, [group], tolerances, fields=(*COMMON, "temperature_c"))
            if dark is not None:
                break
        notes.append(_dark_note(session, dark, bias, nearest))
    chosen["bias"], chosen["dark"] = (group.name if group else None for group in (bias, dark))
    flat, nearest = pick("flat", ("filter_set", "binning", "size", "rotation_deg"))
    chosen["flat"] = flat.name if flat else None
    if flat is None:
        what = f"; nearest is {nearest.name}: {', '.join(nearest.differs)}" if nearest else ""
        notes.append(_note("no_matching_flat", "warn", f"No flat for session {session.name}{what}."))
    elif flat.night != session.night:
        notes.append(
            _note("flat_of_another_night", "info", f"Session {session.name} uses the flat of {flat.night}; dust may have moved since.")
        )
    return replace(session, masters=chosen, notes=notes)


def _dark_note(session, dark, bias, nearest):
    what = f" Nearest is {nearest.name}: {', '.join(nearest.differs)}." if nearest else ""
    start = f"No dark for session {session.name} ({session.exposure_s:g} s)."
    if dark is not None and bias is not None:
        return _note("dark_of_other_exposure", "warn", f"{start} {dark.name} is scaled with the bias.")
    if dark is not None:
        return _note("no_matching_dark", "warn", f"{start}{what} It is used as the pedestal only, since there is no bias to scale it.")
    if bias is not None:
        return _note("no_matching_dark", "warn", f"{start}{what} Only the bias is subtracted.")
    return _note("no_matching_dark", "warn", f"{start}{what} There is no bias either.")


def _pedestal(flat, of_kind, tolerances, before):
    """Master to subtract from the frames of a flat: a dark-flat, a dark of its exposure, a bias, any short dark."""
    wanted = _Wanted.of(flat)
    kept = before.pedestal if before is not None else None
    for kind, fields in (
        ("darkflat", (*COMMON, "exposure_s")),
        ("dark", (*COMMON, "exposure_s")),
        ("bias", COMMON),
        ("darkflat", COMMON),
    ):
        group, _ = choose(wanted, [_viewed(g) for g in of_kind[kind]], tolerances, fields=fields, kept=kept)
        if group is not None:
            return group.name
    return None


def _viewed(group):
    """A master plan with the rotation of its frames, for comparison."""
    view = SimpleNamespace(**{name: getattr(group, name) for name in (
        "name", "night", "exposure_s", "gain_setting", "offset_setting", "temperature_c", "binning", "width",
        "height", "filter_set",
    )})  # fmt: skip
    view.rotation_deg = _rotation(group)
    view.size = None
    return view


def _rotation(plan):
    known = [frame.rotation_deg for frame in plan.frames if frame.rotation_deg is not None]
    return float(np.median(known)) if known else None


def _by_temperature(frames, tolerance):
    """Split frames where their sorted temperatures leave a gap wider than the tolerance."""
    unknown = [frame for frame in frames if frame.temperature_c is None]
    known = sorted((frame for frame in frames if frame.temperature_c is not None), key=lambda f: f.temperature_c)
    parts = []
    for frame in known:
        if parts and frame.temperature_c - parts[-1][-1].temperature_c <= tolerance:
            parts[-1].append(frame)
        else:
            parts.append([frame])
    return parts + ([unknown] if unknown else [])


def _median_temperature(frames):
    known = [frame.temperature_c for frame in frames if frame.temperature_c is not None]
    return round(float(np.median(known)), 1) if known else None


def _name(label, frame, *, temperature=False):
    """Like "duo-2031-03-02-120s-g100-o30-b1x1"; parts that are not known are left out."""
    parts = [label, frame.night, f"{frame.exposure_s:g}s"]
    if label.startswith("flat-"):
        parts.pop()
    for letter, value in (("g", frame.gain_setting), ("o", frame.offset_setting)):
        if value is not None:
            parts.append(f"{letter}{value:g}")
    if temperature and frame.temperature_c is not None:
        parts.append(f"{round(frame.temperature_c):d}C".replace("-", "m"))
    parts.append(f"b{frame.binning}")
    return "-".join(parts).replace(".", "p").replace("+", "")


def _unique(plans):
    """Plans with distinct names, sorted by name: those that share one get their size, pattern or a number added."""
    by_name = defaultdict(list)
    for plan in plans:
        by_name[plan.name].append(plan)
    named = []
    for name, group in by_name.items():
        if len(group) == 1:
            named.append(group[0])
            continue
        group.sort(key=lambda plan: (-len(plan.frames), plan.frames[0].start_utc, plan.frames[0].path))
        named.append(group[0])
        named.extend(replace(plan, name=f"{name}-{index}") for index, plan in enumerate(group[1:], start=2))
    return sorted(named, key=lambda plan: plan.name)


def _note(code, severity, message, value=None, limit=None):
    return {"code": code, "severity": severity, "message": message, "value": value, "limit": limit}
