"""Speed and memory of making masters, on frames of 26 million pixels: `python -m tests.benchmarks.masters`.

The parts are held against what they replace: sorting every pixel, and a median filter over every pixel. Ratios are of CPU
time in one thread, whatever the machine; the whole stage is timed on files, with the peak memory of its process.
"""

import json
import resource
import tempfile
import time
from multiprocessing import get_context
from pathlib import Path

import numpy as np
from scipy import ndimage

from pipeline.layout import Layout
from pipeline.numerics import combine, defects
from pipeline.numerics.cfa import Cfa
from pipeline.numerics.robust import mad_std
from pipeline.qa import read_record
from pipeline.stages import inventory, masters
from tests.unit.raw_frames import settings, write

SHAPE = (4176, 6248)
"""26 million pixels."""

BAND = 208
"""Rows of the parts that are timed; their time is scaled to the whole frame."""

NOISE_ADU = 8.0


def main():
    """Print the figures."""
    rng = np.random.default_rng(1)
    combine.warm(), defects.warm()
    print(f"clipped mean, 26 Mpx, scaled from {BAND} rows; sorted = every pixel sorted, as numpy would")
    print(f"{'frames':>8} {'seconds':>9} {'sorted':>9} {'ratio':>7}")
    for n in (5, 20, 50):
        frames = (500 + rng.normal(0, NOISE_ADU, (n, BAND, SHAPE[1]))).astype(np.uint16)
        hits = n * BAND * SHAPE[1] // 10_000
        frames[rng.integers(0, n, hits), rng.integers(0, BAND, hits), rng.integers(0, SHAPE[1], hits)] = 9000
        ours = timed(lambda frames=frames: combine.clipped_mean(frames, sigma=4.0, floor=NOISE_ADU))
        # Without a floor nothing can be known without sorting: the same kernel the long way.
        sort = timed(lambda frames=frames: combine.clipped_mean(frames, sigma=4.0, floor=0.0))
        row(n, ours, sort)
    plane = rng.normal(500, 2, (BAND, SHAPE[1])).astype(np.float32)
    print("bad pixels, 26 Mpx; filter = scipy.ndimage.median_filter and a comparison")
    print(f"{'':>8} {'seconds':>9} {'filter':>9} {'ratio':>7}")
    row("dark", timed(lambda: defects.hot_and_cold(plane, sigma=12)), timed(lambda: filtered(plane)))
    cfa = Cfa("RGGB")
    row(
        "flat", timed(lambda: defects.deviant_of_flat(plane, cfa, share=0.25)), timed(lambda: filtered(plane))
    )
    whole_stage(rng)


def timed(work):
    """CPU seconds for a whole frame, the best of three."""
    times = []
    for _ in range(3):
        start = time.process_time()
        work()
        times.append(time.process_time() - start)
    return min(times) * SHAPE[0] / BAND


def row(name, ours, other):
    """One line of a table."""
    print(f"{name:>8} {ours:9.2f} {other:9.2f} {other / ours:7.1f}")


def filtered(plane):
    """What counting replaces."""
    away = plane - ndimage.median_filter(plane, size=5, mode="mirror")
    return np.abs(away) > 12 * mad_std(away[::3, ::3])


def whole_stage(rng):
    """Inventory and masters of eight darks and eight flats on disk, each in a process of its own."""
    with tempfile.TemporaryDirectory() as folder:
        frames = Path(folder) / "frames"
        noise = rng.normal(0, NOISE_ADU, SHAPE)
        write(frames / "light.fits", (900 + noise).astype(np.uint16))
        for k in range(8):
            # Noise that is moved along: independent from frame to frame, and made in seconds.
            dark = np.roll(noise, 1000 * k, axis=1)
            write(frames / f"dark_{k}.fits", (500 + dark).astype(np.uint16), IMAGETYP="Dark", FILTER=None)
            flat = 20_000 * (1 - 0.02 * k) + 15 * dark
            write(frames / f"flat_{k}.fits", flat.astype(np.uint16), IMAGETYP="Flat", EXPTIME=2.0)
        options = settings(frames)
        layout = Layout(Path(folder) / "out")
        inventory.run(layout, "frames", options)
        entries = json.loads(layout.inventory().read_text())["masters"]
        print(f"stage masters, 8 frames of 26 Mpx each, run.memory_gb {options['run']['memory_gb']:g}")
        for entry in sorted(entries, key=lambda entry: entry["kind"] == "flat"):
            before = resource.getrusage(resource.RUSAGE_CHILDREN)
            context = get_context("spawn")
            peak = context.Value("d", 0.0)
            job = context.Process(target=made, args=(layout, entry["name"], options, peak))
            job.start()
            job.join()
            after = resource.getrusage(resource.RUSAGE_CHILDREN)
            used = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
            record = read_record(layout.qa("masters", entry["name"]))
            print(
                f"{entry['kind']:>8} {used:9.2f} s CPU with start {record['wall_s']:9.2f} s {peak.value:9.0f} MB"
            )


def made(layout, name, options, peak):
    """Make one master; the peak is the kernel's VmHWM of this process (Linux), since getrusage inherits its parent's."""
    masters.run(layout, name, options)
    status = Path("/proc/self/status").read_text()
    peak.value = int(status.split("VmHWM:")[1].split()[0]) / 1024


if __name__ == "__main__":
    main()
