"""Compile all numba kernels once, before several processes would each try to."""

from importlib import import_module

__all__ = ["KERNEL_MODULES", "warm_all"]

KERNEL_MODULES = (
    "pipeline.numerics.aperture",
    "pipeline.numerics.centroid",
    "pipeline.numerics.combine",
    "pipeline.numerics.drizzle",
    "pipeline.numerics.fill",
    "pipeline.numerics.frame_positions",
    "pipeline.numerics.partial_sum",
    "pipeline.numerics.pixel_rates",
    "pipeline.numerics.rejection",
    "pipeline.numerics.sampler",
    "pipeline.numerics.sampling",
    "pipeline.numerics.separation",
    "pipeline.numerics.simple_rejection",
    "pipeline.numerics.starlet",
)
"""Modules of ours that hold compiled kernels; each has ``warm()``, which calls them on tiny arrays."""


def warm_all():
    """Compile, or load from the cache, every kernel of the package."""
    for name in KERNEL_MODULES:
        import_module(name).warm()
