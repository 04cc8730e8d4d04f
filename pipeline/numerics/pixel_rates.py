"""Raw numbers to electrons per second in one compiled pass over a part of a frame."""

import numpy as np
from numba import njit

__all__ = ["pixel_rates", "warm"]


def pixel_rates(raw, pedestal, flat, invalid, *, factor, saturation=None):
    """Rate g (L - D) / F / t of every pixel, with what cannot be used marked in it.

    Parameters
    ----------
    raw : (h, w) uint16, int32 or float32, ADU, native byte order
    pedestal, flat : (h, w) float32, or numbers
    invalid : (h, w) bool
    factor : electrons per ADU and second, g / t
    saturation : ADU from which a pixel is not trusted, or None

    Returns
    -------
    (h, w) float32; NaN where invalid, infinity where saturated
    """
    rates = np.empty(raw.shape, dtype=np.float32)
    pedestal, flat = (np.atleast_2d(np.asarray(plane, dtype=np.float32)) for plane in (pedestal, flat))
    if flat.size == 1:
        factor, flat = factor / float(flat[0, 0]), None
    if pedestal.size == 1:
        pedestal = np.full((1, raw.shape[1]), pedestal[0, 0])
    level = np.float32(np.inf if saturation is None else saturation)
    if flat is None:
        _even(raw, pedestal, invalid, np.float32(factor), level, rates)
    else:
        _flattened(raw, pedestal, flat, invalid, np.float32(factor), level, rates)
    return rates


def warm():
    """Compile the kernels of this module for what cameras write."""
    plane = np.ones((2, 2), dtype=np.float32)
    for kind in (np.uint16, np.int32, np.float32):
        for flat in (1.0, plane):
            pixel_rates(plane.astype(kind), 0.0, flat, plane < 0, factor=1.0)


@njit(cache=True, nogil=True, error_model="numpy")
def _even(raw, pedestal, invalid, factor, level, rates):
    last = pedestal.shape[0] - 1
    for row in range(raw.shape[0]):
        line, dark, bad, out = raw[row], pedestal[min(row, last)], invalid[row], rates[row]
        for column in range(line.size):
            number = np.float32(line[column])
            rate = (number - dark[column]) * factor
            rate = np.float32(np.inf) if number >= level else rate
            out[column] = np.float32(np.nan) if bad[column] else rate


@njit(cache=True, nogil=True, error_model="numpy")
def _flattened(raw, pedestal, flat, invalid, factor, level, rates):
    last = pedestal.shape[0] - 1
    for row in range(raw.shape[0]):
        line, dark, even, out = raw[row], pedestal[min(row, last)], flat[row], rates[row]
        bad = invalid[row]
        for column in range(line.size):
            number = np.float32(line[column])
            rate = (number - dark[column]) * factor / even[column]
            rate = np.float32(np.inf) if number >= level else rate
            out[column] = np.float32(np.nan) if bad[column] else rate
