"""The folder of compiled kernels changes with all code that they are made of, and with nothing else."""

import subprocess
import sys
from pathlib import Path

from pipeline import PROJECT_ROOT
from pipeline.kernel_cache import kernel_folder


def test_a_constant_of_another_module_gives_another_folder(tmp_path, monkeypatch):
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))
    kernel, constants, apart = (tmp_path / f"{name}.py" for name in ("kernel", "constants", "apart"))
    kernel.write_text(
        "from pipeline.numerics.constants import WIDTH\n\n@njit(cache=True)\ndef f(): return WIDTH\n"
    )
    constants.write_text("WIDTH = 3\n")
    apart.write_text("HEIGHT = 3\n")
    first = kernel_folder(tmp_path)
    assert first.parent == tmp_path / "cache" / "duskloom" / "kernels"
    apart.write_text("HEIGHT = 4\n")
    assert kernel_folder(tmp_path) == first
    constants.write_text("WIDTH = 4\n")
    second = kernel_folder(tmp_path)
    assert second != first
    kernel.write_text(kernel.read_text() + "# more\n")
    assert kernel_folder(tmp_path) not in (first, second)


def test_without_a_cache_of_its_own_it_is_below_the_home(tmp_path, monkeypatch):
    monkeypatch.delenv("XDG_CACHE_HOME", raising=False)
    monkeypatch.setattr(Path, "home", lambda: tmp_path)
    assert kernel_folder(tmp_path).parent == tmp_path / ".cache" / "duskloom" / "kernels"


SUM_OF_A_SESSION = """
import sys
import numpy as np
from numba.core.dispatcher import Dispatcher
from pipeline.kernels import warm_all
from pipeline.numerics.cfa import Cfa
from pipeline.numerics.frame_positions import Placement
from pipeline.numerics.pose import Pose
from pipeline.numerics.raw_to_rate import marked_rate
from pipeline.numerics.rejection import Thresholds
from pipeline.numerics.relative_background import SampleGrid
from pipeline.numerics.sampler import Sampler
from pipeline.numerics.session_sum import StackFrame, sum_frames
from pipeline.numerics.surface import PolynomialSurface

def compiled():
    return {
        (module, name): set(map(str, kernel.signatures))
        for module, content in list(sys.modules.items()) if module.startswith("pipeline.")
        for name, kernel in vars(content).items() if isinstance(kernel, Dispatcher)
    }

warm_all()
before = compiled()
shape = (300, 700)
raw, ones, good = np.full(shape, 900, dtype=np.uint16), np.ones(shape, dtype=np.float32), np.zeros(shape, dtype=bool)
raw[100, 100] = 20000

def load(rows, columns):
    part = np.s_[slice(*rows), slice(*columns)]
    return marked_rate(raw[part].copy(), ones[part], ones[part], good[part], 0.01, level=60000)

grid = SampleGrid.over(shape)
frames = [
    StackFrame(
        Placement(Pose.from_matrix([[1, 0, shift], [0, 1, 0]], shape), np.zeros((3, 2, 3))), 60.0, 3.0, np.ones(3), np.ones(3),
        [PolynomialSurface(0, np.zeros(1), 0.0, 0.0, 1.0)] * 3, np.full((3, *grid.cells), 0.01), load, 600.0,
    )
    for shift in (0.0, 3.3, 5.8)
]
for kernel in ("drizzle", "ringless"):
    sum_frames(
        frames, Cfa("RGGB"), shape, grid, np.full((3, *grid.cells), 9.0), sampler=Sampler(kernel), thresholds=Thresholds(),
        budget_bytes=5e6,
    )
print({name: kinds - before.get(name, set()) for name, kinds in compiled().items() if kinds - before.get(name, set())})
"""


def test_a_session_compiles_nothing_that_install_has_not():
    done = subprocess.run(
        [sys.executable, "-c", SUM_OF_A_SESSION],
        cwd=PROJECT_ROOT,
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    assert done.stdout.strip() == "{}"
