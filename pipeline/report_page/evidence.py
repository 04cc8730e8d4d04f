"""What the report knows about a run, as plain dataclasses; everything else on the page is derived from these."""

from dataclasses import dataclass, field
from pathlib import Path

__all__ = ["Evidence", "FilterSet", "Flag", "Light", "QaRecord", "Quarantined", "Session"]


@dataclass(frozen=True)
class Flag:
    """One finding of one stage about one unit; see ``pipeline/qa.schema.json``."""

    stage: str
    unit: str
    code: str
    severity: str
    message: str
    value: object = None
    limit: object = None


@dataclass(frozen=True)
class QaRecord:
    """One QA record; ``metrics`` is flat, with the unit at the end of each name."""

    stage: str
    unit: str
    verdict: str
    metrics: dict
    flags: tuple[Flag, ...]
    inputs: tuple[dict, ...]
    software: dict
    wall_s: float
    peak_rss_mb: float

    def number(self, *names):
        """The first of the named metrics that is a number, or None."""
        for name in names:
            value = self.metrics.get(name)
            if isinstance(value, int | float) and not isinstance(value, bool):
                return float(value)
        return None


@dataclass(frozen=True)
class Quarantined:
    """A file that was seen and set aside."""

    path: str
    reason: str


@dataclass(frozen=True)
class Light:
    """One light frame with what the stages measured on it.

    Attributes
    ----------
    session, filter_set, night : where it belongs
    path : as in the plan
    start_utc : ISO 8601
    exposure_s : seconds
    used : False if a stage rejected it
    reason : why it was rejected, else ""
    numbers : column name -> finite number; what was not measured is absent
    """

    session: str
    filter_set: str
    night: str
    path: str
    start_utc: str
    exposure_s: float
    used: bool
    reason: str
    numbers: dict

    @property
    def name(self):
        """File name without its folders."""
        return Path(self.path).name

    def number(self, name):
        """One measured number, or None."""
        return self.numbers.get(name)

    def by_channel(self, prefix):
        """Numbers of the columns ``<prefix>_<channel>``, e.g. {"R": 1.2, "G": 2.3, "B": 1.1}."""
        return {
            c: self.numbers[f"{prefix}_{c}"] for c in ("L", "R", "G", "B") if f"{prefix}_{c}" in self.numbers
        }

    @property
    def weight(self):
        """Mean stacking weight over the channels (inverse variance), or None before stacking."""
        weights = list(self.by_channel("weight").values())
        return sum(weights) / len(weights) if weights else None


@dataclass(frozen=True)
class Session:
    """One night of one filter set, with the lights as far as the stages got with them.

    ``furthest`` says which table the lights come from: "stacked", "registered", "measured" or "planned".
    """

    name: str
    filter_set: str
    night: str
    exposure_s: float
    lights: tuple[Light, ...]
    masters: dict
    furthest: str
    pixels: tuple = ()
    """(width, height, binning) of its lights: what must agree for star widths in pixels to be compared."""
    pixel_um: float | None = None

    @property
    def used(self):
        """Lights that went into the stack (or still may)."""
        return tuple(light for light in self.lights if light.used)

    @property
    def rejected(self):
        """Lights that were left out."""
        return tuple(light for light in self.lights if not light.used)

    @property
    def used_s(self):
        """Integration time of the used lights, seconds."""
        return sum(light.exposure_s for light in self.used)


@dataclass(frozen=True)
class FilterSet:
    """All sessions through one filter, and the images made of them.

    ``stack`` and ``flat`` are None where the file does not exist.
    """

    name: str
    role: str
    sessions: tuple[Session, ...]
    stack: Path | None
    flat: Path | None

    @property
    def lights(self):
        """Lights of all sessions, in order of time."""
        lights = [light for session in self.sessions for light in session.lights]
        return tuple(sorted(lights, key=lambda light: (light.start_utc, light.path)))

    @property
    def used(self):
        """Lights that count."""
        return tuple(light for light in self.lights if light.used)

    @property
    def used_s(self):
        """Integration time, seconds."""
        return sum(light.exposure_s for light in self.used)


@dataclass(frozen=True)
class Evidence:
    """Everything the page and the summary are made of."""

    target: str
    settings: dict
    records: tuple[QaRecord, ...]
    filter_sets: tuple[FilterSet, ...]
    quarantined: tuple[Quarantined, ...]
    files_seen: int | None
    anchor: dict
    lines: dict = field(default_factory=dict)
    """Line name -> path of its map, for the maps that exist."""
    preview: Path | None = None
    comparison: Path | None = None
    unreadable: tuple[Flag, ...] = ()
    """Findings of the report itself: products of this run that cannot be read, and what only all sets together show."""

    @property
    def sessions(self):
        """All sessions, by filter set and night."""
        return tuple(session for filter_set in self.filter_sets for session in filter_set.sessions)

    @property
    def lights(self):
        """All lights."""
        return tuple(light for session in self.sessions for light in session.lights)

    @property
    def nights(self):
        """Dates of the nights with lights, sorted."""
        return tuple(sorted({session.night for session in self.sessions}))

    @property
    def flags(self):
        """All findings, in the order of the stages, then those of the report itself."""
        return tuple(flag for record in self.records for flag in record.flags) + self.unreadable

    @property
    def stacked(self):
        """True if the lights of every session went through stacking, so that "used" is final."""
        return all(session.furthest == "stacked" for session in self.sessions)

    def record(self, stage, unit):
        """The QA record of a stage about a unit, or None."""
        for record in self.records:
            if record.stage == stage and record.unit == unit:
                return record
        return None

    def of_stage(self, stage):
        """All records of a stage."""
        return tuple(record for record in self.records if record.stage == stage)
