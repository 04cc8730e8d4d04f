"""Time and memory of the stages that make a picture of finished stacks, each in a process of its own.

    python -m tests.benchmarks.picture_stages [rows] [columns] [stage ...]

By default 26 Mpx (4176 x 6248) and all stages; each works on what those before it left. As in the workflow, the two jobs of
find_stars, of survey_sky and of flatten run side by side on a core each, the other stages on two cores. Prints wall and
processor time, peak memory, and the sum against the target: 60 s on 2 cores and 6 GB for all stages from find_stars to render.
"""

import os
import resource
import subprocess
import sys
import tempfile
import time
from multiprocessing import get_context
from pathlib import Path

import numpy as np

from pipeline.bundles import LinearImage
from pipeline.fitsio import write_linear
from pipeline.layout import Layout
from pipeline.settings.tables import all_keys
from pipeline.stages import find_stars, flatten, fuse, lines, render, survey_sky
from pipeline.workflow import THREAD_VARIABLES
from tests.unit.synthetic_stacks import BROAD_PASSBANDS, DUAL_PASSBANDS, make_scene

TARGET_S, TARGET_GB = 60.0, 6.0
TILES = 4
ENTRY = {"filter_names": [], "lines": [], "transmission": None, "line_throughput": {}}
SETS = {
    "broad": {**ENTRY, "role": "broadband", "passbands_nm": [list(band) for band in BROAD_PASSBANDS]},
    "duo": {**ENTRY, "role": "dualband", "passbands_nm": [list(band) for band in DUAL_PASSBANDS]},
}
STAGES = {
    "find_stars broad": lambda layout, settings: find_stars.run(layout, "broad", settings),
    "find_stars duo": lambda layout, settings: find_stars.run(layout, "duo", settings),
    "survey_sky broad": lambda layout, settings: survey_sky.run(
        layout, "broad", settings, filter_sets=list(SETS)
    ),
    "survey_sky duo": lambda layout, settings: survey_sky.run(
        layout, "duo", settings, filter_sets=list(SETS)
    ),
    "flatten broad": lambda layout, settings: flatten.run(layout, "broad", settings, filter_sets=list(SETS)),
    "flatten duo": lambda layout, settings: flatten.run(layout, "duo", settings, filter_sets=list(SETS)),
    "lines": lambda layout, settings: lines.run(layout, "lines", settings, filter_sets=list(SETS)),
    "fuse": lambda layout, settings: fuse.run(layout, "fused", settings, filter_sets=list(SETS)),
    "render": lambda layout, settings: render.run(layout, "preview", settings, filter_sets=list(SETS)),
}

SIDE_BY_SIDE = (
    ("find_stars broad", "find_stars duo"),
    ("survey_sky broad", "survey_sky duo"),
    ("flatten broad", "flatten duo"),
    ("lines",),
    ("fuse",),
    ("render",),
)
"""Stages whose jobs the workflow runs at the same time."""

CORES = 2


def write_stacks(layout, shape):
    """Stacks of a scene repeated over the field, under a sky that slopes across all of it."""
    tile = tuple(-(-n // TILES) for n in shape)
    scene = make_scene(seed=1, shape=tile, n_stars=600, cover=0.4, gradient=0.0, bend=0.0)
    slope = np.linspace(-0.2, 0.2, shape[1], dtype=np.float32)
    for name, image in scene.stacks.items():
        planes = [
            np.tile(plane, (1, TILES, TILES))[:, : shape[0], : shape[1]]
            for plane in (image.value, image.variance, image.coverage)
        ]
        planes[0] += slope * scene.sky[name].mean(axis=(1, 2))[:, None, None].astype(np.float32)
        write_linear(layout.stack(name), LinearImage(*planes))


def settings():
    """Defaults of all keys, with the two filter sets."""
    made = {}
    for key in all_keys():
        if key.section != "filter_sets":
            made.setdefault(key.section, {})[key.name] = key.default
    return {**made, "filter_sets": SETS}


def measure(folder, stage):
    """Run one stage in this process and print what it took."""
    start = time.perf_counter()
    STAGES[stage](Layout(Path(folder)), settings())
    usage = resource.getrusage(resource.RUSAGE_SELF)
    print(time.perf_counter() - start, usage.ru_utime + usage.ru_stime, usage.ru_maxrss / 1e6)


def start_stage(folder, stage, cores):
    """A process that runs a stage on so many cores."""
    threads = dict.fromkeys(THREAD_VARIABLES, str(cores))
    command = [sys.executable, "-m", __spec__.name, "--stage", folder, stage]
    return subprocess.Popen(command, env={**os.environ, **threads}, stdout=subprocess.PIPE, text=True)


def main(shape, stages):
    with tempfile.TemporaryDirectory() as folder:
        # In a process of its own: what a process has used at most counts for those that it starts as well.
        writer = get_context("spawn").Process(target=write_stacks, args=(Layout(Path(folder)), shape))
        writer.start()
        writer.join()
        if writer.exitcode:
            raise SystemExit("the stacks could not be written")
        total = np.zeros(3)
        for together in SIDE_BY_SIDE:
            jobs = [
                (stage, start_stage(folder, stage, CORES // len(together)))
                for stage in together
                if stage in stages
            ]
            figures = []
            for stage, job in jobs:
                output, _ = job.communicate()
                if job.returncode:
                    raise SystemExit(f"{stage} failed")
                wall, cpu, memory = map(float, output.split())
                figures.append((wall, cpu, memory))
                print(
                    f"{stage:16s} wall {wall:6.1f} s   processor {cpu:6.1f} s   peak {memory:5.2f} GB",
                    flush=True,
                )
            if figures:
                wall, cpu, memory = np.array(figures).T
                total = np.array([total[0] + wall.max(), total[1] + cpu.sum(), max(total[2], memory.sum())])
    print(f"{'together':16s} wall {total[0]:6.1f} s   processor {total[1]:6.1f} s   peak {total[2]:5.2f} GB")
    print(f"share of the target: time {total[0] / TARGET_S:.2f}, memory {total[2] / TARGET_GB:.2f}")


if __name__ == "__main__":
    if sys.argv[1:2] == ["--stage"]:
        measure(sys.argv[2], sys.argv[3])
    else:
        size = tuple(map(int, sys.argv[1:3])) or (4176, 6248)
        main(size, sys.argv[3:] or list(STAGES))
