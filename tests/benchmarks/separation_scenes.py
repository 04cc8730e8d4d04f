"""Table of figures of flatten and lines over simulated scenes; a ! marks a figure beyond its target, by more than two standard
errors where these are given.

    python -m tests.benchmarks.separation_scenes [seeds] [rows that contain this text] [times the exposure]

The scenes have a fifth of a megapixel and are not deep, so many a figure is that of noise; with sixteen times the exposure a cell of
sky is known as well as that of a sixteen times larger image.

Nebula over 20, 50 and 85 % of the field, three sensors (one measured), curves given or typical ones that the data
refine, sky gradients of 60 %, seeing that differs by 30 % either way, and fields without one of the lines.

Beside the figures stands what limits them; percent, ratios for the noise.

- "known cells": the gradient that the same fit leaves where it is told which cells hold no nebula.
- "with noise": the spread of the gain with the noise of the map left in it, which "spread" is without.
- "unsure": the error that refined cross-talk states of itself. Where no gas glows in one line alone it is that of curves, 5 %, and
  leakage may be as large.
- "known sky": the continuum in the lines where the sky is the true one; the rest is that of flattening.
- "star noise": what photon noise alone makes of the stars' residues.
- "by mixing": the bound by the cross-talk at hand over that by the true one, which data without a line do not tell.
- "with law": noise over the bound where laws of starlight and cross-talk are measured anew without noise. What it exceeds "bound"
  by is an error that all pixels share, which the columns of leakage and continuum hold.
"""

import sys
import time

import numpy as np

from pipeline.numerics.spectrum import typical_response
from tests.unit.separation_figures import (
    coupling,
    flattened,
    flattened_by_truth,
    gain_spread,
    noise_figures,
    noisy_and_quiet,
    sky_figures,
    solved,
    star_free,
    star_noise,
    star_residues,
)
from tests.unit.synthetic_stacks import (
    EXPOSURE_S,
    LINE_NAMES,
    altered_response,
    make_scene,
    measured_response,
)

TEMPERATURES_K = (3000.0, 20000.0)

RESPONSES = {
    "typical": typical_response(),
    "altered": altered_response(green_to_red=0.05, red_to_green=0.06),
    "measured": measured_response(),
}

SCENES = {
    **{
        f"{response}, {100 * cover:.0f} %, {source}": {"cover": cover, "response": response, "given": source == "given"}
        for response in RESPONSES
        for cover in (0.2, 0.5, 0.85)
        for source in ("given", "refined")
        if source == "given" or response != "typical"
    },
    "typical, 50 %, gas sharper": {"cover": 0.5, "fwhm": {"broad": 3.6, "duo": 2.75}},
    "typical, 50 %, gas softer": {"cover": 0.5, "fwhm": {"broad": 2.75, "duo": 3.6}},
    **{
        f"{response}, 50 %, no {label}, {source}": {
            "cover": 0.5, "response": response, "given": source == "given", "line_peak": {line: 0.0},
        }
        for response, source in (("typical", "given"), ("altered", "refined"), ("measured", "refined"))
        for line, label in (("OIII", "[O III]"), ("Ha", "H-alpha"))
    },
}  # fmt: skip

COLUMNS = (
    "free", "gradient", "known cells", "flux", "gain", "spread", "with noise", "leak", "leak+-", "unsure", "continuum", "continuum+-", "known sky", "star",
    "star noise", "bound", "bound+-", "by mixing", "with law", "variance", "variance+-",
)  # fmt: skip


def targets(cover, given):
    """Largest value of each column; percent, and ratios for the last two."""
    return {
        "gradient": 8.0 if cover > 0.6 else 3.0, "flux": 5.0 if cover > 0.6 else 2.0, "gain": 2.0, "spread": 1.0,
        "leak": 1.0 if given else 3.0, "continuum": 2.0, "star": 1.0, "bound": 1.10, "variance": 1.05,
    }  # fmt: skip


def measure(seed, *, cover, response="typical", given=True, fwhm=None, line_peak=None, times_exposure=1.0):
    """Figures of one scene, the worse line's where there are two."""
    how = {
        "seed": seed, "cover": cover, "responses": RESPONSES[response], "fwhm": fwhm, "line_peak": line_peak,
        "temperatures": TEMPERATURES_K, "gradient": 0.6, "exposure_s": times_exposure * EXPOSURE_S,
    }  # fmt: skip
    assumed = None if given else RESPONSES["typical"]
    scene = make_scene(**how)
    flat = flattened(scene)
    solution, _ = solved(scene, assumed=assumed, flat=flat)
    noisy, quiet, own = noisy_and_quiet(scene, make_scene(**how, noise=False), assumed=assumed)
    mask = star_free(scene)
    found = coupling(scene, solution, mask)
    sky = 100 * sky_figures(scene, flat)
    told = 100 * sky_figures(scene, flattened_by_truth(scene))
    present = [name for name in LINE_NAMES if np.ptp(scene.lines[name]) > 0]
    unfilled, _ = solved(scene, assumed=assumed, clean=False)
    residues = [np.abs(star_residues(scene, unfilled, name)) for name in LINE_NAMES]
    alone = coupling(scene, unfilled, mask)
    noise = np.array([noise_figures(scene, noisy, quiet, name) for name in LINE_NAMES])
    measured = np.array([noise_figures(scene, noisy, own, name) for name in LINE_NAMES])
    farthest = np.abs(noise[:, 1] - 1).argmax()
    return {
        "free": 100 * flat["broad"].free.mean(),
        "gradient": sky[:, 0].max(), "known cells": told[:, 0].max(), "flux": sky[:, 1].max(),
        "gain": 100 * max(abs(found[name].gain - 1) for name in present),
        **_worst(found, "leak", 1),
        "unsure": 100 * _unsure(solution),
        **_worst(found, "continuum", 2),
        "spread": 100 * _gain_spread(scene, solution, mask, noisy, quiet),
        "with noise": 100 * _gain_spread(scene, solution, mask, noisy, noisy),
        "star": 100 * max(np.median(r) for r in residues),
        "star noise": 100 * np.nanmax([star_noise(scene, unfilled, name) for name in LINE_NAMES]),
        "known sky": _worst(alone, "continuum", 2)["continuum"],
        "bound": noise[:, 0].max(), "bound+-": noise[:, 0].max() * noise[noise[:, 0].argmax(), 2],
        "by mixing": noise[noise[:, 0].argmax(), 3],
        "with law": measured[:, 0].max(),
        "variance": noise[farthest, 1], "variance+-": noise[farthest, 1] * noise[farthest, 2],
    }  # fmt: skip


def _gain_spread(scene, solution, mask, noisy, quiet):
    """That of the line whose gain varies most over the field, less what ``noisy`` has and ``quiet`` has not."""
    noise = noisy.lines - quiet.lines
    spreads = [
        gain_spread(scene, solution, mask, name, noise=plane) for name, plane in zip(LINE_NAMES, noise, strict=True)
        if np.ptp(scene.lines[name]) > 0
    ]  # fmt: skip
    return np.nanmax(spreads)


def _unsure(solution):
    """The largest standard error that a refinement states of how much of a line the other line's channel sees."""
    out = [0.0]
    for refined in solution.notes["refinements"].values():
        owners = refined.matrix.argmax(axis=0)
        out += [refined.error[owners[1 - line], line] for line in (0, 1)]
    return max(out)


def _worst(found, column, place):
    """The largest share, and its standard error, of a line's leakage number ``place``; percent."""
    pairs = [
        (abs((line.gain, line.other, line.continuum)[place]), line.error[place]) for line in found.values()
    ]
    value, error = max((pair for pair in pairs if np.isfinite(pair[0])), key=lambda pair: pair[0])
    return {column: 100 * value, f"{column}+-": 100 * error}


def _beyond(name, figures, limits):
    """Whether a figure is beyond its target; VARIANCE is a ratio, which may be too small as well."""
    if name not in limits:
        return False
    allowed = 2 * figures.get(name + "+-", 0.0)
    too_small = name == "variance" and figures[name] < 2 - limits[name] - allowed
    return too_small or figures[name] > limits[name] + allowed


def main(seeds="1", wanted="", times_exposure="1"):
    print(f"{'scene':38s}" + "".join(f"{name:>12s}" for name in COLUMNS) + "    s")
    for label, how in SCENES.items():
        if wanted not in label:
            continue
        limits = targets(how["cover"], how.get("given", True))
        for seed in range(1, int(seeds) + 1):
            start = time.perf_counter()
            figures = measure(seed, **how, times_exposure=float(times_exposure))
            row = "".join(
                f"{figures[name]:11.2f}{'!' if _beyond(name, figures, limits) else ' '}" for name in COLUMNS
            )
            print(f"{label:38s}{row}{time.perf_counter() - start:5.0f}", flush=True)


if __name__ == "__main__":
    main(*sys.argv[1:])
