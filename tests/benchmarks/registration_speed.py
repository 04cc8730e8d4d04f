"""Processor time and memory of measuring and registering frames of 26 megapixels, by hand:

    .venv/bin/python tests/benchmarks/registration_speed.py [--frames 4] [--size 6248x4176]

Simulates lights of one field with a dark and a flat, then runs the two stages on the first light alone and on all of them,
each in a process of its own. What a frame costs is the difference over the frames more, so that reading masters and
loading compiled code once a session do not count. The yardstick beside it is what reading a light and adding up its
pixels costs on the same machine at the same time; the ratio to it is what can be compared between machines.
"""

import argparse
import json
import os
import resource
import subprocess
import sys
import tempfile
import time
from dataclasses import replace
from pathlib import Path

os.environ.setdefault("NUMBA_NUM_THREADS", "1")
os.environ.setdefault("OMP_NUM_THREADS", "1")
sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

import numpy as np
from numba import njit

from pipeline import fitsio, kernels
from pipeline.layout import Layout
from pipeline.plan import FrameRecord, SessionPlan, load_session, save_plan
from pipeline.settings.tables import anchor as anchor_keys
from pipeline.settings.tables import calibration as calibration_keys
from pipeline.settings.tables import camera as camera_keys
from pipeline.settings.tables import measure as measure_keys
from pipeline.settings.tables import register as register_keys
from pipeline.stages import anchor, measure, register_filter_set, register_session
from pipeline.tables import read_table

TARGET_CPU_S, TARGET_GB = 1.2, 1.0
"""What a frame may cost, measured and registered, and what a process may hold."""

GAIN, PEDESTAL_ADU, EXPOSURE_S, SKY_E, READ_NOISE_E = 0.8, 500, 120.0, 400.0, 1.6
STARS, HITS_PER_MEGAPIXEL, FWHM_PX = 6000, 5, 3.0


def options():
    """Settings of the stages, all at their defaults but for the camera of these frames."""
    sections = {
        "measure": measure_keys, "register": register_keys, "anchor": anchor_keys, "camera": camera_keys,
        "calibration": calibration_keys,
    }  # fmt: skip
    settings = {name: {key.name: key.default for key in module.KEYS} for name, module in sections.items()}
    settings["camera"] |= {"electrons_per_adu": GAIN, "read_noise_e": READ_NOISE_E}
    return settings | {"run": {"seed": 1}, "filter_sets": {"wide": {"role": "broadband"}}}


@njit(cache=False)
def draw(image, x, y, electrons, fwhm, beta):
    """Add Moffat stars to an image of electrons, the three colours alike."""
    ny, nx = image.shape
    steep = 4.0 * (2.0 ** (1.0 / beta) - 1.0) / fwhm**2
    for k in range(x.size):
        peak = electrons[k] * (beta - 1.0) / np.pi * steep
        reach = int(min(60.0, np.sqrt(max((peak / 0.5) ** (1.0 / beta) - 1.0, 0.0) / steep))) + 2
        for j in range(max(0, int(y[k]) - reach), min(ny, int(y[k]) + reach)):
            for i in range(max(0, int(x[k]) - reach), min(nx, int(x[k]) + reach)):
                image[j, i] += peak * (1.0 + steep * ((i - x[k]) ** 2 + (j - y[k]) ** 2)) ** -beta


def simulate(layout, folder, n_frames, nx, ny):
    """Write masters, lights and the plans of two sessions: one with the first light, one with all."""
    rng = np.random.default_rng(5)
    stars = int(STARS * nx * ny / 26.1e6)
    x, y = rng.uniform(-60, nx + 60, stars), rng.uniform(-60, ny + 60, stars)
    electrons = np.minimum(300 * 10 ** rng.exponential(0.7, stars), 3e6)
    rows, columns = np.ogrid[:ny, :nx]
    flat = (1 - 0.3 * (((columns - nx / 2) / nx) ** 2 + ((rows - ny / 2) / ny) ** 2)).astype(np.float32)
    bad = (rng.random((ny, nx), dtype=np.float32) < 2e-4).astype(np.uint8)
    for name, value in (("dark", np.full((ny, nx), PEDESTAL_ADU, np.float32)), ("flat", flat)):
        fitsio.write_fits(
            layout.master(name), value, keywords={"EXPTIME": EXPOSURE_S},
            extensions={"VARIANCE": np.full((ny, nx), 0.1 if name == "dark" else 1e-5, np.float32), "MASK": bad},
        )  # fmt: skip
    records = []
    for k in range(n_frames):
        image = np.full((ny, nx), SKY_E, np.float32) * (1 + 0.2 * columns / nx)
        turn, shift = np.radians(0.02 * k), (7.0 * k, -4.0 * k)
        u, v = x - nx / 2, y - ny / 2
        at = (
            u * np.cos(turn) - v * np.sin(turn) + nx / 2 + shift[0],
            u * np.sin(turn) + v * np.cos(turn) + ny / 2 + shift[1],
        )
        draw(image, *at, electrons, FWHM_PX, 3.0)
        image *= flat
        image += np.sqrt(image + READ_NOISE_E**2) * rng.standard_normal(image.shape, dtype=np.float32)
        hits = rng.integers(0, image.size, int(HITS_PER_MEGAPIXEL * image.size / 1e6))
        image.ravel()[hits] += 3000
        adu = np.clip(np.rint(image / GAIN + PEDESTAL_ADU), 0, 65535).astype(np.uint16)
        adu[bad > 0] = 65535 * (k % 2)
        path = folder / f"light_{k}.fits"
        fitsio.write_fits(path, adu, bunit="adu")
        status = path.stat()
        records.append(
            FrameRecord(
                str(path), "light", "wide", EXPOSURE_S, nx, ny, "RGGB", "2031-05-02", f"2031-05-02T22:{k:02d}:00", 0,
                status.st_size, status.st_mtime_ns,
            )
        )  # fmt: skip
    masters = {"bias": None, "dark": "dark", "flat": "flat"}
    every = SessionPlan("all", "wide", "2031-05-02", EXPOSURE_S, nx, ny, "RGGB", records, masters)
    for plan in (every, replace(every, name="one", frames=records[:1])):
        save_plan(layout.session_plan(plan.name), plan)


def cpu_s():
    return time.process_time()


def work(layout, step, session):
    """One step in this process, after warm-up; prints what it cost as JSON."""
    kernels.warm_all()
    settings = options()
    begun = cpu_s()
    if step == "measure":
        measure.run(layout, session, settings)
    elif step == "link":
        anchor.run(layout, "anchor", settings, sessions=[session])
        register_filter_set.run(layout, "wide", settings, sessions=[session])
    elif step == "register":
        register_session.run(layout, session, settings)
    else:
        # The first reading brings the files into memory; the yardstick is the second.
        for _ in range(2):
            begun = cpu_s()
            for frame in load_session(layout.session_plan(session)).frames:
                fitsio.read_frame(frame.path).sum(dtype=np.float64)
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024**2
    print(json.dumps({"cpu_s": cpu_s() - begun, "peak_gb": peak}))


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--frames", type=int, default=4, help="lights to simulate")
    parser.add_argument("--size", default="6248x4176", help="width x height, pixels")
    parser.add_argument("--folder", help="use (or make) the frames here and keep them")
    parser.add_argument("--step", nargs=2, help=argparse.SUPPRESS)
    given = parser.parse_args()
    if given.step:
        work(Layout(Path(given.folder)), *given.step)
        return
    nx, ny = (int(number) for number in given.size.split("x"))
    with tempfile.TemporaryDirectory() as temporary:
        folder = Path(given.folder or temporary)
        layout = Layout(folder)
        if not layout.session_plan("all").exists():
            simulate(layout, folder, given.frames, nx, ny)
        costs = {}
        for step, session in (
            ("read", "all"), ("measure", "one"), ("measure", "all"), ("link", "all"),
            ("register", "one"), ("register", "all"),
        ):  # fmt: skip
            command = [sys.executable, __file__, "--folder", str(folder), "--step", step, session]
            done = subprocess.run(command, check=True, stdout=subprocess.PIPE, text=True)
            costs[step, session] = json.loads(done.stdout.splitlines()[-1])
        table = read_table(layout.registered("all"))
        more = len(table) - 1
        each = {"read": costs["read", "all"]["cpu_s"] / len(table)}
        for step in ("measure", "register"):
            each[step] = (costs[step, "all"]["cpu_s"] - costs[step, "one"]["cpu_s"]) / more
        total = each["measure"] + each["register"]
        print(
            f"{nx} x {ny}, {len(table)} lights, stars per light {int(np.median(table['n_stars']))}, "
            f"registered {int(np.sum(table['verdict'] == 'accept'))}"
        )
        for name, value in each.items():
            print(
                f"{name:10s} {value:6.2f} s of processor time per light, {value / each['read']:5.1f} x reading it"
            )
        print(f"measure + register {total:.2f} s, target {TARGET_CPU_S} s: ratio {total / TARGET_CPU_S:.2f}")
        print(
            f"once a session: {costs['measure', 'one']['cpu_s'] - each['measure']:.2f} s; link: {costs['link', 'all']['cpu_s']:.2f} s"
        )
        peak = max(cost["peak_gb"] for cost in costs.values())
        print(
            f"peak memory of a process {peak:.2f} GiB, target {TARGET_GB} GB: ratio {peak / TARGET_GB * 1.0737:.2f}"
        )


if __name__ == "__main__":
    main()
