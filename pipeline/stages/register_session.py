"""Find the pose of every accepted light of a session on the anchor, and the session's lateral colour."""

import numpy as np

from pipeline import qa
from pipeline.numerics.channel_offset import fit_channel_offset
from pipeline.numerics.registration import register
from pipeline.numerics.verdict import ACCEPT, REJECT
from pipeline.plan import load_session
from pipeline.progress import progress
from pipeline.stages.register_filter_set import FAIL, frame_stars, registration_limits, star_list
from pipeline.tables import read_table, write_table

__all__ = ["channel_offsets", "run"]

NO_POSE = "none"
"""Kind of pose of a frame that has none."""


def run(layout, unit, settings):
    """Register session ``unit``."""
    with qa.record(layout, "register_session", unit) as record:
        plan = load_session(layout.session_plan(unit))
        shape = (plan.height, plan.width)
        table, stars, link = (
            read_table(path)
            for path in (layout.measured(unit), layout.stars(unit), layout.link(plan.filter_set))
        )
        for path in (layout.measured(unit), layout.stars(unit), layout.link(plan.filter_set)):
            record.input(path)
        channels = table.meta["channels"]
        results = [
            _registered(row, stars, link, shape, settings) for row in progress(table, f"register {unit}")
        ]
        _add_columns(table, results)
        offsets = channel_offsets(stars, table, channels, shape)
        table.meta["channel_offset"] = {
            channel: [[float(value) for value in line] for line in offset.matrix]
            for channel, offset in offsets.items()
        }
        write_table(layout.registered(unit), table)
        _record(record, table, results, offsets, link)


def channel_offsets(stars, table, channels, shape):
    """Channel -> ``ChannelOffset``, pooled over the accepted frames of a session."""
    accepted = np.flatnonzero(np.asarray(table["verdict"]) == ACCEPT)
    rows = stars[(stars["flags"] == 0) & np.isin(stars["frame"], accepted)]
    x, y = np.asarray(rows["x"]), np.asarray(rows["y"])
    offsets = {}
    for channel in channels if len(channels) > 1 else ():
        flux, error = np.asarray(rows[f"flux_{channel}"]), np.asarray(rows[f"flux_err_{channel}"])
        with np.errstate(divide="ignore", invalid="ignore"):
            # The bound of a position goes with FWHM over signal-to-noise ratio; see numerics.centroid.
            sigma = np.where(flux > 0, 0.6 * np.asarray(rows["fwhm"]) * error / flux, np.nan)
        offsets[channel] = fit_channel_offset(
            x, y, np.asarray(rows[f"x_{channel}"]) - x, np.asarray(rows[f"y_{channel}"]) - y, sigma, shape
        )
    return offsets


def _registered(row, stars, link, shape, settings):
    """(registration or None, verdict, reason) of one light."""
    if row["verdict"] != ACCEPT:
        return None, row["verdict"], row["reason"]
    if link.meta["verdict"] == FAIL:
        return (
            None,
            REJECT,
            f"not registered: filter set {link.meta['filter_set']} is not linked to the anchor",
        )
    source = star_list(frame_stars(stars, row["frame"]))
    found, problem = register(
        source,
        star_list(link),
        shape,
        # The list is in anchor pixels, so the scale of the whole set is in the pose of each frame.
        registration_limits(settings["register"], of_sets=True),
        random_seed=settings["run"]["seed"],
        distortion=link.meta["distortion_px"],
    )
    if problem:
        return found, REJECT, f"not registered: {problem}"
    return found, ACCEPT, row["reason"]


def _add_columns(table, results):
    good = [found if verdict == ACCEPT else None for found, verdict, _ in results]
    table["pose_kind"] = [NO_POSE if each is None else each.pose.kind for each in good]
    table["pose"] = np.array(
        [np.full(12, np.nan) if each is None else each.pose.to_row() for each in good]
    ).reshape(-1, 12)
    table["residual_px"] = [np.nan if each is None else each.residual_px for each in good]
    table["n_matched"] = np.array([0 if each is None else each.n_matched for each in good], dtype=np.int32)
    table["match_coverage"] = [np.nan if each is None else each.coverage for each in good]
    table["verdict"] = [verdict for _, verdict, _ in results]
    table["reason"] = [str(reason) for _, _, reason in results]


def _record(record, table, results, offsets, link):
    accepted = np.asarray(table["verdict"]) == ACCEPT
    record.metrics({"n_frames": len(table), "n_registered": int(accepted.sum())})
    for name in ("residual_px", "n_matched", "match_coverage"):
        values = np.asarray(table[name])[accepted]
        record.metric(f"{name}_median", float(np.median(values)) if values.size else None)
    record.metric("residual_px_max", float(table["residual_px"][accepted].max()) if accepted.any() else None)
    poses = [found.pose for found, verdict, _ in results if found is not None and verdict == ACCEPT]
    record.metric("rotation_deg", [pose.rotation_deg() for pose in poses])
    record.metric("scale", [pose.scale() for pose in poses])
    for channel, offset in offsets.items():
        # At the end of half a diagonal the linear part has its full size.
        record.metric(f"channel_offset_{channel}_centre_px", offset.matrix[:, 0])
        record.metric(f"channel_offset_{channel}_corner_px", float(np.linalg.norm(offset.matrix[:, 1:], 2)))
        record.metric(f"channel_offset_{channel}_positions", offset.n_positions)
    if link.meta["verdict"] == FAIL:
        record.flag(
            "not_linked",
            "fail",
            f"filter set {link.meta['filter_set']} is not linked to the anchor: {link.meta['reason']}",
        )
        return
    for row, (_, verdict, reason) in zip(table, results, strict=True):
        if verdict != ACCEPT and str(reason).startswith("not registered"):
            record.flag("not_registered", "warn", f"{row['path']}: {reason}")
    if not accepted.any():
        record.flag("no_frames", "fail", f"none of the {len(table)} lights has a pose")
