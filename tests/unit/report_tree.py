"""A small output tree as the stages before the report leave it, with numbers that the tests know."""

import json
import math

import numpy as np
from astropy.table import Table
from PIL import Image

from pipeline import qa
from pipeline.bundles import LinearImage
from pipeline.fitsio import read_linear, write_fits, write_linear
from pipeline.layout import Layout
from pipeline.plan import FrameRecord, MasterPlan, SessionPlan, save_plan
from pipeline.tables import write_table

SHAPE = (160, 240)
"""(ny, nx) of the images: 20 x 30 blocks of 8 pixels."""

SETTINGS = {
    "target": {"name": "The Lantern <test> & friends"},
    "filter_sets": {
        "broad": {"role": "broadband", "lines": []},
        "duo": {"role": "dualband", "lines": ["Ha", "OIII"]},
    },
    "stack": {"output_scale": 1},
    "render": {"sky_level": 0.11, "softening_sigma": 6.0, "white_quantile": 0.9995, "saturation": 1.15},
    "report": {
        "picture_width_px": 200,
        "filter_picture_width_px": 160,
        "comparison_width_px": 320,
        "low_weight": 0.5,
    },
}

NOISE = {"broad": 0.05, "duo": 0.02}
"""Noise per pixel of the stacks, electron/s."""

NEBULA = {"broad": 0.3, "duo": 1.2}
"""Peak of the nebula in R, electron/s per pixel."""

STAR_FLUX = 4000.0
"""Electron/s of each star that ``add_link`` adds; the noise in its halo is then a thousandth of it."""

QUARANTINED = (
    ("night2/cut.fits", "the pixels cannot be read to the end"),
    ("night2/empty.fits", "the file is empty"),
    ("night1/notes & <b>.txt", "not a FITS file"),
)


def settings(**report):
    return {**SETTINGS, "report": {**SETTINGS["report"], **report}}


def nebula():
    y, x = np.indices(SHAPE)
    return np.exp(-0.5 * (((x - 120) / 40.0) ** 2 + ((y - 80) / 25.0) ** 2))


def light_table(session, channels, *, n, sky, rejected):
    """Rows of ``frames.ecsv``; the last light of several has a third of the usual weight."""
    rng = np.random.default_rng(len(session))
    table = Table()
    table["frame"] = np.arange(n)
    table["path"] = [f"raw/{session}_{k:03d}.fits" for k in range(n)]
    table["start_utc"] = [f"2031-03-{session[-2:]}T21:{k:02d}:00" for k in range(n)]
    table["exposure_s"] = np.full(n, 120.0)
    table["fwhm_px"] = 2.6 + 0.1 * rng.random(n)
    table["n_stars"] = np.full(n, 210)
    for channel in channels:
        table[f"sky_e_s_{channel}"] = sky + 0.1 * rng.random(n)
        table[f"noise_e_s_{channel}"] = np.full(n, 0.2)
        table[f"scale_{channel}"] = np.ones(n)
        table[f"weight_{channel}"] = np.full(n, 25.0)
    table["residual_px"] = 0.04 + 0.02 * rng.random(n)
    table["n_matched"] = np.full(n, 150)
    table["pose"] = rng.random((n, 12))
    table["verdict"] = ["accept"] * n
    table["reason"] = np.array([""] * n, dtype="U80")
    for k in rejected:
        table["verdict"][k] = "reject"
        table["reason"][k] = "out of focus: FWHM 6.1 px"
        for channel in channels:
            table[f"weight_{channel}"][k] = 0.0
    if n > 2:
        for channel in channels:
            table[f"weight_{channel}"][n - 1] = 25.0 / 3
            table[f"scale_{channel}"][n - 1] = 2.0
    return table


def add_session(
    layout, filter_set, night, *, channels=("R", "G", "B"), n=6, sky=1.5, masters=None, rejected=None
):
    name = f"{filter_set}-2031-03-{night}"
    facts = dict(
        kind="light", filter_set=filter_set, exposure_s=120.0, width=SHAPE[1], height=SHAPE[0],
        cfa="RGGB" if len(channels) == 3 else "mono", night=f"2031-03-{night}", hdu=0, size=9, mtime_ns=1,
    )  # fmt: skip
    rejected = ([1] if n > 2 else []) if rejected is None else rejected
    table = light_table(name, channels, n=n, sky=sky, rejected=rejected)
    frames = [FrameRecord(path=row["path"], start_utc=row["start_utc"], **facts) for row in table]
    masters = {"bias": None, "dark": "dark_a", "flat": f"flat_{filter_set}"} if masters is None else masters
    save_plan(
        layout.session_plan(name),
        SessionPlan(
            name, filter_set, facts["night"], 120.0, SHAPE[1], SHAPE[0], facts["cfa"], frames, masters
        ),
    )
    write_table(layout.frames(name), table)
    with qa.record(layout, "stack_session", name) as record:
        record.metric("frames_used", n - 1)
    return name


def add_images(layout, filter_set, *, channels=3, seed=3, nebula_share=1.0):
    """Stack and flattened stack: nebula in the first channel, tilted background, noise."""
    rng = np.random.default_rng(seed)
    noise, peak = NOISE[filter_set], nebula_share * NEBULA[filter_set]
    gains = np.array([1.0, 0.2, 0.1][:channels])[:, None, None]
    sky = np.broadcast_to(0.4 * np.linspace(0, 1, SHAPE[1]), (channels, *SHAPE)).astype(np.float32)
    flat = (gains * peak * nebula() + noise * rng.standard_normal((channels, *SHAPE))).astype(np.float32)
    variance = np.full_like(flat, noise**2)
    coverage = np.full_like(flat, 10.0)
    write_linear(layout.stack(filter_set), LinearImage(flat + sky, variance, coverage))
    write_linear(
        layout.flat(filter_set), LinearImage(flat, variance, coverage), extensions={"BACKGROUND": sky}
    )


def add_line(layout, line, seed=5):
    rng = np.random.default_rng(seed)
    value = (1.1 * nebula() + 0.03 * rng.standard_normal(SHAPE)).astype(np.float32)
    write_fits(
        layout.line(line),
        value,
        extensions={"VARIANCE": np.full(SHAPE, 0.03**2, np.float32), "COVERAGE": np.ones(SHAPE, np.float32)},
    )


def add_link(layout, filter_set, *, output_scale=1):
    """Stars with a Moffat profile of beta 3 are added to the flattened stack, and listed where they lie on the anchor."""
    image = read_linear(layout.flat(filter_set))
    width = 2.65
    alpha = width / (2 * math.sqrt(2 ** (1 / 3) - 1))
    y, x = np.indices(SHAPE)
    rng = np.random.default_rng(11)
    grid_x, grid_y = np.meshgrid([45.0, 95.0, 145.0, 195.0], [50.0, 110.0])
    n = grid_x.size
    xs, ys = grid_x.ravel() + rng.random(n), grid_y.ravel() + rng.random(n)
    value = image.value.copy()
    for x0, y0 in zip(xs, ys, strict=True):
        value += (
            STAR_FLUX * 2 / (math.pi * alpha**2) * (1 + ((x - x0) ** 2 + (y - y0) ** 2) / alpha**2) ** -3
        ).astype(np.float32)
    sky = np.zeros_like(value)
    write_linear(
        layout.flat(filter_set),
        LinearImage(value, image.variance, image.coverage),
        extensions={"BACKGROUND": sky},
    )
    xs, ys = ((axis - 0.5 * (output_scale - 1)) / output_scale for axis in (xs, ys))
    table = Table({"x": xs, "y": ys, "flux_R": np.full(n, STAR_FLUX), "flux_err_R": np.ones(n)})
    write_table(layout.link(filter_set), table)


def add_shared(layout, *, quarantined=QUARANTINED, preview=True):
    """Inventory, anchor, masters, flags and the picture."""
    layout.root.mkdir(parents=True, exist_ok=True)
    layout.inventory().write_text(
        json.dumps(
            {
                "files": [{"path": f"raw/{k}.fits"} for k in range(40)],
                "quarantined": [{"path": path, "reason": reason} for path, reason in quarantined],
            }
        )
    )
    layout.anchor().parent.mkdir(parents=True, exist_ok=True)
    layout.anchor().write_text(
        json.dumps(
            {"session": "broad-2031-03-02", "path": "raw/broad_000.fits", "fwhm_px": 2.6, "n_stars": 210}
        )
    )
    for name, kind in (("dark_a", "dark"), ("flat_broad", "flat"), ("flat_duo", "flat")):
        save_plan(
            layout.master_plan(name),
            MasterPlan(name, kind, [], 120.0, SHAPE[1], SHAPE[0], "RGGB", "2031-03-02"),
        )
        with qa.record(layout, "masters", name) as record:
            record.metrics({"n_frames": 12, "read_noise_e": 1.5, "gain_electrons_per_adu": 0.78})
    with qa.record(layout, "inventory", "frames") as record:
        record.flag("no_bias", "warn", "No bias frame fits the session.", 3, 10)
    with qa.record(layout, "lines", "lines") as record:
        record.flag("no_sii", "fail", "No filter set passes [S II], so it has no map.")
        record.flag("assumed_curve", "info", "A typical sensor curve was used.")
    if preview:
        layout.preview().parent.mkdir(parents=True, exist_ok=True)
        y, x = np.indices(SHAPE)
        rgb = np.stack([x % 256, y % 256, (x + y) % 256], axis=-1).astype(np.uint8)
        Image.fromarray(rgb).save(layout.preview())


def full_run(root):
    """Two filter sets, two nights, both lines; returns (layout, sessions, filter_sets)."""
    layout = Layout(root)
    sessions = [
        add_session(layout, "broad", "02", sky=3.0),
        add_session(layout, "duo", "02", sky=0.5),
        add_session(layout, "duo", "03", n=4, sky=0.6),
    ]
    add_shared(layout)
    for filter_set in ("broad", "duo"):
        add_images(layout, filter_set)
    add_line(layout, "Ha")
    add_line(layout, "OIII", seed=6)
    return layout, sessions, ["broad", "duo"]
