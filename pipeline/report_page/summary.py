"""The run at a glance as JSON for programs (and for the command that prints the main figures): ``qa/summary.json``."""

import hashlib
import json
from functools import cache
from pathlib import Path

import jsonschema

from pipeline.provenance import software
from pipeline.report_page.findings import counts
from pipeline.report_page.gather import STAGES, relative_to
from pipeline.report_page.outlook import outlook
from pipeline.report_page.sentences import verdict

__all__ = ["SUMMARY_SCHEMA", "inputs_digest", "stage_costs", "summarise"]

SUMMARY_SCHEMA = "duskloom-summary-1"
"""Value of ``schema``; the number rises when a reader would have to change."""

SCHEMA_PATH = Path(__file__).with_name("summary.schema.json")

VERDICTS = ("pass", "warn", "fail")
"""From best to worst."""


def summarise(evidence, rows, down_weighted, layout):
    """The summary as a dict, checked against its JSON Schema.

    Parameters
    ----------
    evidence : Evidence
    rows : list of BenchRow
    down_weighted : number of lights that were used with a small weight
    layout : Layout

    Raises
    ------
    jsonschema.ValidationError
        If it does not satisfy the schema, which would be an error in this package.
    """
    level, sentence = verdict(evidence)
    lights = evidence.lights
    rejected = [light for light in lights if not light.used]
    costs = stage_costs(evidence)
    content = {
        "schema": SUMMARY_SCHEMA,
        "target": evidence.target,
        "verdict": level,
        "sentence": sentence,
        "products": _products(evidence, layout),
        "nights": list(evidence.nights),
        "lights": {
            "seen": len(lights),
            "used": len(lights) - len(rejected),
            "rejected": len(rejected),
            "down_weighted": down_weighted,
            "used_s": sum(light.exposure_s for light in lights if light.used),
        },
        "rejected": [{"path": x.path, "session": x.session, "reason": x.reason} for x in rejected],
        "quarantined": [{"path": entry.path, "reason": entry.reason} for entry in evidence.quarantined],
        "filter_sets": {each.name: _filter_set(each, k, rows) for k, each in enumerate(evidence.filter_sets)},
        "flags": counts(evidence.flags),
        "findings": [
            {"stage": f.stage, "unit": f.unit, "code": f.code, "severity": f.severity, "message": f.message}
            for f in evidence.flags
            if f.severity != "info"
        ],
        "stages": costs,
        "wall_s": round(sum(cost["wall_s"] for cost in costs.values()), 3),
        "peak_rss_mb": max((cost["peak_rss_mb"] for cost in costs.values()), default=0.0),
        "inputs_sha256": inputs_digest(evidence),
        "software": dict(software()),
    }
    _validator().validate(content)
    return content


def stage_costs(evidence):
    """Stage -> number of units, worst verdict, summed wall time (s), largest memory (10^6 bytes)."""
    costs = {}
    for stage in STAGES:
        records = evidence.of_stage(stage)
        if records:
            costs[stage] = {
                "units": len(records),
                "verdict": max((record.verdict for record in records), key=VERDICTS.index),
                "wall_s": round(sum(record.wall_s for record in records), 3),
                "peak_rss_mb": max(record.peak_rss_mb for record in records),
            }
    return costs


def inputs_digest(evidence):
    """SHA-256 over path, size and digest of every input that a record names; times do not enter."""
    entries = {
        (entry["path"], str(entry.get("sha256", "")), str(entry.get("size", "")))
        for record in evidence.records
        for entry in record.inputs
    }
    return hashlib.sha256(json.dumps(sorted(entries)).encode()).hexdigest()


def _products(evidence, layout):
    named = {
        "report": layout.report(),
        "picture": layout.preview(),
        "picture_16bit": layout.fused_tiff(),
        "comparison": layout.comparison(),
        "fused": layout.fused(),
        "continuum": layout.continuum(),
    }
    named |= {f"line_{line}": path for line, path in evidence.lines.items()}
    for each in evidence.filter_sets:
        named |= {f"stack_{each.name}": layout.stack(each.name), f"flat_{each.name}": layout.flat(each.name)}
    # The report is about to be written beside this file.
    return {
        name: relative_to(path, layout.root)
        for name, path in named.items()
        if name == "report" or path.is_file()
    }


def _filter_set(each, column, rows):
    plan = outlook(each)
    return {
        "role": each.role,
        "sessions": [session.name for session in each.sessions],
        "lights_seen": len(each.lights),
        "lights_used": len(each.used),
        "used_s": each.used_s,
        "bench": {
            row.key: {
                label or "all": {"value": q.value, "uncertainty": q.uncertainty, "missing": q.missing}
                for label, q in row.cells[column]
            }
            for row in rows
        },
        "one_more_night": None
        if plan is None
        else {
            "lights": plan.frames,
            "hours": plan.hours,
            "noise_ratio": plan.noise_ratio,
            "lights_to_halve": plan.frames_to_halve,
            "from_measured_weights": plan.weighted,
        },
    }


@cache
def _validator():
    return jsonschema.Draft202012Validator(json.loads(SCHEMA_PATH.read_text(encoding="utf-8")))
