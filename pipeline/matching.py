"""Which calibration frames belong to which lights, and what is nearest where none fits."""

from dataclasses import dataclass
from datetime import date

import numpy as np

__all__ = ["Mismatch", "Traits", "choose", "differences"]

FAR_NIGHT_DAYS = 10_000_000
"""Distance of nights that cannot be told: further than any real one."""

MOST_CANDIDATES = 3
"""So many near misses are named; more would not help to find the mistake."""

LABELS = {
    "exposure_s": ("exposure", " s"),
    "gain_setting": ("gain setting", ""),
    "offset_setting": ("offset setting", ""),
    "temperature_c": ("temperature", " degC"),
    "binning": ("binning", ""),
    "size": ("size", ""),
    "origin": ("place of the subframe on the sensor", ""),
    "cfa": ("colour pattern", ""),
    "filter_set": ("filter set", ""),
    "rotation_deg": ("rotation", " deg"),
}
"""What the user reads for a field, and its unit."""


@dataclass(frozen=True)
class Traits:
    """What counts when frames are matched, of a session or master; None where it is not known."""

    name: str
    night: str
    exposure_s: float
    gain_setting: float | None
    offset_setting: float | None
    temperature_c: float | None
    binning: str
    size: str
    cfa: str
    filter_set: str | None
    rotation_deg: float | None
    origin: str | None
    given: bool

    @classmethod
    def of(cls, plan):
        """Traits of a SessionPlan or MasterPlan."""
        angles = np.radians([frame.rotation_deg for frame in plan.frames if frame.rotation_deg is not None])
        # Angles are averaged as directions: 359 and 1 degree make 0, not 180.
        turned = (
            float(np.degrees(np.arctan2(np.sin(angles).mean(), np.cos(angles).mean())))
            if angles.size
            else None
        )
        return cls(
            plan.name, plan.night, plan.exposure_s, plan.gain_setting, plan.offset_setting, plan.temperature_c,
            plan.binning, f"{plan.width} x {plan.height}", plan.cfa, plan.filter_set, turned,
            plan.frames[0].origin, getattr(plan, "given", False),
        )  # fmt: skip


@dataclass(frozen=True)
class Mismatch:
    """A near miss: calibration frames, and in what they differ, as texts."""

    name: str
    differs: tuple

    def __str__(self):
        return f"{self.name} ({', '.join(self.differs)})"


def differences(wanted, group, options, *, fields):
    """In what calibration frames differ from what is wanted, as texts.

    Parameters
    ----------
    wanted, group : Traits
    options : section "calibration" of the settings
    fields : names of what has to agree; what one side does not tell cannot disagree
    """
    found = []
    for name in fields:
        ours, theirs = getattr(wanted, name), getattr(group, name)
        if ours is None or theirs is None or _agree(name, ours, theirs, options):
            continue
        label, unit = LABELS[name]
        found.append(f"{label} {_shown(theirs)} instead of {_shown(ours)}{unit}")
    return found


def choose(wanted, groups, options, *, fields, kept=None):
    """The calibration frames to use.

    Masters that were given come first, then those that tell most of what has to agree, then those of the nearest
    night, then of the nearest temperature. What was chosen before is kept while it fits, unless the night itself now
    has its own, or a master was given: so a later night never changes the match of an earlier one.

    Parameters
    ----------
    wanted : Traits of a session or master
    groups : list of Traits of masters of one kind
    options : section "calibration" of the settings
    fields : what has to agree
    kept : name chosen in an earlier run, or None

    Returns
    -------
    name or None, and the near misses if there is none: list of Mismatch, nearest first
    """
    judged = [(differences(wanted, group, options, fields=fields), group) for group in groups]
    fitting = [group for differs, group in judged if not differs]
    if fitting:
        best = min(
            fitting,
            key=lambda group: (not group.given, _untold(wanted, group, fields), *_distance(wanted, group)),
        )
        alike = {group.name for group in fitting if group.given == best.given}
        if best.night != wanted.night and kept in alike:
            return kept, []
        return best.name, []
    judged.sort(key=lambda item: (len(item[0]), _distance(wanted, item[1])))
    return None, [Mismatch(group.name, tuple(differs)) for differs, group in judged[:MOST_CANDIDATES]]


def _untold(wanted, group, fields):
    """Number of fields that the calibration frames do not tell, though what is wanted does."""
    return sum(getattr(wanted, name) is not None and getattr(group, name) is None for name in fields)


def _agree(name, ours, theirs, options):
    if name == "temperature_c":
        return abs(ours - theirs) <= options["temperature_tolerance_c"]
    if name == "exposure_s":
        return abs(ours - theirs) <= options["exposure_tolerance"] * max(ours, theirs)
    if name == "rotation_deg":
        apart = abs(ours - theirs) % 360
        return min(apart, 360 - apart) <= options["rotation_tolerance_deg"]
    return ours == theirs


def _distance(wanted, group):
    try:
        days = abs((date.fromisoformat(wanted.night) - date.fromisoformat(group.night)).days)
    except ValueError:
        days = FAR_NIGHT_DAYS
    colder = 0.0
    if wanted.temperature_c is not None and group.temperature_c is not None:
        colder = abs(wanted.temperature_c - group.temperature_c)
    return days, colder, group.night, group.name


def _shown(value):
    return f"{value:g}" if isinstance(value, float | int) else str(value)
