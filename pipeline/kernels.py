"""Compile all numba kernels once, before several processes would each try to."""

import os
from concurrent.futures import ProcessPoolExecutor
from importlib import import_module
from multiprocessing import get_context

from pipeline.kernel_cache import folder_is_writable

__all__ = ["KERNEL_MODULES", "warm_all"]

KERNEL_MODULES = (
    "pipeline.numerics.aperture",
    "pipeline.numerics.centroid",
    "pipeline.numerics.combine",
    "pipeline.numerics.combine_light",
    "pipeline.numerics.defects",
    "pipeline.numerics.discs",
    "pipeline.numerics.drizzle",
    "pipeline.numerics.drop_lookup",
    "pipeline.numerics.fill",
    "pipeline.numerics.frame_positions",
    "pipeline.numerics.gaussian",
    "pipeline.numerics.half_grid",
    "pipeline.numerics.packed_sum",
    "pipeline.numerics.raw_to_rate",
    "pipeline.numerics.rejection",
    "pipeline.numerics.repair",
    "pipeline.numerics.sampler",
    "pipeline.numerics.sampling",
    "pipeline.numerics.sector_steps",
    "pipeline.numerics.separation",
    "pipeline.numerics.simple_rejection",
    "pipeline.numerics.sky_cells",
    "pipeline.numerics.small_kernel",
    "pipeline.numerics.sparse_sampling",
    "pipeline.numerics.star_cores",
    "pipeline.numerics.starlet",
    "pipeline.numerics.stretch",
    "pipeline.numerics.trails",
    "pipeline.numerics.weighted_sum",
)
"""Modules of ours that hold compiled kernels; each has ``warm()``, which calls them on tiny arrays."""


def warm_all(*, processes=1):
    """Compile, or load from the cache, every kernel of the package, in so many processes side by side."""
    if processes == 1:
        for name in KERNEL_MODULES:
            _warm(name)
        return
    # Cache files are replaced as a whole, so two processes that need the same kernel do no harm.
    with ProcessPoolExecutor(processes, mp_context=get_context("spawn")) as pool:
        list(pool.map(_warm, KERNEL_MODULES))


def _warm(name):
    import_module(name).warm()


if __name__ == "__main__":
    # Otherwise each run keeps them in its output folder.
    if folder_is_writable():
        warm_all(processes=len(os.sched_getaffinity(0)))
