"""Compile all numba kernels once, before several processes would each try to."""

from importlib import import_module

__all__ = ["KERNEL_MODULES", "warm_all"]

KERNEL_MODULES = (
    "pipeline.numerics.aperture",
    "pipeline.numerics.centroid",
    "pipeline.numerics.combine",
    "pipeline.numerics.combine_light",
    "pipeline.numerics.defects",
    "pipeline.numerics.drizzle",
    "pipeline.numerics.fill",
    "pipeline.numerics.frame_positions",
    "pipeline.numerics.half_grid",
    "pipeline.numerics.partial_sum",
    "pipeline.numerics.raw_to_rate",
    "pipeline.numerics.rejection",
    "pipeline.numerics.repair",
    "pipeline.numerics.sampler",
    "pipeline.numerics.sampling",
    "pipeline.numerics.separation",
    "pipeline.numerics.simple_rejection",
    "pipeline.numerics.starlet",
    "pipeline.numerics.stretch",
    "pipeline.numerics.trails",
)
"""Modules of ours that hold compiled kernels; each has ``warm()``, which calls them on tiny arrays."""


def warm_all():
    """Compile, or load from the cache, every kernel of the package."""
    for name in KERNEL_MODULES:
        import_module(name).warm()
