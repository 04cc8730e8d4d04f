"""Choose the anchor: the light whose pixel grid, photometric scale and background all others are brought to."""

import json

import numpy as np

from pipeline import qa
from pipeline.atomic import write_bytes
from pipeline.errors import ConfigError, StageError
from pipeline.numerics.reference_choice import best_frames, frame_scores
from pipeline.numerics.verdict import ACCEPT
from pipeline.plan import load_session
from pipeline.tables import read_table

__all__ = ["ROLE_ORDER", "run"]

ROLE_ORDER = ("broadband", "unfiltered", "dualband", "narrowband")
"""Where the anchor is looked for first: natural colours and many stars before few stars."""


def run(layout, unit, settings, *, sessions):
    """Choose among the accepted lights of ``sessions`` and write ``anchor/anchor.json``."""
    with qa.record(layout, "anchor", unit) as record:
        if not sessions:
            raise StageError("no lights were found, so there is no anchor to choose")
        measured = {}
        for name in sorted(sessions):
            record.input(layout.measured(name))
            measured[name] = read_table(layout.measured(name))
        plans = {name: load_session(layout.session_plan(name)) for name in measured}
        wanted = settings["anchor"]["frame"]
        if wanted is None:
            session, index, score = _best(measured, plans, settings["filter_sets"])
        else:
            session, index, score = _named(wanted, measured)
        table, plan = measured[session], plans[session]
        row = table[index]
        if row["verdict"] != ACCEPT:
            record.flag(
                "anchor_rejected",
                "warn",
                f"{row['path']} is the anchor as asked for, but was rejected: {row['reason']}",
            )
        content = {
            "filter_set": plan.filter_set,
            "role": settings["filter_sets"][plan.filter_set]["role"],
            "session": session,
            "frame": int(row["frame"]),
            "path": str(row["path"]),
            "start_utc": str(row["start_utc"]),
            "width": plan.width,
            "height": plan.height,
            "cfa": plan.cfa,
            "score": round(score, 6),
            "fwhm_px": float(row["fwhm_px"]),
            "elongation": float(row["elongation"]),
            "n_stars": int(row["n_stars"]),
            "named_in_config": wanted is not None,
            "considered": sorted(sessions),
        }
        write_bytes(layout.anchor(), (json.dumps(content, indent=1, ensure_ascii=False) + "\n").encode())
        shown = ("filter_set", "session", "frame", "path", "score", "fwhm_px", "elongation", "n_stars")
        record.metrics({name: content[name] for name in shown})


def _best(measured, plans, filter_sets):
    """(session, row, score) of the best accepted light of the first role that has any."""
    for role in ROLE_ORDER:
        tables = {
            name: table
            for name, table in measured.items()
            if filter_sets[plans[name].filter_set]["role"] == role
        }
        candidates = best_frames(tables) if tables else []
        if candidates:
            return candidates[0]
    total = sum(len(table) for table in measured.values())
    raise StageError(f"none of the {total} lights was accepted, so there is no anchor to choose")


def _named(wanted, measured):
    """(session, row, score) of the light that the config asks for."""
    found = [
        (name, row)
        for name, table in measured.items()
        for row, path in enumerate(table["path"])
        if path == wanted or path.endswith(f"/{wanted}")
    ]
    if len(found) != 1:
        raise ConfigError(
            f'anchor.frame: found "{wanted}", which names {len(found)} of the measured lights; '
            "expected the path of one, or its end from a / on"
        )
    name, row = found[0]
    score = float(frame_scores({name: measured[name]})[name][row])
    if not np.isfinite(score):
        reason = measured[name]["reason"][row]
        raise StageError(
            f"{measured[name]['path'][row]}: named in anchor.frame, but it has no usable stars ({reason})"
        )
    return name, row, score
