"""How long the check of a folder of 1000 frames takes, the first time and with what it remembers.

Run by hand: python -m tests.benchmarks.check_speed [FRAMES [WIDTH HEIGHT]]. The frames are hard links to a few files, so
that a thousand frames of a large camera need no disk; what is read comes from the system's memory, not from a disk.
"""

import os
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import yaml

from pipeline import PROJECT_ROOT
from tests.unit.raw_frames import exposure, write

FRAMES, WIDTH, HEIGHT = 1000, 1248, 832

TARGET_S = 10.0
"""Seconds for a folder of 1000 frames that were seen before, Python's start included."""

NIGHTS = 10

KINDS = (("Light Frame", 60.0, 900, 6), ("Flat", 1.0, 20000, 2), ("Dark", 60.0, 0, 1), ("Bias", 0.0, 0, 1))
"""IMAGETYP, exposure in s, electrons, parts of the whole."""


def main(arguments):
    """Make the frames, check them twice, print seconds and ratios."""
    numbers = [*map(int, arguments), *(FRAMES, WIDTH, HEIGHT)[len(arguments) :]]
    with tempfile.TemporaryDirectory() as folder:
        n = make_frames(Path(folder), *numbers)
        first, second = (seconds_of_check(folder) for _ in range(2))
    megapixels = n * numbers[1] * numbers[2] / 1e6
    print(f"{n} frames of {numbers[1]} x {numbers[2]}; seconds by the clock, and of processor")
    cost = 1000 * (first[1] - second[1]) / megapixels
    print(f"first look    {first[0]:7.1f} {first[1]:7.1f}   {cost:.1f} ms of processor for each megapixel")
    print(
        f"known frames  {second[0]:7.1f} {second[1]:7.1f}   {first[0] / second[0]:.1f} times faster, "
        f"{second[0] / TARGET_S:.2f} of the {TARGET_S:g} s aimed at"
    )


def make_frames(folder, n, width, height):
    """Frames of ten nights; return how many."""
    rng = np.random.default_rng(1)
    parts = sum(part for *_, part in KINDS)
    made = 0
    for night in range(NIGHTS):
        for kind, exposure_s, electrons, part in KINDS:
            where = folder / "frames" / f"night {night}"
            date = f"2031-05-{night + 1:02d}T21:00:00"
            frame = exposure(rng, electrons, shape=(height, width))
            first = write(where / f"{kind}.fits", frame, IMAGETYP=kind, EXPTIME=exposure_s, DATE_OBS=date)
            count = n * part // parts // NIGHTS
            for k in range(1, count):
                os.link(first, where / f"{kind}_{k}.fits")
            made += count
    config = {
        "input": {"folders": ["frames"]},
        "output": {"folder": "out"},
        "filter_sets": {"wide": {"role": "broadband"}},
    }
    (folder / "target.yaml").write_text(yaml.safe_dump(config), encoding="utf-8")
    return made


def seconds_of_check(folder):
    """Seconds of the check by the clock, as the user sees it, and of processor, which others on the machine do not change."""
    started, before = time.monotonic(), resource.getrusage(resource.RUSAGE_CHILDREN)
    command = [sys.executable, "-m", "pipeline", "check", "target.yaml"]
    environment = {**os.environ, "PYTHONPATH": str(PROJECT_ROOT)}
    subprocess.run(command, cwd=folder, env=environment, check=True, capture_output=True)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return time.monotonic() - started, sum(after[:2]) - sum(before[:2])


if __name__ == "__main__":
    main(sys.argv[1:])
