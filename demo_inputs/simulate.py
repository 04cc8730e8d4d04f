"""Make the frames of a scene: ``python -m demo_inputs.simulate --scene FILE --out FOLDER --nights 1 2``."""

import argparse
import multiprocessing
import os
import sys
from datetime import datetime, timedelta
from pathlib import Path

from demo_inputs.nights.exposure import Observatory
from demo_inputs.nights.files import calibration_path, light_path, write_bad_files, write_frame
from demo_inputs.nights.scene import SceneError, read_scene
from demo_inputs.nights.schedule import calibration_frames, lights
from demo_inputs.nights.truth import write_truth

__all__ = ["simulate"]

_observatory = None
"""Set once in each worker process, so that sky and sensor are made once per process."""


def simulate(scene, out, *, nights, truth=None, processes=1, stream=None):
    """Write all frames of some nights and the truth about them.

    Parameters
    ----------
    scene : Scene
    out : folder for the frames
    nights : list of numbers, from 1
    truth : folder for the truth; ``<out>_truth`` beside the frames' folder by default
    processes : the frames are the same for any number
    stream : where progress goes; standard error by default

    Returns
    -------
    dict: path below ``out`` -> what is wrong, of the files made unusable on purpose
    """
    out = Path(out)
    truth = Path(truth) if truth else out.with_name(f"{out.name}_truth")
    exposures = lights(scene, nights)
    tasks = [("light", light) for light in exposures]
    tasks += [("calibration", frame) for frame in calibration_frames(scene, nights)]
    trails, stream = {}, stream or sys.stderr
    print(
        f"simulating {len(exposures)} lights and {len(tasks) - len(exposures)} calibration frames",
        file=stream,
    )
    for done, (path, found) in enumerate(_results(scene, out, tasks, processes), start=1):
        trails[path] = found
        if done % 20 == 0 or done == len(tasks):
            print(f"simulating: {done} / {len(tasks)} frames", file=stream, flush=True)
    bad = {}
    if scene.bad_files and 1 in nights and exposures:
        observatory = Observatory(scene)
        bad = write_bad_files(out, scene, observatory.expose_light(exposures[0])[0], exposures[0])
    # The truth is about all nights that may lie in the folder, not only those made now.
    everything = [
        light
        for light in lights(scene, range(1, len(scene.nights) + 1))
        if (out / light_path(scene, light)).exists()
    ]
    write_truth(truth, scene, everything, trails=trails, bad_files=bad)
    return bad


def _results(scene, out, tasks, processes):
    if processes <= 1:
        _start(scene, out)
        yield from map(_make, tasks)
        return
    # "spawn": a forked process would share the state of compiled code and of astropy.
    with multiprocessing.get_context("spawn").Pool(processes, _start, (scene, out)) as pool:
        yield from pool.imap(_make, tasks)


def _start(scene, out):
    global _observatory
    _observatory = (Observatory(scene), out)


def _make(task):
    observatory, out = _observatory
    scene, (kind, what) = observatory.scene, task
    if kind == "light":
        frame, trails = observatory.expose_light(what)
        path = light_path(scene, what)
        write_frame(
            out / path, frame, scene, kind="light", exposure_s=scene.exposure_s, start_utc=what.start_utc,
            filter_name=what.filter_name,
        )  # fmt: skip
        return str(path), [list(map(float, trail)) for trail in trails]
    kind, night, filter_name, number, exposure_s = what
    frame = observatory.expose_calibration(kind, night, filter_name, number, exposure_s)
    path = calibration_path(scene, kind, night, filter_name, number)
    start = datetime.fromisoformat(scene.nights[night - 1].date) + timedelta(hours=28, minutes=number)
    write_frame(
        out / path, frame, scene, kind=kind, exposure_s=exposure_s, start_utc=start, filter_name=filter_name
    )
    return str(path), []


def main():
    """Command line."""
    parser = argparse.ArgumentParser(prog="python -m demo_inputs.simulate", description=__doc__)
    parser.add_argument("--scene", default=Path(__file__).with_name("scene.yaml"), type=Path)
    parser.add_argument("--out", default=Path(__file__).with_name("frames"), type=Path)
    parser.add_argument("--truth", default=None, type=Path, help="folder for the truth (default: OUT_truth)")
    parser.add_argument("--nights", nargs="+", type=int, default=[1, 2])
    parser.add_argument("--processes", type=int, default=os.cpu_count() or 1)
    options = parser.parse_args()
    try:
        scene = read_scene(options.scene)
    except SceneError as error:
        sys.exit(str(error))
    unknown = [night for night in options.nights if not 1 <= night <= len(scene.nights)]
    if unknown:
        sys.exit(f"--nights: the scene has nights 1 to {len(scene.nights)}, not {unknown}")
    bad = simulate(
        scene, options.out, nights=options.nights, truth=options.truth, processes=options.processes
    )
    print(
        f"{options.out}: frames of night(s) {' '.join(map(str, options.nights))}; {len(bad)} unusable files added"
    )


if __name__ == "__main__":
    main()
