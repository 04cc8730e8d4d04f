"""How surely there is line light at a place: the map that tells gas from noise."""

import numpy as np

from pipeline.numerics.gaussian import blurred
from pipeline.numerics.stack_stars import SIGMA_PER_FWHM

__all__ = ["significance"]

LEAST_FWHM_PX = 2.0
"""Narrowest window: about what a pixel of a stack is resolved to."""

LEAST_SHARE = 0.25
"""Share of the window that must hold data."""


def significance(line, variance, fwhm):
    """Mean of the line under a window of the width of a star, over the standard error of that mean.

    With window g and known pixels k:  S = sum(g k L) / sqrt(sum(g^2 k V)).  g^2 of a Gaussian of sigma s is a Gaussian
    of sigma s / sqrt 2 times 1 / (4 pi s^2). Without gas S is normally distributed with standard deviation 1.

    Parameters
    ----------
    line, variance : (ny, nx) float32; equivalent uncorrelated variance, NaN where nothing is known
    fwhm : of the stars, pixels; NaN takes the narrowest window

    Returns
    -------
    (ny, nx) float32, dimensionless; NaN where less than a quarter of the window is known
    """
    sigma = max(fwhm if np.isfinite(fwhm) else 0.0, LEAST_FWHM_PX) * SIGMA_PER_FWHM
    known = np.isfinite(variance)
    whole = bool(known.all())
    total = blurred(line if whole else np.where(known, line, np.float32(0)), sigma)
    noise = blurred(variance if whole else np.where(known, variance, np.float32(0)), sigma / np.sqrt(2.0))
    noise = np.sqrt(np.maximum(noise, 0.0, out=noise), out=noise) / np.float32(np.sqrt(4 * np.pi) * sigma)
    out = np.divide(total, noise, out=np.zeros_like(total), where=noise > 0)
    if not whole:
        out[blurred(known.astype(np.float32), sigma) < LEAST_SHARE] = np.nan
    return out
