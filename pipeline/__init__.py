"""Duskloom: from nights of raw colour frames through two filters to one measured, fused picture."""

import os
from pathlib import Path

from pipeline.kernel_cache import kernel_folder

__all__ = ["PROJECT_ROOT", "__version__"]

__version__ = "0.1.0"

PROJECT_ROOT = Path(__file__).resolve().parent.parent
"""Folder that holds the Snakefile; the package is run from a checkout, not from an installed wheel."""

# numba decides where compiled kernels go when it is imported, and its default (beside the source) fails on
# a read-only checkout; so the place is settled here, before any module of ours can import numba.
os.environ.setdefault("NUMBA_CACHE_DIR", str(kernel_folder(PROJECT_ROOT / "pipeline" / "numerics")))

# Sums of linear algebra depend on the number of threads they are split over, results must not. The workflow tells a job's
# libraries to use all of its cores; numpy reads this when it is first imported, which is after this module in every job.
for _variable in ("OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ[_variable] = "1"
