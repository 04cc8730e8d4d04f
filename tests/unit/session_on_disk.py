"""A small session as the stages before the stack leave it, with known truth; no masters, a constant pedestal."""

import json

import numpy as np
from astropy.io import fits
from astropy.table import Table, vstack

from pipeline.plan import FrameRecord, SessionPlan, save_plan
from pipeline.tables import write_table
from tests.unit.synthetic_exposures import EXPOSURE_S, READ_NOISE_E, SKY_E

GAIN = 0.5
"""Electrons per ADU."""

PEDESTAL_ADU = 500

SETTINGS = {
    "stack": {
        "objective": "diffuse",
        "kernel": "auto",
        "pixfrac": 0.8,
        "output_scale": 1,
        "background_order": 2,
        "scale_error": 0.01,
        "reject": True,
        "rejection": "noise_model",
        "reject_high_sigma": 4.5,
        "reject_low_sigma": 6.0,
        "grow_sigma": 2.0,
        "grow_reach_px": 10,
    },
    "camera": {
        "electrons_per_adu": GAIN,
        "read_noise_e": READ_NOISE_E,
        "saturation_adu": 60000,
        "cfa_pattern": None,
        "pedestal_adu": PEDESTAL_ADU,
        "response": None,
    },
    "merge": {"leave_out": [], "outvote_few": True, "crop_coverage": 0.8},
    "run": {"seed": 1, "memory_gb": 1.0},
}

STARS = [
    (20 + 23 * i + 0.37 * j, 18 + 19 * j + 0.21 * i, 4000.0 * 1.4 ** ((i + 2 * j) % 7))
    for i in range(8)
    for j in range(6)
]
"""x, y on the anchor's grid and electrons of an exposure at the reference's transparency."""

SHAPE = (128, 200)


def write_session(
    layout,
    name,
    exposures,
    *,
    reference,
    transparency=None,
    verdicts=None,
    link_verdict="pass",
    trail_ends=None,
):
    """Write everything that ``stack_session`` reads.

    Parameters
    ----------
    exposures : Exposures in electrons per second
    reference : (session name, path, pose row) of the filter set's reference frame, or the index of one of these
    transparency : (N,) by which the frames' star fluxes differ; used for the star lists only
    trail_ends : N texts as measuring writes them, "x0 y0 x1 y1; ..."
    """
    n = len(exposures.frames)
    shape = exposures.frames[0].shape
    transparency = np.ones(n) if transparency is None else np.asarray(transparency)
    channels = exposures.cfa.channels
    folder = layout.root / "raw" / name
    folder.mkdir(parents=True)
    records, stars = [], []
    for k, (frame, placement) in enumerate(zip(exposures.frames, exposures.placements, strict=True)):
        adu = np.clip(np.rint(frame * EXPOSURE_S / GAIN + PEDESTAL_ADU), 0, 65535).astype(np.uint16)
        path = folder / f"light_{k:02d}.fits"
        fits.writeto(path, adu)
        status = path.stat()
        records.append(
            FrameRecord(
                path=str(path),
                kind="light",
                filter_set="wide",
                exposure_s=EXPOSURE_S,
                width=shape[1],
                height=shape[0],
                cfa=exposures.cfa.pattern,
                night="2031-05-02",
                start_utc=f"2031-05-02T21:{k:02d}:00",
                hdu=0,
                size=status.st_size,
                mtime_ns=status.st_mtime_ns,
            )
        )
        x, y, flux = np.array(STARS).T
        x_frame, y_frame = placement.pose.inverse(x, y)
        columns = {
            "frame": np.full(x.size, k),
            "x": x_frame,
            "y": y_frame,
            "flags": np.zeros(x.size, dtype=np.int32),
        }
        for c in channels:
            columns[f"flux_{c}"] = flux * transparency[k] / EXPOSURE_S
            columns[f"flux_err_{c}"] = np.full(x.size, 100 / EXPOSURE_S)
        stars.append(Table(columns))
    plan = SessionPlan(
        name=name,
        filter_set="wide",
        night="2031-05-02",
        exposure_s=EXPOSURE_S,
        width=shape[1],
        height=shape[0],
        cfa=exposures.cfa.pattern,
        frames=records,
        masters={"bias": None, "dark": None, "flat": None},
    )
    save_plan(layout.session_plan(name), plan)
    write_table(layout.stars(name), vstack(stars))
    table = Table(
        {
            "frame": np.arange(n),
            "path": [record.path for record in records],
            "start_utc": [record.start_utc for record in records],
            "exposure_s": np.full(n, EXPOSURE_S),
            "fwhm_px": exposures.fwhm,
            "verdict": verdicts or ["accept"] * n,
            "reason": ["" if v == "accept" else "clouded" for v in (verdicts or ["accept"] * n)],
            "trail_ends": trail_ends or [""] * n,
            "pose_kind": ["affine"] * n,
            "pose": np.array([placement.pose.to_row() for placement in exposures.placements]),
        },
        meta={"channel_offset": {c: np.zeros((2, 3)).tolist() for c in channels}},
    )
    write_table(layout.registered(name), table)
    if isinstance(reference, int):
        reference = (name, records[reference].path, exposures.placements[reference].pose.to_row().tolist())
    x, y, flux = np.array(STARS).T
    columns = {"x": x, "y": y}
    for c in channels:
        columns[f"flux_{c}"] = flux / EXPOSURE_S
        columns[f"flux_err_{c}"] = np.full(x.size, 100 / EXPOSURE_S)
    link = Table(
        columns,
        meta={
            "session": reference[0],
            "frame": 0,
            "path": reference[1],
            "pose": reference[2],
            "verdict": link_verdict,
        },
    )
    write_table(layout.link("wide"), link)
    layout.anchor().write_text(json.dumps({"width": SHAPE[1], "height": SHAPE[0]}))
    return reference


def sky_rate(channels):
    """(C, 1, 1) electrons per second of the sky of the synthetic exposures."""
    return (SKY_E[: len(channels)] / EXPOSURE_S)[:, None, None]
