"""500 simulated registrations over a grid of difficulty, and pairs that must be refused; by hand:

    .venv/bin/python tests/benchmarks/registration_grid.py [--cases 500] [--traps 200] [--rendered 108] [--seed 1]

Prints how many pairs with enough common stars were solved, by every axis of the grid, how many wrong poses were accepted,
and what a registration costs. Then the same for rendered frames, of which the pipeline makes the star lists itself.
"""

import argparse
import os
import sys
import time
from collections import defaultdict
from pathlib import Path

os.environ.setdefault("NUMBA_NUM_THREADS", "1")
os.environ.setdefault("OMP_NUM_THREADS", "1")
sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

import numpy as np

from pipeline.numerics.registration import register
from tests.unit import registration_images
from tests.unit.registration_cases import COMMON_NEEDED, LIMITS, SHAPE, TRAPS, WRONG_PX, grid_cases


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--cases", type=int, default=500)
    parser.add_argument("--traps", type=int, default=200)
    parser.add_argument("--rendered", type=int, default=108)
    parser.add_argument("--seed", type=int, default=1)
    given = parser.parse_args()
    tally, wrong, few, spent, errors = defaultdict(lambda: [0, 0]), [], [0, 0], [], []
    for number, case in enumerate(grid_cases(given.cases, seed=given.seed)):
        begun = time.process_time()
        found, problem = register(case.source, case.target, SHAPE, LIMITS, random_seed=number)
        spent.append(time.process_time() - begun)
        accepted = problem == ""
        if accepted and case.error_px(found.pose) > WRONG_PX:
            wrong.append((number, case.labels, case.error_px(found.pose)))
            accepted = False
        if not case.solvable:
            few[0] += accepted
            few[1] += 1
            continue
        if accepted:
            errors.append(case.error_px(found.pose))
        else:
            print(f"unsolved: case {number} {case.labels}, {len(case.common)} common stars: {problem}")
        for axis, value in case.labels.items():
            tally[axis, value][0] += accepted
            tally[axis, value][1] += 1
    refused = defaultdict(lambda: [0, 0])
    for number in range(given.traps):
        name = list(TRAPS)[number % len(TRAPS)]
        rng = np.random.default_rng([given.seed, 10_000 + number])
        case = TRAPS[name](int(10 ** rng.uniform(1.0, 2.8)), rng=rng)
        found, problem = register(case.source, case.target, SHAPE, LIMITS, random_seed=number)
        if not problem:
            wrong.append((number, case.labels, np.nan))
        refused[name][0] += problem != ""
        refused[name][1] += 1
    axis = None
    for (name, value), (solved, owed) in sorted(tally.items()):
        if name != axis:
            axis = name
            print(f"\n{name:>10s}   solved / owed")
        print(f"{value:10g}   {solved:4d} / {owed:d}")
    print(
        "\nrefused of those that must be: "
        + ", ".join(f"{name} {a} / {b}" for name, (a, b) in refused.items())
    )
    owed = given.cases - few[1]
    solved = len(errors)
    print(
        f"solved {solved} of {owed} pairs with at least {COMMON_NEEDED} common stars: {100 * solved / owed:.2f} %, target 99.5 %"
    )
    print(f"solved {few[0]} of {few[1]} pairs with fewer")
    print(f"wrong poses accepted: {len(wrong)}, target 0", *wrong[:10], sep="\n  ")
    print(f"largest error of a star: median {np.median(errors):.3f} px, highest {max(errors):.3f} px")
    rendered(given)
    print(
        f"processor time of a registration: median {np.median(spent):.3f} s, mean {np.mean(spent):.3f} s, highest {max(spent):.2f} s"
    )


def rendered(given):
    """Measure and register rendered pairs; print what came of them."""
    owed, solved, errors = 0, 0, []
    for number, case in enumerate(registration_images.rendered_cases(given.rendered, seed=given.seed)):
        found, problem = case.registered(number)
        expected = len(case.common) >= COMMON_NEEDED
        owed += expected
        if problem:
            if expected:
                print(
                    f"unsolved: rendered {number} {case.labels}, {len(case.common)} common stars: {problem}"
                )
            continue
        errors.append(case.error_px(found.pose))
        solved += expected and errors[-1] < WRONG_PX
    print(
        f"rendered frames: solved {solved} of {owed} pairs with at least {COMMON_NEEDED} common stars; wrong poses accepted: "
        f"{sum(error > WRONG_PX for error in errors)}; error of the middle half: median {np.median(errors):.3f} px, "
        f"highest {max(errors):.3f} px"
    )


if __name__ == "__main__":
    main()
