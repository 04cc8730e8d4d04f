"""Print the figures of a run against truth: ``python -m tests.truth.figures``."""

import argparse
import sys

from tests.truth.compare import Run, all_figures

__all__ = ["main"]


def main():
    """Command line; exit code 1 if a bound is broken."""
    parser = argparse.ArgumentParser(prog="python -m tests.truth.figures", description=__doc__)
    parser.add_argument("--results", default="results/demo")
    parser.add_argument(
        "--frames", default="demo_inputs/frames", help="the input folder as the config names it"
    )
    parser.add_argument("--truth", default="demo_inputs/frames_truth")
    options = parser.parse_args()
    figures = all_figures(Run(options.results, options.truth, options.frames))
    for figure in figures:
        sign = ">=" if figure.at_least else "<="
        print(
            f"{'ok ' if figure.holds else 'BAD'}  {figure.name:55s} {figure.value:9.4f} {sign} {figure.bound:g}   ({figure.reason})"
        )
    sys.exit(0 if all(figure.holds for figure in figures) else 1)


if __name__ == "__main__":
    main()
