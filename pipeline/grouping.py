"""Sort frames into sessions and masters, and name these."""

from collections import Counter, defaultdict

import numpy as np

from pipeline.plan import MasterPlan, SessionPlan

__all__ = ["group_masters", "group_sessions"]

SAME_ROTATION_DEG = 1.0
"""Rotator angles of flats closer than this are one position."""


def group_sessions(lights, options):
    """Sessions of light frames: one night of one filter set with one exposure, gain, offset and binning.

    Parameters
    ----------
    lights : list of FrameRecord
    options : section "calibration" of the settings

    Returns
    -------
    list of SessionPlan without masters, sorted by name; frames in order of time
    """
    groups = defaultdict(list)
    for frame in lights:
        groups[frame.filter_set, *_settings_of(frame)].append(frame)
    plans = []
    for members in groups.values():
        for part in _exposures_apart(members, options["exposure_tolerance"]):
            common = _common(part)
            name = _name(part[0].filter_set, common, exposure=True)
            plans.append(SessionPlan(name=name, filter_set=part[0].filter_set, masters={}, **common))
    return _distinctly_named(plans)


def group_masters(frames, options):
    """Masters of calibration frames: one night of one kind with the same settings and temperature; or given ready.

    Flats are kept together whatever their exposure, since sky flats are exposed longer as the light fades, and
    apart by filter set and rotator angle. The others are kept apart by exposure and temperature.

    Parameters
    ----------
    frames : list of FrameRecord
    options : section "calibration" of the settings

    Returns
    -------
    list of MasterPlan without pedestals, sorted by name; frames in order of time
    """
    groups = defaultdict(list)
    for frame in frames:
        turned = None if frame.rotation_deg is None else round(frame.rotation_deg / SAME_ROTATION_DEG)
        of_flat = (frame.filter_set, turned) if frame.kind == "flat" else (None, None)
        # Each master that is given stands for itself.
        alone = frame.path if frame.given else None
        groups[frame.kind, *of_flat, alone, *_settings_of(frame)].append(frame)
    plans = []
    for (kind, filter_set, *_), members in groups.items():
        parts = [members]
        if kind != "flat":
            parts = [
                colder
                for same in _exposures_apart(members, options["exposure_tolerance"])
                for colder in _temperatures_apart(same, options["temperature_tolerance_c"])
            ]
        for part in parts:
            common = _common(part)
            label = f"flat-{filter_set}" if kind == "flat" else kind
            given = part[0].given
            if given:
                label = f"given-{label}"
            name = _name(label, common, exposure=kind != "flat", temperature=kind != "flat")
            plans.append(MasterPlan(name=name, kind=kind, filter_set=filter_set, given=given, **common))
    return _distinctly_named(plans)


def _settings_of(frame):
    """What frames of one night and one camera setting share, apart from exposure and temperature."""
    return (
        frame.night, frame.gain_setting, frame.offset_setting, frame.binning, frame.width, frame.height, frame.cfa,
        frame.origin,
    )  # fmt: skip


def _common(frames):
    """Fields that session and master plans have in common."""
    frames = sorted(frames, key=lambda frame: (frame.start_utc, frame.path))
    first = frames[0]
    known = [frame.temperature_c for frame in frames if frame.temperature_c is not None]
    return {
        "frames": frames,
        "night": first.night,
        "exposure_s": _usual_exposure(frames),
        "gain_setting": first.gain_setting,
        "offset_setting": first.offset_setting,
        "temperature_c": round(float(np.median(known)), 1) if known else None,
        "binning": first.binning,
        "width": first.width,
        "height": first.height,
        "cfa": first.cfa,
    }


def _usual_exposure(frames):
    """The most frequent exposure, which a late frame hardly changes; the median where all differ, as in sky flats."""
    counts = Counter(frame.exposure_s for frame in frames)
    most = max(counts.values())
    if most == 1:
        return float(np.median(list(counts)))
    return float(min(exposure for exposure, count in counts.items() if count == most))


def _exposures_apart(frames, tolerance):
    """Split frames where their sorted exposures leave a gap: cameras write 120 s as 119.99 or 120.4 s."""
    frames = sorted(frames, key=lambda frame: frame.exposure_s)
    return _split(frames, lambda low, high: high.exposure_s - low.exposure_s > tolerance * high.exposure_s)


def _temperatures_apart(frames, tolerance):
    """Split frames where their sorted temperatures leave a gap; those that tell none stay together."""
    unknown = [frame for frame in frames if frame.temperature_c is None]
    known = sorted((f for f in frames if f.temperature_c is not None), key=lambda f: f.temperature_c)
    parts = _split(known, lambda low, high: high.temperature_c - low.temperature_c > tolerance)
    return parts + ([unknown] if unknown else [])


def _split(ordered, is_gap):
    parts = []
    for frame in ordered:
        if parts and not is_gap(parts[-1][-1], frame):
            parts[-1].append(frame)
        else:
            parts.append([frame])
    return parts


def _name(label, common, *, exposure, temperature=False):
    """Like "duo-2031-03-02-120s-g100-o30-b1x1"; parts that are not known are left out."""
    parts = [label, common["night"]]
    if exposure:
        parts.append(f"{common['exposure_s']:.4g}s")
    for letter, value in (("g", common["gain_setting"]), ("o", common["offset_setting"])):
        if value is not None:
            parts.append(f"{letter}{value:.6g}")
    if temperature and common["temperature_c"] is not None:
        parts.append(f"{round(common['temperature_c']):d}C".replace("-", "m"))
    parts.append(f"b{common['binning']}")
    # Names become file names and parts of the workflow's patterns.
    return "-".join(parts).replace(".", "p").replace("+", "")


def _distinctly_named(plans):
    """Plans sorted by name; those that share a name get a number, the largest keeping the plain name."""
    by_name = defaultdict(list)
    for plan in plans:
        by_name[plan.name].append(plan)
    named = []
    for name, group in by_name.items():
        group.sort(key=lambda plan: (-len(plan.frames), plan.frames[0].start_utc, plan.frames[0].path))
        named.append(group[0])
        named.extend(
            type(plan)(**{**vars(plan), "name": f"{name}-{index}"}) for index, plan in enumerate(group[1:], 2)
        )
    return sorted(named, key=lambda plan: plan.name)
