"""The demo, from frames to report, against what is true of it; each bound stands with its reason in ``compare``."""

import os
import subprocess
import sys
from pathlib import Path

import pytest
import yaml
from PIL import Image

from demo_inputs.nights.scene import read_scene
from demo_inputs.simulate import simulate
from tests.truth.compare import Run, all_figures

ROOT = Path(__file__).resolve().parents[2]

pytestmark = pytest.mark.whole_run


@pytest.fixture(scope="module")
def run(tmp_path_factory):
    folder = tmp_path_factory.mktemp("whole run")
    processes = os.cpu_count() or 1
    scene = read_scene(ROOT / "demo_inputs" / "scene.yaml")
    simulate(scene, folder / "frames", nights=[1, 2], truth=folder / "truth", processes=processes)
    config = yaml.safe_load((ROOT / "config" / "demo.yaml").read_text(encoding="utf-8"))
    config["input"]["folders"], config["output"]["folder"] = [str(folder / "frames")], str(folder / "results")
    (folder / "target.yaml").write_text(yaml.safe_dump(config), encoding="utf-8")
    done = subprocess.run(
        [sys.executable, "-m", "pipeline", "run", str(folder / "target.yaml"), "--cores", str(processes)],
        cwd=ROOT, capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stdout[-3000:] + done.stderr[-6000:]
    return Run(folder / "results", folder / "truth", folder / "frames")


def test_every_figure_holds(run):
    broken = [
        f"{f.name}: {f.value:.4f}, bound {f.bound:g} ({f.reason})" for f in all_figures(run) if not f.holds
    ]
    assert not broken, "\n".join(broken)


def test_products_are_where_the_contract_says(run):
    layout = run.layout
    for path in (layout.stack("duo"), layout.flat("town"), layout.line("Ha"), layout.line("OIII"), layout.continuum(),
                 layout.fused(), layout.fused_tiff(), layout.preview(), layout.comparison(), layout.summary(), layout.report()):  # fmt: skip
        assert path.is_file(), path
    with Image.open(layout.preview()) as picture:
        assert "icc_profile" in picture.info
