"""Gaussian smoothing of large planes, band by band on the cores that the job was given."""

import numpy as np
from scipy import ndimage

from pipeline.numerics.bands import in_bands

__all__ = ["blurred"]

TRUNCATE_SIGMA = 4.0
"""Reach of the kernel: the default of scipy, which leaves out 6e-5 of its weight."""

BAND_ROWS = 256
"""Rows that are smoothed at a time: many times the reach, so that little is computed twice."""


def blurred(plane, sigma):
    """``plane`` convolved with a Gaussian, as by :func:`scipy.ndimage.gaussian_filter`; edges continue by reflection.

    Parameters
    ----------
    plane : (ny, nx) float32
    sigma : pixels

    Returns
    -------
    (ny, nx) float32; the same bytes whatever the number of cores
    """
    plane = np.asarray(plane, dtype=np.float32)
    reach = int(TRUNCATE_SIGMA * sigma + 0.5)
    out = np.empty_like(plane)

    def band(start, stop):
        low, high = max(start - reach, 0), min(stop + reach, len(plane))
        part = ndimage.gaussian_filter(plane[low:high], sigma, truncate=TRUNCATE_SIGMA)
        out[start:stop] = part[start - low : stop - low]

    in_bands(band, len(plane), rows=max(BAND_ROWS, reach))
    return out
