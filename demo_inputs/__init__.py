"""Simulated nights with known truth, for the demo, the tests and the benchmarks; imports nothing of ``pipeline``."""

import os
from pathlib import Path

# Beside the source, numba's default, fails on a read-only checkout; must be set before numba is imported.
os.environ.setdefault(
    "NUMBA_CACHE_DIR",
    str(Path(os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache") / "duskloom" / "kernels"),
)
