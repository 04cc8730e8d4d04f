"""The tables of the page, as captions, heads and rows of text."""

from dataclasses import dataclass

import numpy as np

from pipeline.provenance import software
from pipeline.report_page.findings import STAGE_TITLES
from pipeline.report_page.quantities import (
    ELECTRON_RATE,
    PIXEL,
    count_of,
    duration,
    fixed,
    joined,
    percent,
    significant,
)
from pipeline.report_page.summary import stage_costs

__all__ = [
    "Line",
    "Table",
    "bench_table",
    "frame_table",
    "night_table",
    "quarantine_table",
    "software_table",
    "stage_table",
]

ROLE_NOTES = {"dualband": "dual-band", "": "role not configured"}
"""Roles whose configured word is not what one would read; the others are shown as they are."""

NO_VALUE = "not measured"
"""In a cell whose light or session has no such number."""


@dataclass(frozen=True)
class Line:
    """One line of a cell; ``note`` sets it in small print."""

    text: str
    label: str = ""
    note: bool = False


@dataclass(frozen=True)
class Table:
    """A table; a cell is a text or a tuple of :class:`Line`; the first cell of a row is its heading."""

    caption: str
    heads: tuple
    rows: tuple


def night_table(evidence):
    """A row per session, night by night."""
    rows = []
    for session in sorted(evidence.sessions, key=lambda s: (s.night, s.name)):
        rows.append(
            (
                session.night,
                session.filter_set,
                f"{significant(session.exposure_s)}\u202fs",
                f"{len(session.used)} of {len(session.lights)}",
                duration(session.used_s),
                _median(session.used, lambda light: light.number("fwhm_px")),
                _median(session.used, lambda light: _mean(light.by_channel("sky_e_s"))),
                _median(session.used, lambda light: light.number("residual_px")),
                _masters_text(session.masters),
            )
        )
    if not rows:
        return None
    return Table(
        f"Night by night: {count_of(len(rows), 'session')}; widths, sky and residuals are medians of the used lights.",
        (
            "Night",
            "Filter set",
            "Exposure",
            "Lights used",
            "Used in all",
            f"Star width ({PIXEL})",
            f"Sky ({ELECTRON_RATE})",
            f"Residual ({PIXEL})",
            "Calibrated with",
        ),
        tuple(rows),
    )


def frame_table(remarks):
    """A row per light that was left out or counts little."""
    if not remarks:
        return None
    rows = tuple(
        (
            remark.light.name,
            remark.light.session,
            remark.light.start_utc.replace("T", " ")[:19] or "not in the header",
            _treatment(remark),
            remark.reason,
        )
        for remark in remarks
    )
    out = sum(not remark.light.used for remark in remarks)
    caption = (
        f"{count_of(len(remarks), 'light')} to know about: {fixed(out, 0)} not used, "
        f"{fixed(len(remarks) - out, 0)} used with a remark."
    )
    return Table(caption, ("Light", "Session", "Start (UTC)", "What was done", "Why"), rows)


def quarantine_table(quarantined):
    """A row per file that was set aside."""
    if not quarantined:
        return None
    caption = f"{count_of(len(quarantined), 'file')} set aside; nothing was deleted or changed."
    return Table(caption, ("File", "Why"), tuple((entry.path, entry.reason) for entry in quarantined))


def bench_table(filter_sets, rows):
    """A column per filter set, a row per figure."""
    heads = ["Figure"]
    for each in filter_sets:
        heads.append(f"{each.name} ({ROLE_NOTES.get(each.role, each.role)})")
    if not filter_sets:
        return None
    body = []
    for row in rows:
        units = {
            quantity.unit for cell in row.cells for _, quantity in cell if quantity.known and quantity.unit
        }
        title = f"{row.title} ({units.pop()})" if len(units) == 1 else row.title
        cells = [(Line(title), Line(row.note, note=True))]
        for cell in row.cells:
            cells.append(
                tuple(Line(quantity.bare, label, note=not quantity.known) for label, quantity in cell)
            )
        body.append(tuple(cells))
    return Table(
        "Filter bench at equal exposure: rates do not depend on exposure, noise is scaled to one hour.",
        tuple(heads),
        tuple(body),
    )


def stage_table(evidence):
    """Time and memory by stage."""
    rows = tuple(
        (
            STAGE_TITLES.get(stage, stage),
            fixed(cost["units"], 0),
            duration(cost["wall_s"]),
            f"{fixed(cost['peak_rss_mb'], 0)}\u202fMB",
            {"pass": "good", "warn": "with remarks", "fail": "not all done"}[cost["verdict"]],
        )
        for stage, cost in stage_costs(evidence).items()
    )
    if not rows:
        return None
    return Table(
        "Time and memory by stage; time is summed over jobs, of which several may have run side by side.",
        ("Stage", "Jobs", "Time", "Peak memory", "Verdict"),
        rows,
    )


def software_table():
    """Versions."""
    return Table(
        "Software that made this report.", ("Software", "Version"), tuple(sorted(software().items()))
    )


def _treatment(remark):
    if not remark.light.used:
        return "not used"
    if remark.relative_weight is None:
        return "used"
    return f"used, weight {percent(remark.relative_weight)} of the median"


def _masters_text(masters):
    used = [kind for kind in ("bias", "dark", "flat") if masters.get(kind)]
    missing = [kind for kind in ("dark", "flat") if not masters.get(kind)]
    text = joined(used) if used else "nothing"
    return (Line(text), Line(f"no {joined(missing, 'or')}", note=True)) if missing else text


def _median(lights, value):
    values = [number for light in lights if (number := value(light)) is not None]
    return significant(np.median(values)) if values else NO_VALUE


def _mean(values):
    return sum(values.values()) / len(values) if values else None
