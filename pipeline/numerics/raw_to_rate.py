"""Raw numbers to electrons per second, in one pass over the pixels and without intermediate images."""

import numpy as np
from numba import njit

__all__ = ["marked_rate", "raw_to_rate", "warm"]


def raw_to_rate(raw, pedestal, flat, invalid, factor, *, level):
    """r = g (L - D) / (F t), and which pixels are not to be relied on.

    Parameters
    ----------
    raw : (ny, nx) of any real kind, ADU
    pedestal : (ny, nx) float32 or number, ADU
    flat : (ny, nx) float32 or number
    invalid : (ny, nx) bool, pixels known to be bad
    factor : g / t, electrons per ADU over the exposure in seconds
    level : ADU from which a pixel counts as saturated, or None

    Returns
    -------
    rate : (ny, nx) float32, electron/s
    invalid, saturated : (ny, nx) bool; what is not finite is invalid
    """
    return _raw_to_rate(*_arguments(raw, pedestal, flat, invalid, factor, level))


def marked_rate(raw, pedestal, flat, invalid, factor, *, level):
    """The same (ny, nx) float32 alone: NaN where invalid, infinity where saturated."""
    return _marked_rate(*_arguments(raw, pedestal, flat, invalid, factor, level))


def warm():
    """Compile the kernel for what cameras write, with and without masters."""
    nothing = np.zeros((4, 4), dtype=np.bool_)
    plane = np.ones((4, 4), dtype=np.float32)
    for kind in (np.uint16, np.int32, np.float32):
        for kernel in (raw_to_rate, marked_rate):
            kernel(np.ones((4, 4), dtype=kind), plane, plane, nothing, 1.0, level=None)
        # Of a part of a frame, which parts of the masters go with.
        part = np.s_[:, :3]
        marked_rate(np.ones((4, 3), dtype=kind), plane[part], plane[part], nothing[part], 1.0, level=None)


def _arguments(raw, pedestal, flat, invalid, factor, level):
    """What both kernels take."""
    return (
        raw,
        _rows(pedestal, raw.shape[1]),
        _rows(flat, raw.shape[1]),
        invalid,
        np.float32(factor),
        np.float32(np.inf if level is None else level),
    )


def _rows(value, nx):
    """A number becomes a single row, which then stands for all."""
    return value if isinstance(value, np.ndarray) else np.full((1, nx), value, dtype=np.float32)


# With the error model of numpy a division is not guarded, so the inner loop runs on several pixels at a time.
@njit(cache=True, nogil=True, error_model="numpy")
def _raw_to_rate(raw, pedestal, flat, invalid, factor, level):
    ny, nx = raw.shape
    rate = np.empty((ny, nx), dtype=np.float32)
    bad, saturated = np.empty((ny, nx), dtype=np.bool_), np.empty((ny, nx), dtype=np.bool_)
    infinite = np.float32(np.inf)
    for row in range(ny):
        below = pedestal[row if pedestal.shape[0] > 1 else 0]
        seen = flat[row if flat.shape[0] > 1 else 0]
        numbers, known_bad = raw[row], invalid[row]
        rates, bads, full = rate[row], bad[row], saturated[row]
        for column in range(nx):
            number = np.float32(numbers[column])
            value = (number - below[column]) * factor / seen[column]
            rates[column] = value
            # Neither infinite nor NaN, which compares as false.
            bads[column] = known_bad[column] | (not abs(value) < infinite)
            full[column] = number >= level
    return rate, bad, saturated


@njit(cache=True, nogil=True, error_model="numpy")
def _marked_rate(raw, pedestal, flat, invalid, factor, level):
    ny, nx = raw.shape
    rate = np.empty((ny, nx), dtype=np.float32)
    infinite, nothing = np.float32(np.inf), np.float32(np.nan)
    for row in range(ny):
        below = pedestal[row if pedestal.shape[0] > 1 else 0]
        seen = flat[row if flat.shape[0] > 1 else 0]
        numbers, known_bad, rates = raw[row], invalid[row], rate[row]
        for column in range(nx):
            number = np.float32(numbers[column])
            value = (number - below[column]) * factor / seen[column]
            bad = known_bad[column] | (not abs(value) < infinite)
            value = infinite if number >= level else value
            rates[column] = nothing if bad else value
    return rate
