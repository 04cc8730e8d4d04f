"""A copy of the checkout whose stages are substitutes, so that the graph can be tested in seconds."""

import ast
import copy
import json
import os
import shutil
import subprocess
import sys
from pathlib import Path

import yaml

from pipeline import PROJECT_ROOT
from pipeline.layout import Layout

__all__ = ["Checkout", "run_front_door"]

TIMEOUT_S = 900
"""Small jobs take some 10 s together and the small real chain a minute; this only ends a run that hangs, on a
machine that is busy with other things."""


def run_front_door(folder, *arguments, root):
    """Run `python -m pipeline ARGUMENTS` of the checkout ``root`` in ``folder``."""
    environment = {**os.environ, "PYTHONPATH": str(root)}
    command = [sys.executable, "-m", "pipeline", *map(str, arguments)]
    return subprocess.run(
        command, cwd=folder, env=environment, capture_output=True, text=True, timeout=TIMEOUT_S, check=False
    )


class Checkout:
    """A copy of the project in a folder whose name has a space, with frames that are small text files.

    Attributes
    ----------
    root : the copy
    settings : what its config says, as nested dict
    first_jobs : jobs of the run that a fixture has made
    """

    def __init__(self, folder):
        self.root = Path(folder) / "check out"
        self.root.mkdir(parents=True)
        shutil.copy(PROJECT_ROOT / "Snakefile", self.root)
        shutil.copytree(
            PROJECT_ROOT / "pipeline", self.root / "pipeline", ignore=shutil.ignore_patterns("__pycache__")
        )
        shutil.copy(Path(__file__).with_name("substitute_stages.py"), self.root / "pipeline")
        for stage in sorted((self.root / "pipeline" / "stages").glob("[a-z]*.py")):
            stage.write_text(_substituted(stage), encoding="utf-8")
        (self.root / "pipeline" / "kernels.py").write_text(
            "def warm_all(*, processes=1):\n    pass\n", encoding="utf-8"
        )
        (self.root / "pipeline" / "outcome.py").write_text(_PLAIN_OUTCOME, encoding="utf-8")
        self.first_jobs = []
        self.settings = {
            "input": {"folders": ["my frames"]},
            "output": {"folder": "my results"},
            "filter_sets": {
                "broad": {"role": "broadband"},
                "duo": {"role": "dualband", "lines": ["Ha", "OIII"]},
            },
        }
        self.write_config()

    @property
    def config(self):
        """The target's config file."""
        return self.root / "my target.yaml"

    @property
    def layout(self):
        """Layout of the output folder."""
        return Layout(self.root / "my results")

    def moved_to(self, root):
        """The same for a copy that lies elsewhere."""
        moved = copy.copy(self)
        moved.root = Path(root)
        moved.settings = copy.deepcopy(self.settings)
        return moved

    def write_config(self):
        """Write ``settings`` to the config file."""
        self.config.write_text(yaml.safe_dump(self.settings), encoding="utf-8")

    def add_night(self, night, *, filters=("broad", "duo"), lights=2):
        """Add lights through each filter, and flats; a night that is there gets more."""
        for kind in (*filters, "flats"):
            folder = self.root / "my frames" / night / kind
            folder.mkdir(parents=True, exist_ok=True)
            present = len(list(folder.iterdir()))
            for number in range(present, present + lights):
                (folder / f"{number}.fits").write_text(f"{night} {kind} {number}", encoding="utf-8")

    def edit(self, module, line="# edited"):
        """Add a line, by default a comment, to a module of the package."""
        path = self.root / "pipeline" / module
        path.write_text(f"{path.read_text(encoding='utf-8')}{line}\n", encoding="utf-8")

    def run(self, *options):
        """Run the front door; return the jobs that ran, sorted: "measure duo-2031-03-02" and so on."""
        done = self.attempt("run", self.config.name, *options)
        assert done.returncode == 0, done.stdout + done.stderr
        return self.jobs()

    def attempt(self, *arguments):
        """Run the front door; return the completed process."""
        return run_front_door(self.root, *arguments, root=self.root)

    def jobs(self):
        """Jobs of the last run, sorted."""
        content = json.loads((self.layout.root / "logs" / "jobs.json").read_text(encoding="utf-8"))
        return sorted(job["job"] for job in content["finished"])


def _substituted(stage):
    """Source of a substitute: it names the stage's own imports, for the digest, without executing them."""
    tree = ast.parse(stage.read_text(encoding="utf-8"))
    imports = [ast.unparse(node) for node in ast.walk(tree) if isinstance(node, ast.Import | ast.ImportFrom)]
    lines = ["if False:", *(f"    {text}" for text in imports), "    pass"]
    lines += ["from pipeline.substitute_stages import stage_run", f"run = stage_run({stage.stem!r})", ""]
    return "\n".join(lines)


_PLAIN_OUTCOME = """\
def describe_jobs(jobs, *, complete):
    return [f"{len(jobs['finished'])} jobs ran"]


def describe_outcome(layout):
    return []
"""
