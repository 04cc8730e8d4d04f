"""The front door: `python -m pipeline run CONFIG` and its smaller sisters."""

import argparse
import os
import sys
import time
from pathlib import Path

import pipeline
from pipeline import PROJECT_ROOT
from pipeline.disk_space import describe_disk, disk_need, shown_bytes
from pipeline.errors import ConfigError, InputError, PipelineError, machine_trouble
from pipeline.graph import Graph
from pipeline.inventory_table import describe_inventory
from pipeline.kernel_cache import folder_is_writable
from pipeline.layout import Layout
from pipeline.outcome import describe_jobs, describe_outcome
from pipeline.settings import document
from pipeline.settings.load import load_settings
from pipeline.workflow import exclusive, jobs_of_last_run, run_workflow

__all__ = ["main"]

DONE, FAILED, BAD_CONFIG = 0, 1, 2
"""Exit codes."""

AMPLE = 1.2
"""Estimates of disk space are right within a tenth; what is free beyond this much of them needs no mention."""


def main(arguments=None):
    """Run one command; return the exit code."""
    options = _parser().parse_args(arguments)
    try:
        _check_package()
        return options.command(options)
    except ConfigError as error:
        print(error, file=sys.stderr)
        return BAD_CONFIG
    except PipelineError as error:
        print(error, file=sys.stderr)
        return FAILED
    except OSError as error:
        print(machine_trouble(error), file=sys.stderr)
        return FAILED
    except KeyboardInterrupt:
        print("stopped; the same command goes on where it was", file=sys.stderr)
        return FAILED


def run(options):
    """Make the inventory, then everything that is missing or out of date."""
    started = time.monotonic()
    settings = load_settings(options.config)
    layout = Layout(settings["output"]["folder"])
    _settle_kernel_folder(layout)
    with exclusive(layout) as lock:
        _make_plan(layout, settings, clear=not options.dry_run)
        _refuse_without_lights(layout, options.config)
        _look_at_disk(settings, options)
        if not options.dry_run:
            # Before several jobs would each compile the same ones.
            from pipeline.kernels import warm_all

            warm_all(processes=options.cores)
        code = run_workflow(
            options.config,
            layout,
            cores=options.cores,
            lock=lock,
            dry_run=options.dry_run,
            until=options.until,
        )
    print()
    if not options.dry_run:
        jobs = jobs_of_last_run(layout)
        print("\n".join([*describe_jobs(jobs, complete=not code), "", *describe_outcome(layout), ""]))
        print(f"{time.monotonic() - started:.0f} s in all, on {options.cores} cores")
    if code:
        print("The run failed; what could be made is there, the errors stand above.", file=sys.stderr)
    return FAILED if code else DONE


def check(options):
    """Validate the config, look at the frames, and show what was found and what a run would take.

    New files are read once, whole; after that it takes seconds.
    """
    settings = load_settings(options.config)
    layout = Layout(settings["output"]["folder"])
    _settle_kernel_folder(layout)
    with exclusive(layout):
        _make_plan(layout, settings, clear=False)
        need = disk_need(Graph(settings), cores=_all_cores())
        print("\n".join([*describe_inventory(layout), "", *describe_disk(need)]))
    return DONE


def validate(options):
    """Only say whether the config is right."""
    load_settings(options.config)
    print(f"{options.config}: no mistakes found")
    return DONE


def config_docs(options):
    """Write, or check, the generated reference of the config."""
    folder = PROJECT_ROOT / "config"
    if options.write:
        for path in document.write_reference(folder):
            print(f"{path}: written")
        return DONE
    stale = document.stale_files(folder)
    for path in stale:
        print(f"{path}: not what the tables of keys say; run `make config-docs`", file=sys.stderr)
    return FAILED if stale else DONE


def _parser():
    parser = argparse.ArgumentParser(prog="python -m pipeline", description=pipeline.__doc__)
    commands = parser.add_subparsers(required=True, metavar="COMMAND")
    command = commands.add_parser("run", help="process a target", description=run.__doc__)
    command.add_argument("config", metavar="CONFIG", help="YAML file of the target")
    command.add_argument(
        "--cores", type=_cores, default=_all_cores(), metavar="N", help="jobs at a time; default: all"
    )
    command.add_argument(
        "--dry-run", action="store_true", help="make the inventory, then only list what would run"
    )
    command.add_argument("--until", nargs="+", default=(), metavar="STAGE", help="stop after these stages")
    command.set_defaults(command=run)
    command = commands.add_parser("check", help="show what the frames are", description=check.__doc__)
    command.add_argument("config", metavar="CONFIG", help="YAML file of the target")
    command.set_defaults(command=check)
    command = commands.add_parser("validate", help="find mistakes in a config", description=validate.__doc__)
    command.add_argument("config", metavar="CONFIG", help="YAML file of the target")
    command.set_defaults(command=validate)
    command = commands.add_parser("config-docs", help="the config reference", description=config_docs.__doc__)
    choice = command.add_mutually_exclusive_group(required=True)
    choice.add_argument("--write", action="store_true", help="write config/default.yaml and config/README.md")
    choice.add_argument("--check", action="store_true", help="fail if they are out of date")
    command.set_defaults(command=config_docs)
    return parser


def _cores(text):
    cores = int(text)
    if cores < 1:
        raise argparse.ArgumentTypeError(f"at least 1, got {cores}")
    return cores


def _all_cores():
    return len(os.sched_getaffinity(0))


def _check_package():
    """An installed package of the same name would be used by the jobs in our place."""
    expected = PROJECT_ROOT / "pipeline" / "__init__.py"
    if Path(pipeline.__file__).resolve() != expected or not (PROJECT_ROOT / "Snakefile").is_file():
        raise PipelineError(
            f"{pipeline.__file__}: this is not the checkout's own package; start from the folder that holds "
            "the Snakefile"
        )


def _make_plan(layout, settings, *, clear):
    from pipeline.pinning import pin_choices
    from pipeline.stages import inventory

    inventory.run(layout, "frames", settings)
    for message in pin_choices(layout, settings, clear=clear):
        print(message, file=sys.stderr)


def _refuse_without_lights(layout, config):
    """End here, with what the files are instead, if there is nothing to stack."""
    if not any(layout.root.glob("sessions/*/session.json")):
        found = "\n".join(describe_inventory(layout))
        raise InputError(
            f"{config}: no usable light in input.folders, so there is nothing to stack.\n{found}"
        )


def _look_at_disk(settings, options):
    """Before anything long starts: refuse if the results have no room, warn if it is narrow."""
    need = disk_need(Graph(settings), cores=options.cores)
    folder = Path(settings["output"]["folder"]).resolve()
    told = f"{folder}: about {shown_bytes(need.missing)} are still to be written, and {shown_bytes(need.free)} are free"
    if need.short and settings["output"]["check_disk_space"] and not options.dry_run:
        raise PipelineError(f"{told}; make room, or set output.check_disk_space to false if you know better")
    if need.missing * AMPLE > need.free:
        print(f"{told}.", file=sys.stderr)


def _settle_kernel_folder(layout):
    """Where the usual folder for compiled kernels cannot be written, use one in the output folder.

    Must happen before anything imports numba, which reads the variable only then.
    """
    if not folder_is_writable():
        os.environ["NUMBA_CACHE_DIR"] = str((layout.root / "kernels").resolve())


if __name__ == "__main__":
    sys.exit(main())
