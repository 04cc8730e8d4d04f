"""Write the lock files and the workflow's environment file from what is installed.

`.venv/bin/python .ci/lock.py --write` pins, at the versions of the running environment, what pyproject.toml
asks for and all that those packages need. `--check` fails if the environment file does not follow from the
lock.
"""

import argparse
import re
import sys
import tomllib
from importlib import metadata
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
RUNTIME_LOCK = ROOT / "requirements.lock"
TEST_LOCK = ROOT / "requirements-test.lock"
ENVIRONMENT = ROOT / "pipeline" / "rules" / "environment.yaml"
HEAD = "# {what}, exact versions; written by `make lock`.\n"


def main():
    """Write or check."""
    parser = argparse.ArgumentParser(description=__doc__)
    choice = parser.add_mutually_exclusive_group(required=True)
    choice.add_argument("--write", action="store_true")
    choice.add_argument("--check", action="store_true")
    if parser.parse_args().check:
        lock = RUNTIME_LOCK.read_text(encoding="utf-8")
        if ENVIRONMENT.read_text(encoding="utf-8") != environment_text(lock):
            print(
                f"{ENVIRONMENT}: does not follow from {RUNTIME_LOCK.name}; run `make lock`", file=sys.stderr
            )
            return 1
        return 0
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    runtime = closure(project["dependencies"])
    test = closure(project["optional-dependencies"]["test"]) - runtime
    lock = HEAD.format(what="What the pipeline needs") + pinned(runtime)
    RUNTIME_LOCK.write_text(lock, encoding="utf-8")
    TEST_LOCK.write_text(
        HEAD.format(what="What the tests need on top of requirements.lock") + pinned(test), encoding="utf-8"
    )
    ENVIRONMENT.write_text(environment_text(lock), encoding="utf-8")
    return 0


def closure(requirements):
    """Names of the packages that satisfy requirements, and of all they need, in the running environment."""
    from packaging.requirements import Requirement

    seen = set()
    waiting = [(requirement, "") for requirement in requirements]
    while waiting:
        text, extra = waiting.pop()
        requirement = Requirement(text)
        if requirement.marker is not None and not requirement.marker.evaluate({"extra": extra}):
            continue
        name = normalised(requirement.name)
        version = metadata.version(name)
        if not requirement.specifier.contains(version, prereleases=True):
            raise SystemExit(f"{name} {version} is installed, {text} is asked for")
        for wanted in ["", *requirement.extras]:
            if (name, wanted) not in seen:
                seen.add((name, wanted))
                waiting.extend((needed, wanted) for needed in metadata.requires(name) or [])
    return {name for name, _ in seen}


def pinned(names):
    """A line ``name==version`` a package."""
    return "".join(f"{name}=={metadata.version(name)}\n" for name in sorted(names))


def environment_text(lock):
    """The workflow's environment file that installs exactly what the lock says."""
    pins = [line for line in lock.splitlines() if line and not line.startswith("#")]
    return "\n".join(
        [
            "# Software of every step; written from requirements.lock by `make lock`.",
            "channels:",
            "  - conda-forge",
            "  - nodefaults",
            "dependencies:",
            "  - python >=3.11",
            "  - pip",
            "  - pip:",
            *(f"      - {pin}" for pin in pins),
            "",
        ]
    )


def normalised(name):
    """A package's name as indexes compare it."""
    return re.sub(r"[-_.]+", "-", name).lower()


if __name__ == "__main__":
    sys.exit(main())
