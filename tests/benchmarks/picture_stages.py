"""Time and memory of the stages that make the picture, on stacks of a 26-megapixel camera. Run by hand:

    python -m tests.benchmarks.picture_stages [--width 6248 --height 4176] [stage ...]

Prints seconds (and seconds of CPU, for a machine with other work) and peak memory of each stage in a process of its own, and the ratio to the bound. Bound of flatten,
lines, fuse and render together: 60 s on two cores, 6 GB. What a stage reads is made first and not timed.
"""

import argparse
import multiprocessing
import resource
import tempfile
import time
from pathlib import Path

import numpy as np

from pipeline.bundles import LinearImage
from pipeline.fitsio import write_fits, write_linear
from pipeline.kernels import warm_all
from pipeline.layout import Layout
from pipeline.stages import fuse, render
from tests.unit.picture_layers import RESPONSES, SETS, WAVELENGTHS, picture_settings

SECONDS, GIGABYTES = 60.0, 6.0
"""Bounds of the four stages together, and of each."""

TILE = 512
"""Side of the patch of sky that is repeated: noise, stars and gas of 26 megapixels need not be drawn anew."""

STARS_PER_TILE = 60
"""Some 6000 stars in all, a rich field."""


def make_picture_inputs(layout, shape):
    """Flattened stacks of three filter sets, line maps and continuum."""
    rng = np.random.default_rng(1)
    y, x = np.mgrid[:TILE, :TILE]
    gas = {
        "Ha": 0.3 * np.exp(-(((x - 200) / 90) ** 2) - ((y - 250) / 110) ** 2),
        "OIII": 0.2 * np.exp(-(((x - 330) / 80) ** 2) - ((y - 270) / 80) ** 2),
    }
    scene = sum(RESPONSES[line][:, None, None] * flux for line, flux in gas.items())
    for sx, sy in rng.uniform(8, TILE - 8, (STARS_PER_TILE, 2)):
        profile = (1 + ((x - sx) ** 2 + (y - sy) ** 2) / 2.6**2) ** -3.0
        colour = np.exp(rng.normal(0, 0.1) * np.array([1, 0, -1]))[:, None, None]
        scene = scene + colour * 10 ** rng.uniform(-0.5, 1.5) * profile

    def spread(tile, sigma):
        repeats = [-(-side // TILE) for side in shape]
        whole = np.tile(tile.astype(np.float32), (1, *repeats))[:, : shape[0], : shape[1]]
        whole += np.float32(sigma) * rng.standard_normal(whole.shape, dtype=np.float32)
        return whole

    for name in ("wide", "duo", "clear"):
        value = spread(scene, 0.02)
        image = LinearImage(value, np.full_like(value, 4e-4), np.full_like(value, 60.0))
        write_linear(layout.flat(name), image, extensions={"BACKGROUND": np.zeros_like(value)})
        if name == "wide":
            write_linear(layout.continuum(), image, keywords={"CONTSET": (name, "")})
    for name, flux in gas.items():
        keywords = {"LINE": (name, ""), "LINEWAVE": (WAVELENGTHS[name], ""), "SOLVED": (True, "")}
        keywords |= {f"BRESP_{c}": (float(r), "") for c, r in zip("RGB", RESPONSES[name], strict=True)}
        planes = {"VARIANCE": np.full(shape, 4e-4, np.float32), "FILLED": np.zeros(shape, np.uint8)}
        write_fits(layout.line(name), spread(flux[None], 0.02)[0], keywords=keywords, extensions=planes)


def _picture_settings():
    settings = picture_settings({**SETS, "clear": {**SETS["wide"], "role": "unfiltered"}})
    return settings | {"target": {"name": "Benchmark"}}


def _fuse(layout):
    fuse.run(layout, "fused", _picture_settings(), filter_sets=["clear", "wide", "duo"])


def _render(layout):
    if not layout.fused().is_file():
        _fuse(layout)
    render.run(layout, "preview", _picture_settings(), filter_sets=["clear", "wide", "duo"])


STAGES = {"fuse": (make_picture_inputs, _fuse), "render": (make_picture_inputs, _render)}
"""Stage -> what makes its input, what runs it; in the order of the workflow."""


def _measure(run, layout, queue):
    warm_all()
    start, start_cpu = time.perf_counter(), time.process_time()
    run(layout)
    seconds, cpu = time.perf_counter() - start, time.process_time() - start_cpu
    queue.put((seconds, cpu, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6))


def main():
    """Measure the stages named on the command line, or all."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("stages", nargs="*", choices=[*STAGES, []], default=[])
    parser.add_argument("--width", type=int, default=6248)
    parser.add_argument("--height", type=int, default=4176)
    options = parser.parse_args()
    context, total = multiprocessing.get_context("spawn"), 0.0
    with tempfile.TemporaryDirectory() as folder:
        layout, made = Layout(Path(folder)), set()
        for name in options.stages or STAGES:
            make, run = STAGES[name]
            if make not in made:
                make(layout, (options.height, options.width))
                made.add(make)
            queue = context.Queue()
            process = context.Process(target=_measure, args=(run, layout, queue))
            process.start()
            seconds, cpu, gigabytes = queue.get()
            process.join()
            total += seconds
            print(
                f"{name:8} {seconds:6.1f} s ({cpu:5.1f} s of CPU)   {gigabytes:5.2f} GB, {gigabytes / GIGABYTES:4.2f} of the bound"
            )
    print(f"{'together':8} {total:6.1f} s, {total / SECONDS:.2f} of the bound")


if __name__ == "__main__":
    main()
