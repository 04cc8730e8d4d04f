"""Speed and memory of measuring, registering and stacking, against general libraries and against the floor.

    python -m tests.benchmarks.stacking             # 26 megapixels, takes an hour or so
    python -m tests.benchmarks.stacking --small     # 1.5 megapixels, a few minutes
    python -m tests.benchmarks.stacking --only-add-night # what a tenth night costs, against that night by itself and the merge

Frames are made on the spot. Prints a table and writes JSON. Nothing of this is a test: figures depend on the machine,
so ratios between what ran side by side are what counts.

Throughput is by the clock on two cores: ours as the workflow runs it, two sessions side by side, with the start of its jobs;
the libraries in one process, as their calls come, and in two that share out the frames. The floor is one read of the raw bytes
and one compiled pass that calibrates and drops every pixel.
"""

import argparse
import json
import os
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import yaml

from pipeline import PROJECT_ROOT
from pipeline.graph import Graph
from pipeline.layout import Layout
from pipeline.settings.load import load_settings
from tests.benchmarks.frames import make_calibration, make_night

STAGES = ("measure", "register_session", "stack_session")
"""What is compared with the general libraries; both start from masters."""


def measured(command, *, environment=None):
    """Run a command; (wall s, CPU s, peak MB) of it and all its children."""
    started = time.monotonic()
    pid = os.posix_spawn(command[0], command, {**os.environ, **(environment or {})})
    _, status, usage = os.wait4(pid, 0)
    if status:
        raise SystemExit(f"{' '.join(command[:6])} ... failed")
    return {
        "wall_s": time.monotonic() - started,
        "cpu_s": usage.ru_utime + usage.ru_stime,
        "peak_mb": usage.ru_maxrss * 1024 / 1e6,
    }


def stage(config, name, unit, *, threads=1, memory_gb=1.0):
    """One stage of ours in a process of its own."""
    code = (
        "import sys; from importlib import import_module; from pipeline.settings.load import load_settings; "
        "from pipeline.layout import Layout; s = load_settings(sys.argv[1]); "
        "s['run'] = {**s['run'], 'threads': int(sys.argv[4]), 'memory_gb': float(sys.argv[5])}; "
        "import_module('pipeline.stages.' + sys.argv[2]).run(Layout(s['output']['folder']), sys.argv[3], s)"
    )
    command = [sys.executable, "-c", code, str(config), name, unit, str(threads), str(memory_gb)]
    return measured(command, environment={"OMP_NUM_THREADS": "1", "NUMBA_NUM_THREADS": "1"})


def floor(paths, shape):
    """CPU seconds a frame of reading and one compiled pass that calibrates and drops."""
    from pipeline.fitsio import RawPixels
    from pipeline.numerics.cfa import Cfa
    from pipeline.numerics.drizzle import add_drops
    from pipeline.numerics.frame_positions import Placement
    from pipeline.numerics.pose import Pose
    from pipeline.numerics.raw_to_rate import marked_rate

    ny, nx = shape
    dark, flat, good = np.zeros(shape, np.float32), np.ones(shape, np.float32), np.zeros(shape, bool)
    sums = np.zeros((3, 2, ny, nx), dtype=np.float32)
    placement = Placement(Pose.from_matrix([[1, 0, 0.3], [0, 1, 0.4]], shape), np.zeros((3, 2, 3)))
    spent = []
    for path in (paths[0], *paths[:4]):
        started = time.process_time()
        raw = RawPixels(path, 0, ".").part((0, ny), (0, nx))
        rates = marked_rate(raw, dark, flat, good, 0.01, level=None)
        add_drops(rates, Cfa("RGGB"), placement, (0, ny, 0, nx), sums, pixfrac=0.8)
        spent.append(time.process_time() - started)
    # The first call may compile.
    return float(np.median(spent[1:]))


def write_config(folder, *, kernel="auto", output="out", frames=None):
    """The target's config; of all frames, or of some folders below them."""
    config = {
        "target": {"name": "Benchmark"},
        "input": {"folders": [str(folder / "frames" / name) for name in frames or [""]]},
        "output": {"folder": str(folder / output)},
        "filter_sets": {"clear": {"role": "unfiltered", "filter_names": ["None"]}},
        "stack": {"kernel": kernel},
    }
    path = folder / f"{output}.yaml"
    path.write_text(yaml.safe_dump(config), encoding="utf-8")
    return path


def run_until(config, *stages):
    command = [sys.executable, "-m", "pipeline", "run", str(config), "--cores", "2", "--until", *stages]
    return measured(command)


def ours(config):
    """Inventory, masters and choices are made first; then each stage is timed by itself."""
    run_until(config, "register_session")
    graph = Graph(load_settings(str(config)))
    return {
        name: {stage_name: stage(config, stage_name, name) for stage_name in STAGES}
        for name in graph.sessions
    }


def two_sessions(folder, shape, n, *, kernel):
    """What the workflow takes on two cores from masters to the stacks of two sessions of ``n`` frames."""
    make_night(folder / "frames", shape, n, night="2031-05-03", seed=3)
    config = write_config(folder, kernel=kernel, output="out_two_sessions")
    run_until(config, "masters")
    return run_until(config, "stack_session")


def library(folder, lights, shape, *, processes=1):
    """The comparison; with two processes the frames are shared out and each half is stacked."""
    del shape
    calibration = [str(folder / "frames" / kind / f"{kind}_0.fits") for kind in ("dark", "flat")]
    made = []
    for number in range(processes):
        (folder / f"library_{number}").mkdir(exist_ok=True)
        made.append(
            [
                *(sys.executable, "-m", "tests.benchmarks.library_pipeline", str(folder / f"library_{number}" / "stack.fits")),
                *calibration,
                *map(str, lights[number::processes]),
            ]
        )  # fmt: skip
    started = time.monotonic()
    pids = [os.posix_spawn(command[0], command, os.environ) for command in made]
    usages = [os.wait4(pid, 0) for pid in pids]
    if any(status for _, status, _ in usages):
        raise SystemExit("the library pipeline failed")
    return {
        "wall_s": time.monotonic() - started,
        "cpu_s": sum(usage.ru_utime + usage.ru_stime for *_, usage in usages),
        "peak_mb": sum(usage.ru_maxrss * 1024 / 1e6 for *_, usage in usages),
    }


def merge(config, unit):
    """The merge of a filter set in a process of its own."""
    code = (
        "import sys; from pipeline.settings.load import load_settings; from pipeline.layout import Layout; "
        "from pipeline.graph import Graph; from pipeline.stages import stack_filter_set; "
        "s = load_settings(sys.argv[1]); stack_filter_set.run(Layout(s['output']['folder']), sys.argv[2], s, "
        "sessions=list(Graph(s).sessions))"
    )
    command = [sys.executable, "-c", code, str(config), unit]
    return measured(command, environment={"OMP_NUM_THREADS": "1", "NUMBA_NUM_THREADS": "1"})


def add_night(folder, options, shape):
    """What a run costs that adds one night to others, against a run of that night by itself and the merge.

    Masters are there in both; the run of one night has the anchor to choose, which is nothing among its frames.
    """
    frames = folder / "frames"
    make_calibration(frames, shape)
    names = [f"2031-05-{k + 1:02d}" for k in range(options.nights + 1)]
    for k, night in enumerate(names[:-1]):
        make_night(frames, shape, options.night_frames, night=night, seed=k)
    config = write_config(folder, kernel=options.kernel)
    run_until(config, "stack_filter_set")
    make_night(frames, shape, options.night_frames, night=names[-1], seed=options.nights)
    added = run_until(config, "stack_filter_set")
    merged = merge(config, "clear")
    config = write_config(
        folder, kernel=options.kernel, output="out_alone", frames=("dark", "flat", names[-1])
    )
    run_until(config, "masters")
    alone = run_until(config, "stack_session")
    ratio = added["wall_s"] / (alone["wall_s"] + merged["wall_s"])
    return {"added": added, "alone": alone, "merge": merged, "ratio": ratio}


def size(folder):
    return sum(path.stat().st_size for path in Path(folder).rglob("*") if path.is_file())


def benchmark(options, folder):
    """All figures as a dict."""
    ny = int(np.sqrt(options.megapixels * 1e6 / 1.5)) // 2 * 2
    shape = (ny, int(1.5 * ny) // 2 * 2)
    figures = {"megapixels": shape[0] * shape[1] / 1e6, "frames": max(options.frames), "by_frames": {}}
    if options.only_add_night:
        figures["added_night"] = add_night(folder, options, shape)
        return figures
    frames = folder / "frames"
    make_calibration(frames, shape)
    lights = []
    for n in sorted(options.frames):
        for path in (folder / "out").rglob("*.fits") if (folder / "out").exists() else ():
            path.unlink()
        lights = make_night(frames, shape, n, night="2031-05-02", seed=2)
        config = write_config(folder, kernel=options.kernel)
        (session,) = ours(config).values()
        layout = Layout(folder / "out")
        figures["by_frames"][n] = {
            **session,
            "session_bytes": size(next((layout.root / "sessions").iterdir())),
            "raw_bytes": size(frames / "2031-05-02"),
        }
    n = max(options.frames)
    name = Graph(load_settings(str(config))).sessions
    (unit,) = name
    figures["floor_cpu_s"] = floor(lights, shape)
    figures["threads_2"] = stage(config, "stack_session", unit, threads=2)
    stack = figures["by_frames"][n]["stack_session"]
    figures["stack_cpu_s_per_frame"] = stack["cpu_s"] / n
    figures["stack_over_floor"] = stack["cpu_s"] / n / figures["floor_cpu_s"]
    if not options.no_library:
        subset = lights[: options.library_frames or n]
        figures["library"] = library(folder, subset, shape)
        figures["library_frames"] = len(subset)
        figures["library_2_processes"] = library(folder, subset, shape, processes=2)
        figures["two_sessions"] = two_sessions(folder, shape, n, kernel=options.kernel)
        wall = figures["two_sessions"]["wall_s"] / (2 * n)
        total = sum(entry["cpu_s"] for name, entry in figures["by_frames"][n].items() if name in STAGES) / n
        for name, suffix in (("library", ""), ("library_2_processes", "_two_processes")):
            entry = figures[name]
            figures["throughput_ratio" + suffix] = entry["wall_s"] / len(subset) / wall
            figures["processor_ratio" + suffix] = entry["cpu_s"] / len(subset) / total
    return figures


def table(figures):
    """The figures as lines of text."""
    if "added_night" in figures:
        night = figures["added_night"]
        return (
            f"{figures['megapixels']:.1f} megapixels; a night more: {night['added']['wall_s']:.1f} s, {night['ratio']:.2f} times "
            f"that night by itself ({night['alone']['wall_s']:.1f} s) and the merge ({night['merge']['wall_s']:.1f} s)"
        )
    lines = [f"{figures['megapixels']:.1f} megapixels; CPU seconds a frame, peak MB, wall seconds"]
    for n, entry in figures["by_frames"].items():
        parts = "   ".join(
            f"{name} {entry[name]['cpu_s'] / n:6.2f} {entry[name]['peak_mb']:6.0f} {entry[name]['wall_s']:6.1f}" for name in STAGES
        )  # fmt: skip
        lines.append(
            f"N = {n:3d}   {parts}   session's files {entry['session_bytes'] / entry['raw_bytes']:.2f} x raw"
        )
    lines.append(
        f"floor {figures['floor_cpu_s']:.3f} s a frame; stack_session / floor {figures['stack_over_floor']:.2f}"
    )
    one, two = figures["by_frames"][figures["frames"]]["stack_session"], figures["threads_2"]
    lines.append(f"two threads: {one['wall_s'] / two['wall_s']:.2f} times as fast")
    for name in ("library", "library_2_processes"):
        if name in figures:
            entry = figures[name]
            lines.append(
                f"{name}: {entry['cpu_s'] / figures['library_frames']:.2f} s a frame, peak {entry['peak_mb']:.0f} MB"
            )
    for name, what in (("throughput", "by the clock on two cores"), ("processor", "in processor time")):
        if f"{name}_ratio" in figures:
            lines.append(
                f"measure, register and stack {what}: {figures[f'{name}_ratio']:.1f} times the libraries in one process, "
                f"{figures[f'{name}_ratio_two_processes']:.1f} times in two"
            )
    return "\n".join(lines)


def main():
    """Command line."""
    parser = argparse.ArgumentParser(
        prog="python -m tests.benchmarks.stacking", description=__doc__.splitlines()[0]
    )
    parser.add_argument("--small", action="store_true", help="1.5 megapixels, 8 and 16 frames")
    parser.add_argument("--megapixels", type=float, default=26.0)
    parser.add_argument("--frames", type=int, nargs="+", default=[8, 16, 32, 64])
    parser.add_argument("--kernel", default="auto")
    parser.add_argument("--no-library", action="store_true", help="leave out the comparison")
    parser.add_argument(
        "--library-frames", type=int, help="frames of the comparison; as many as ours by default"
    )
    parser.add_argument(
        "--only-add-night", action="store_true", help="add a night to others, and nothing else"
    )
    parser.add_argument("--nights", type=int, default=9, help="nights that are there before")
    parser.add_argument("--night-frames", type=int, default=8, help="frames of each of these nights")
    parser.add_argument("--json", default="benchmark-stacking.json")
    parser.add_argument("--folder", help="where the frames are made; a temporary folder by default")
    options = parser.parse_args()
    if options.small:
        options.megapixels, options.frames = 1.5, [8, 16]
    os.chdir(PROJECT_ROOT)
    with tempfile.TemporaryDirectory(dir=options.folder) as folder:
        figures = benchmark(options, Path(folder))
    Path(options.json).write_text(json.dumps(figures, indent=1), encoding="utf-8")
    print(table(figures))


if __name__ == "__main__":
    main()
