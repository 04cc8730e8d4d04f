"""Choose a filter set's reference frame, list its stars deeply, and link it to the anchor.

All frames of the set are later matched with this list, so what is wrong with it is wrong with all of them alike:
its positions are averages over many frames. The sets are linked once, list to list.
"""

import json

import numpy as np
from astropy.table import Table

from pipeline import qa
from pipeline.errors import InputError, StageError
from pipeline.numerics.deep_list import merge_stars
from pipeline.numerics.pose import Pose
from pipeline.numerics.pose_refinement import POSITION_FLOOR_PX
from pipeline.numerics.reference_choice import best_frames, frame_scores
from pipeline.numerics.registration import Limits, StarList, register
from pipeline.numerics.shared_distortion import Distortion, solve_distortion
from pipeline.plan import load_session
from pipeline.progress import progress
from pipeline.tables import read_table, write_table

__all__ = ["frame_stars", "registration_limits", "run"]

PASS, FAIL = "pass", "fail"
"""Verdict of a link, in the metadata of its table."""


def run(layout, unit, settings, *, sessions):
    """Link filter set ``unit``, whose reference is chosen among ``sessions``, to the anchor."""
    with qa.record(layout, "register_filter_set", unit) as record:
        anchor = read_anchor(layout)
        record.input(layout.anchor())
        measured, stars, shapes = {}, {}, {}
        for name in sorted(sessions):
            for path in (layout.measured(name), layout.stars(name)):
                record.input(path)
            plan = load_session(layout.session_plan(name))
            shapes[name] = (plan.height, plan.width)
            measured[name], stars[name] = read_table(layout.measured(name)), read_table(layout.stars(name))
        if not measured:
            raise StageError(f"filter set {unit} has no sessions to choose a reference frame from")
        channels = next(iter(measured.values())).meta["channels"]
        candidates = _candidates(anchor, unit, measured)
        if not candidates:
            record.flag(
                "no_reference",
                "fail",
                f"none of the lights of {unit} was accepted, so the set cannot be linked",
            )
            table = _empty(channels)
        else:
            table = _linked(
                layout, anchor, unit, candidates, measured, stars, shapes, channels, settings, record
            )
        table.meta["filter_set"] = unit
        write_table(layout.link(unit), table)
        shown = (
            "session",
            "frame",
            "path",
            "verdict",
            "reason",
            "pose_kind",
            "residual_px",
            "n_matched",
            "match_coverage",
        )
        record.metrics({name: table.meta[name] for name in shown} | {"n_stars": len(table)})


def read_anchor(layout):
    """Content of ``anchor/anchor.json``; InputError if it cannot be read."""
    try:
        return json.loads(layout.anchor().read_text(encoding="utf-8"))
    except (OSError, ValueError) as error:
        raise InputError(
            f"{layout.anchor()}: expected the anchor chosen by an earlier step ({error})"
        ) from error


def frame_stars(stars, frame):
    """Reliable stars of one frame of a session's star table, as a dict of columns, brightest first."""
    rows = stars[(stars["frame"] == frame) & (stars["flags"] == 0)]
    return {name: np.asarray(rows[name]) for name in rows.colnames}


def star_list(columns):
    """The ``StarList`` of a dict or table with x, y and xy_err."""
    x, y, error = (np.asarray(columns[name], dtype=np.float64) for name in ("x", "y", "xy_err"))
    return StarList(np.column_stack([x, y]), error)


def registration_limits(options, *, of_sets=False):
    """``Limits`` of the settings of section "register"."""
    return Limits(
        min_matched=options["min_matched"],
        max_residual_px=options["max_residual_px"],
        min_coverage=options["min_coverage"],
        max_scale_difference=options["max_scale_difference_of_sets" if of_sets else "max_scale_difference"],
        kinds=tuple(options["poses"]),
        allow_mirrored=options["allow_mirrored"],
    )


def _candidates(anchor, unit, measured):
    """[(session, row), ...], the reference first: the anchor for its own set, else the best frame."""
    ranked = [(name, row) for name, row, _ in best_frames(measured)]
    if anchor["filter_set"] == unit and anchor["session"] in measured:
        own = (anchor["session"], anchor["frame"])
        ranked = [own, *(each for each in ranked if each != own)]
    return ranked


def _linked(layout, anchor, unit, candidates, measured, stars, shapes, channels, settings, record):
    options, random_seed = settings["register"], settings["run"]["seed"]
    session, row = candidates[0]
    reference = frame_stars(stars[session], row)
    others, matches = [], []
    for name, other in progress(candidates[1 : options["list_frames"]], f"list the stars of {unit}"):
        columns = frame_stars(stars[name], other)
        found, problem = register(
            star_list(columns),
            star_list(reference),
            shapes[name],
            registration_limits(options),
            random_seed=random_seed,
        )
        if not problem:
            matches.append(_matched(found, columns, reference))
            columns["x"], columns["y"] = found.pose.forward(columns["x"], columns["y"])
            others.append(columns)
    distortion = solve_distortion(matches) if options["shared_distortion"] else Distortion.unknown()
    deep = merge_stars(reference, others, channels)
    is_anchor = (anchor["session"], anchor["frame"]) == (session, row)
    if is_anchor:
        pose, facts = Pose.identity(shapes[session]), _facts(PASS, "", 0.0, len(deep["x"]), 1.0)
    else:
        # The anchor's own list comes from its own frame: the deep one of its set is made beside this step.
        theirs = star_list(frame_stars(read_table(layout.stars(anchor["session"])), anchor["frame"]))
        record.input(layout.stars(anchor["session"]))
        found, problem = register(
            star_list(deep),
            theirs,
            shapes[session],
            registration_limits(options, of_sets=True),
            random_seed=random_seed,
        )
        pose, facts = _outcome(found, problem, shapes[session])
        if problem:
            record.flag(
                "not_linked", "fail", f"filter set {unit} could not be linked to the anchor: {problem}"
            )
    table = Table()
    table["x"], table["y"] = pose.forward(deep["x"], deep["y"])
    table["x_frame"], table["y_frame"] = deep["x"], deep["y"]
    for name in (
        "xy_err",
        "snr",
        "n_frames",
        *(f"{kind}_{c}" for c in channels for kind in ("flux", "flux_err")),
    ):
        table[name] = deep[name]
    table.meta = {
        "session": session,
        "frame": int(row),
        "path": str(measured[session]["path"][row]),
        "score": float(frame_scores(measured)[session][row]),
        "channels": list(channels),
        "pose_kind": pose.kind,
        "pose": [float(value) for value in pose.to_row()],
        "list_frames": 1 + len(others),
        "distortion_px": distortion.k,
        "considered": sorted(measured),
        **facts,
    }
    record.metrics(
        {
            "list_frames": 1 + len(others),
            "position_error_median_px": float(np.median(deep["xy_err"])) if len(deep["xy_err"]) else None,
            "rotation_deg": pose.rotation_deg(),
            "scale": pose.scale(),
            "distortion_px": distortion.k,
        }
    )
    return table


def _matched(found, columns, reference):
    """Matched stars of a frame and the reference, as ``solve_distortion`` wants them."""
    source, target = star_list(columns), star_list(reference)
    sigma = np.hypot(np.hypot(source.error[found.source], target.error[found.target]), POSITION_FLOOR_PX)
    return found.pose, source.xy[found.source], target.xy[found.target], sigma


def _outcome(found, problem, shape):
    if found is None:
        return Pose.identity(shape), _facts(FAIL, problem, np.nan, 0, 0.0)
    verdict = FAIL if problem else PASS
    return found.pose, _facts(verdict, problem, found.residual_px, found.n_matched, found.coverage)


def _facts(verdict, reason, residual, matched, coverage):
    return {
        "verdict": verdict,
        "reason": reason,
        "residual_px": float(residual),
        "n_matched": int(matched),
        "match_coverage": float(coverage),
    }


def _empty(channels):
    names = ["x", "y", "x_frame", "y_frame", "xy_err", "snr", "n_frames"]
    names += [f"{kind}_{c}" for c in channels for kind in ("flux", "flux_err")]
    table = Table({name: np.zeros(0) for name in names})
    table.meta = {
        "session": "",
        "frame": -1,
        "path": "",
        "score": None,
        "channels": list(channels),
        "pose_kind": "identity",
        "pose": [0.0] * 12,
        "list_frames": 0,
        "distortion_px": 0.0,
        "considered": [],
        **_facts(FAIL, "no light of the set was accepted", np.nan, 0, 0.0),
    }
    return table
