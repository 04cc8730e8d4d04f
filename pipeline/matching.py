"""Which calibration frames belong to which lights, and what is nearest where none fits."""

from dataclasses import dataclass
from datetime import date

__all__ = ["Mismatch", "choose", "differences"]

UNKNOWN_NIGHT_DAYS = 10_000
"""Distance of nights that cannot be told: further than any real one."""


@dataclass(frozen=True)
class Mismatch:
    """The nearest group of calibration frames, and in what it differs."""

    name: str
    differs: tuple


def differences(wanted, group, tolerances, *, fields):
    """In what a group of calibration frames differs from what is wanted, as texts.

    Parameters
    ----------
    wanted, group : objects with the attributes of a plan
    tolerances : section "calibration" of the settings
    fields : names of what has to agree
    """
    found = []
    for name in fields:
        ours, theirs = getattr(wanted, name), getattr(group, name)
        if name == "size":
            ours, theirs = (f"{item.width} x {item.height}" for item in (wanted, group))
        # What one side does not tell cannot disagree.
        if ours is None or theirs is None:
            continue
        if name == "temperature_c":
            agrees = abs(ours - theirs) <= tolerances["temperature_tolerance_c"]
        elif name == "exposure_s":
            agrees = abs(ours - theirs) <= tolerances["exposure_tolerance"] * max(ours, 1e-3)
        elif name == "rotation_deg":
            apart = abs(ours - theirs) % 360
            agrees = min(apart, 360 - apart) <= tolerances["rotation_tolerance_deg"]
        else:
            agrees = ours == theirs
        if not agrees:
            found.append(f"{LABELS[name]} {_shown(theirs)} instead of {_shown(ours)}")
    return found


LABELS = {
    "exposure_s": "exposure (s)",
    "gain_setting": "gain setting",
    "offset_setting": "offset setting",
    "temperature_c": "temperature (degC)",
    "binning": "binning",
    "size": "size",
    "cfa": "colour pattern",
    "filter_set": "filter set",
    "rotation_deg": "rotation (deg)",
}
"""What the user reads for a field."""


def choose(wanted, groups, tolerances, *, fields, kept=None):
    """The group of calibration frames to use.

    Groups of the same night come first, then the nearest night, the earlier of two. A group that was chosen before is
    kept while it fits, unless the night itself now has one: so a later night never changes an earlier one's match.

    Parameters
    ----------
    wanted : session or master plan
    groups : list of master plans of one kind
    tolerances : section "calibration" of the settings
    fields : what has to agree
    kept : name of the group chosen in an earlier run, or None

    Returns
    -------
    group or None, and a Mismatch of the nearest one or None
    """
    judged = [(differences(wanted, group, tolerances, fields=fields), group) for group in groups]
    fitting = [group for differs, group in judged if not differs]
    if fitting:
        best = min(fitting, key=lambda group: (_days(wanted, group), group.night, group.name))
        before = next((group for group in fitting if group.name == kept), None)
        if before is not None and best.night != wanted.night:
            return before, None
        return best, None
    if not judged:
        return None, None
    differs, nearest = min(judged, key=lambda item: (len(item[0]), _days(wanted, item[1]), item[1].name))
    return None, Mismatch(nearest.name, tuple(differs))


def _days(wanted, group):
    try:
        return abs((date.fromisoformat(wanted.night) - date.fromisoformat(group.night)).days)
    except ValueError:
        return UNKNOWN_NIGHT_DAYS


def _shown(value):
    return f"{value:g}" if isinstance(value, float) else str(value)
