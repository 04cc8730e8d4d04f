"""Linear algebra gives the same bytes whatever number of threads the workflow allows a job."""

import os
import subprocess
import sys

from pipeline import PROJECT_ROOT

SUMS = """
import pipeline
import hashlib, numpy as np
rng = np.random.default_rng(1)
design, target = rng.normal(size=(100_001, 12)), rng.normal(size=(100_001, 5))
found = design.T @ target, np.linalg.lstsq(design, target, rcond=None)[0], design @ design[:12]
print(hashlib.sha256(b"".join(part.tobytes() for part in found)).hexdigest())
"""


def test_the_cores_of_a_job_do_not_change_sums_of_linear_algebra():
    """As in a job: the package is imported before numpy, in an environment that the workflow has set."""
    found = set()
    for threads in ("1", "2", "3"):
        names = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS")
        environment = {**os.environ, **dict.fromkeys(names, threads), "PYTHONPATH": str(PROJECT_ROOT)}
        command = [sys.executable, "-c", SUMS]
        done = subprocess.run(command, env=environment, capture_output=True, text=True, check=True)
        found.add(done.stdout)
    assert len(found) == 1
