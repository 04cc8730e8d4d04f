"""A part of an image, evenly spread over it, that tells medians and quantiles as well as the whole and much sooner."""

import numpy as np

__all__ = ["PIXELS", "every_nth", "usual"]

PIXELS = 1_000_000
"""Pixels that know a median to 0.13 % of the scatter (sqrt(pi / 2 / n))."""


def every_nth(plane, wanted=PIXELS):
    """View of every n-th row and column of the last two axes, with about ``wanted`` places or, if there are fewer, all."""
    ny, nx = plane.shape[-2:]
    step = max(1, int(np.ceil(np.sqrt(ny * nx / wanted))))
    return plane[..., ::step, ::step]


def usual(plane):
    """Median of the known, finite values of a plane, from a part of it; NaN where there are none."""
    some = every_nth(plane)
    some = some[np.isfinite(some)]
    if not some.size:
        some = plane[np.isfinite(plane)]
    return float(np.median(some)) if some.size else np.nan
