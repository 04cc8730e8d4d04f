"""Work on an image in bands of rows, on as many cores as the job was given."""

import os
from concurrent.futures import ThreadPoolExecutor

__all__ = ["in_bands"]

LEAST_ROWS = 256
"""Smaller bands are not worth a thread."""


def in_bands(work, n_rows, *, rows=None):
    """Call ``work(start, stop)`` for bands that cover ``n_rows`` rows, several at a time.

    The bands must not depend on each other, so that the result is the same whatever the number of cores. Threads help
    where ``work`` lets go of the interpreter, as compiled kernels (``nogil``) and numpy do.

    Parameters
    ----------
    rows : of a band; None for one band a core
    """
    cores = _cores()
    step = rows or max(LEAST_ROWS, -(-n_rows // cores))
    bands = [(start, min(start + step, n_rows)) for start in range(0, n_rows, step)]
    if cores == 1 or len(bands) == 1:
        for band in bands:
            work(*band)
        return
    with ThreadPoolExecutor(cores) as pool:
        for done in [pool.submit(work, *band) for band in bands]:
            done.result()


def _cores():
    """What the workflow allows the job (it says so by OMP_NUM_THREADS), at most the cores there are."""
    there = len(os.sched_getaffinity(0))
    allowed = os.environ.get("OMP_NUM_THREADS", "")
    return max(1, min(there, int(allowed))) if allowed.isdigit() else there
