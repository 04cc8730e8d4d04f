"""Bad pixels: those that stand out from their neighbourhood in a master, or do not hold still."""

import numpy as np
from scipy import ndimage

from pipeline.numerics.robust import mad_std

__all__ = ["deviant_of_flat", "hot_and_cold", "unstable"]

NEIGHBOURHOOD_PX = 5
"""Edge of the median filter: smooth structure like amplifier glow passes; single pixels, pairs and columns stand
out."""

LEAST_SCATTER_ADU = 0.3
"""Standard deviation of rounding to whole ADU; the scatter of a master made of one frame cannot be less."""

SAMPLE_STRIDE = 3
"""Every so many rows and columns count for the scatter; odd, so that all places of the colour pattern do."""

LEAST_FRAMES = 6
"""The scatter of fewer values is too uncertain to call a pixel unstable."""


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
    away = master - ndimage.median_filter(master, size=NEIGHBOURHOOD_PX, mode="mirror")
    scatter = max(mad_std(away[::SAMPLE_STRIDE, ::SAMPLE_STRIDE]), LEAST_SCATTER_ADU)
    return np.abs(away) > np.float32(sigma * scatter)


def unstable(variance, count, *, sigma):
    """Pixels whose values in the frames of a dark or bias scatter far more than usual.

    Parameters
    ----------
    variance : (ny, nx) of the mean, ADU^2
    count : (ny, nx) values that made it
    sigma : the standard deviation counts as unusual above half as many times its median; the scatter of
        ``LEAST_FRAMES`` values of a normal distribution stays below 3 times in all but one pixel of a billion

    Returns
    -------
    (ny, nx) bool
    """
    if np.median(count[::SAMPLE_STRIDE, ::SAMPLE_STRIDE]) < LEAST_FRAMES:
        return np.zeros(variance.shape, dtype=bool)
    single = variance * count
    usual = np.nanmedian(single[::SAMPLE_STRIDE, ::SAMPLE_STRIDE])
    return single > np.float32((sigma / 2) ** 2 * max(usual, LEAST_SCATTER_ADU**2))


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
