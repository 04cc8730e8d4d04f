"""Masters, and the camera as measured against what the headers say."""

import numpy as np

from pipeline.numerics.robust import mad_std
from pipeline.report_page.content import Table
from pipeline.report_page.quantities import (
    NARROW_SPACE,
    count_of,
    fixed,
    joined,
    measured,
    percent,
    significant,
)

__all__ = ["camera_sentences", "master_table"]

VERDICT_TEXTS = {"pass": "good", "warn": "look closer", "fail": "not usable"}
"""Verdicts of a record in words."""

GAIN_UNIT = "e⁻\u202fADU⁻¹"
"""Unit of the conversion gain."""

INAPPLICABLE = "–"
"""In a cell whose figure does not exist for that kind of master."""


def camera_sentences(evidence):
    """What the masters say of the camera, what the sessions were calibrated with, and what is missing."""
    records = evidence.of_stage("masters")
    said = []
    if records:
        good = sum(record.verdict == "pass" for record in records)
        said.append(f"{count_of(len(records), 'master')} made, {fixed(good, 0)} of them without a remark.")
    said += _gain(records) + _used(evidence)
    for kind in ("dark", "flat"):
        without = [session.name for session in evidence.sessions if not session.masters.get(kind)]
        if without and len(without) == len(evidence.sessions):
            said.append(f"No session has a {kind}.")
        elif without:
            said.append(f"Without a {kind}: {joined(without)}.")
    return said


def master_table(evidence):
    """A row per master."""
    records = evidence.of_stage("masters")
    if not records:
        return None
    rows = tuple(
        (
            record.unit,
            _number(record, "n_frames"),
            _number(record, "level_adu"),
            _number(record, "read_noise_adu"),
            _number(record, "gain_electrons_per_adu"),
            _number(record, "gain_header_electrons_per_adu"),
            _share(record, "bad_pixel_fraction"),
            _counts(record),
            VERDICT_TEXTS[record.verdict],
        )
        for record in records
    )
    heads = (
        "Master",
        "Frames",
        "Level (ADU)",
        "Read noise (ADU)",
        f"Gain, measured ({GAIN_UNIT})",
        f"Gain, header ({GAIN_UNIT})",
        "Bad pixels",
        "Hot, cold, unstable",
        "Verdict",
    )
    caption = (
        f"{count_of(len(rows), 'master')}. A dash stands for what such a master cannot tell, or what the header "
        "leaves out."
    )
    return Table(caption, heads, rows)


def _gain(records):
    gains = [gain for record in records if (gain := record.number("gain_electrons_per_adu")) is not None]
    headers = [
        gain for record in records if (gain := record.number("gain_header_electrons_per_adu")) is not None
    ]
    if not gains:
        stated = (
            f" The header says {significant(np.median(headers))}{NARROW_SPACE}{GAIN_UNIT}." if headers else ""
        )
        return ["The camera's gain was not measured, since no flat allows it." + stated]
    spread = mad_std(gains) if len(gains) > 2 else None
    found = measured(np.median(gains), GAIN_UNIT, spread)
    text = f"The flats give a gain of {found} (median of {count_of(len(gains), 'master')})"
    if not headers:
        return [text + "; the headers say nothing about it."]
    off = float(np.median(gains) / np.median(headers)) - 1.0
    stated = f"{significant(np.median(headers))}{NARROW_SPACE}{GAIN_UNIT}"
    return [
        f"{text}; the headers say {stated}, which is {percent(abs(off))} {'less' if off > 0 else 'more'}."
    ]


def _used(evidence):
    """Gain and read noise that the lights were calibrated with, and where they come from."""
    said = {}
    for record in evidence.of_stage("measure"):
        gain, noise = record.number("electrons_per_adu"), record.number("read_noise_e")
        if gain is None or noise is None:
            continue
        origin = f"{record.metrics.get('electrons_per_adu_from')}; {record.metrics.get('read_noise_e_from')}"
        values = f"{measured(gain, GAIN_UNIT)} and {measured(noise, 'e⁻')} of read noise ({origin})"
        said.setdefault(values, []).append(record.unit)
    if len(said) == 1:
        return [f"All lights were calibrated with {next(iter(said))}."]
    return [f"Calibrated with {values}: {joined(units)}." for values, units in said.items()]


def _number(record, name):
    value = record.number(name)
    if value is None:
        return INAPPLICABLE
    return fixed(value, 0) if value.is_integer() else significant(value)


def _counts(record):
    """Bad pixels by kind."""
    counts = [record.number(f"{kind}_pixels") for kind in ("hot", "cold", "unstable")]
    return INAPPLICABLE if None in counts else ", ".join(fixed(count, 0) for count in counts)


def _share(record, name):
    value = record.number(name)
    return INAPPLICABLE if value is None else percent(value, None if value >= 0.001 or value == 0 else 3)
