"""Bad pixels: those that stand out from their neighbourhood in a master."""

import numpy as np
from scipy import ndimage

from pipeline.numerics.robust import mad_std

__all__ = ["deviant_of_flat", "hot_and_cold"]

NEIGHBOURHOOD_PX = 5
"""Edge of the median filter: smooth structure like amplifier glow passes, single pixels and pairs stand out."""

MOST_BAD = 0.02
"""More than this share of a sensor is not a list of bad pixels but a wrong threshold: only the worst are kept."""


def hot_and_cold(master, *, sigma):
    """Pixels of a dark or bias master that are hot or cold.

    Parameters
    ----------
    master : (ny, nx) float32, ADU
    sigma : limit in units of the robust scatter about the local median

    Returns
    -------
    (ny, nx) bool
    """
    away = np.abs(master - ndimage.median_filter(master, size=NEIGHBOURHOOD_PX, mode="mirror"))
    scatter = mad_std(master - ndimage.uniform_filter(master.astype(np.float64), 9 * NEIGHBOURHOOD_PX, mode="mirror"))
    limit = sigma * scatter
    if np.count_nonzero(away > limit) > MOST_BAD * master.size:
        limit = np.quantile(away, 1 - MOST_BAD)
    return away > limit


def deviant_of_flat(flat, cfa, *, share):
    """Pixels of a normalised flat that respond unlike their neighbours of the same colour.

    Parameters
    ----------
    flat : (ny, nx) float32, about 1
    cfa : Cfa
    share : limit of the relative difference

    Returns
    -------
    (ny, nx) bool
    """
    bad = np.zeros(flat.shape, dtype=bool)
    step = 1 if cfa.is_mono else 2
    for dy in range(step):
        for dx in range(step):
            plane = flat[dy::step, dx::step]
            usual = ndimage.median_filter(plane, size=NEIGHBOURHOOD_PX, mode="mirror")
            bad[dy::step, dx::step] = ~(np.abs(plane - usual) <= share * usual)
    return bad
