"""Compile all numba kernels once, before several processes would each try to."""

from importlib import import_module

__all__ = ["KERNEL_MODULES", "warm_all"]

KERNEL_MODULES = (
    "pipeline.numerics.aperture",
    "pipeline.numerics.centroid",
    "pipeline.numerics.combine",
    "pipeline.numerics.combine_light",
    "pipeline.numerics.fill",
    "pipeline.numerics.frame_positions",
    "pipeline.numerics.partial_sum",
    "pipeline.numerics.rejection",
    "pipeline.numerics.sampling",
    "pipeline.numerics.separation",
    "pipeline.numerics.session_sum",
    "pipeline.numerics.starlet",
    "pipeline.numerics.stretch",
)
"""Modules of ours that hold compiled kernels; each has ``warm()``, which calls them on tiny arrays."""


def warm_all():
    """Compile, or load from the cache, every kernel of the package."""
    for name in KERNEL_MODULES:
        import_module(name).warm()
