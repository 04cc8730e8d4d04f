"""Pixels that do not show the sky: known bad ones, and lone spikes; repaired so that stars can be looked for.

Compiled, since every pixel of a frame is looked at; all but a few are done with after four comparisons.
"""

import numpy as np
from numba import njit

__all__ = ["find_spikes", "repair_pixels", "warm"]

NEIGHBOUR_FRACTION = 0.10
"""A lone spike's eight neighbours average less than this part of it; a star of FWHM 1.6 px on the centre of a
pixel gives 0.23, and any wider or off-centre star more (Gaussian profile)."""

SAME_COLOUR_FRACTION = 0.10
"""The same for the four neighbours two pixels away, which on a colour array have the spike's own colour; it
keeps a strongly coloured star, whose direct neighbours are dark, as soon as its FWHM exceeds 2.2 px."""

HIDDEN_SIGMA = 2.0
"""The noise of a neighbour may hide that it is empty by so many standard deviations."""

LEVEL_REACH = 3
"""Half width of the square around a suspect whose samples, beyond its direct neighbours, give the level of each
place in the 2 x 2 cell: eight to twelve samples each."""


def find_spikes(frame, noise, *, sigma):
    """Lone pixels far above all their neighbours: particle hits and unstable hot pixels.

    Parameters
    ----------
    frame : (ny, nx) float32
    noise : (2, 2) standard deviation of a sky pixel at each place of the 2 x 2 cell, same unit
    sigma : least height, in noise

    Returns
    -------
    (n, 2) int64, row and column of each
    """
    noise = np.ascontiguousarray(noise, dtype=np.float64)
    if min(frame.shape) < 2 * LEVEL_REACH + 2:
        return np.zeros((0, 2), dtype=np.int64)
    return _spikes(frame, noise, float(sigma))


def repair_pixels(frame, bad, cfa, places=None):
    """Replace bad pixels by the median of the good ones of the same colour around them, in place.

    Parameters
    ----------
    frame : (ny, nx) float32, changed in place
    bad : (ny, nx) bool
    cfa : Cfa
    places : (n, 2) int, row and column of those to replace; all that are bad by default

    Notes
    -----
    Where the whole neighbourhood is bad, the median of the good pixels at that place of the 2 x 2 cell is taken.
    """
    lonely = _repair(frame, bad, _places(bad) if places is None else places, 1 if cfa.is_mono else 2)
    if len(lonely):
        medians = _cell_medians(frame, bad)
        frame[tuple(lonely.T)] = medians[tuple(lonely.T % 2)]


def warm():
    """Compile the kernels."""
    frame = np.zeros((10, 10), dtype=np.float32)
    _spikes(frame, np.ones((2, 2)), 8.0)
    bad = np.eye(10, dtype=np.bool_)
    _repair(frame, bad, _places(bad), 2)


@njit(cache=True, nogil=True)
def _spikes(frame, noise, sigma):
    ny, nx = frame.shape
    # From the two tests below: the peak exceeds its far neighbours by at least this much.
    least = ((1.0 - SAME_COLOUR_FRACTION) * sigma - HIDDEN_SIGMA) * noise
    found = []
    for row in range(ny):
        up, down = row - 2 if row >= 2 else row + 2, row + 2 if row < ny - 2 else row - 2
        for column in range(nx):
            value = frame[row, column]
            rise = np.float32(least[row % 2, column % 2])
            if value - frame[up, column] <= rise or value - frame[down, column] <= rise:
                continue
            left = column - 2 if column >= 2 else column + 2
            right = column + 2 if column < nx - 2 else column - 2
            if value - frame[row, left] <= rise or value - frame[row, right] <= rise:
                continue
            if _is_lone(frame, row, column, (up, down, left, right), noise[row % 2, column % 2], sigma):
                found.append((row, column))
    out = np.empty((len(found), 2), dtype=np.int64)
    for k in range(len(found)):
        out[k, 0], out[k, 1] = found[k]
    return out


@njit(cache=True)
def _is_lone(frame, row, column, far, noise, sigma):
    """Both tests, about the local level of each place in the cell."""
    ny, nx = frame.shape
    levels = np.empty((2, 2))
    samples = np.empty((2 * LEVEL_REACH + 1) ** 2)
    for py in range(2):
        for px in range(2):
            count = 0
            for dy in range(-LEVEL_REACH, LEVEL_REACH + 1):
                for dx in range(-LEVEL_REACH, LEVEL_REACH + 1):
                    y, x = row + dy, column + dx
                    if (abs(dy) <= 1 and abs(dx) <= 1) or (y % 2, x % 2) != (py, px):
                        continue
                    if 0 <= y < ny and 0 <= x < nx:
                        samples[count] = frame[y, x]
                        count += 1
            levels[py, px] = np.median(samples[:count])
    own = levels[row % 2, column % 2]
    peak = frame[row, column] - own
    if not peak > sigma * noise:
        return False
    near = 0.0
    count = 0
    for y in range(max(0, row - 1), min(ny, row + 2)):
        for x in range(max(0, column - 1), min(nx, column + 2)):
            if y != row or x != column:
                near += frame[y, x] - levels[y % 2, x % 2]
                count += 1
    up, down, left, right = far
    highest = max(max(frame[up, column], frame[down, column]), max(frame[row, left], frame[row, right]))
    hidden = SAME_COLOUR_FRACTION * peak + HIDDEN_SIGMA * noise
    return near / count < NEIGHBOUR_FRACTION * peak and highest - own < hidden


@njit(cache=True, nogil=True)
def _places(mask):
    """(n, 2) row and column of what is True; np.argwhere of a large mask takes several times as long."""
    out = np.empty((np.count_nonzero(mask), 2), dtype=np.int64)
    count = 0
    for row in range(mask.shape[0]):
        for column in range(mask.shape[1]):
            if mask[row, column]:
                out[count, 0], out[count, 1] = row, column
                count += 1
    return out


@njit(cache=True, nogil=True)
def _repair(frame, bad, places, step):
    """Fill from the ring of the same colour; returns the places without any good neighbour."""
    ny, nx = frame.shape
    ring = np.empty(8)
    lonely = np.empty_like(places)
    n_lonely = 0
    for k in range(len(places)):
        row, column = places[k]
        count = 0
        for dy in (-step, 0, step):
            for dx in (-step, 0, step):
                y, x = row + dy, column + dx
                if (dy != 0 or dx != 0) and 0 <= y < ny and 0 <= x < nx and not bad[y, x]:
                    ring[count] = frame[y, x]
                    count += 1
        if count > 0:
            frame[row, column] = np.median(ring[:count])
        else:
            lonely[n_lonely] = places[k]
            n_lonely += 1
    return lonely[:n_lonely]


def _cell_medians(frame, bad):
    """(2, 2) median of the good pixels of each place in the cell; 0 where none is good."""
    medians = np.zeros((2, 2), dtype=np.float32)
    for dy in (0, 1):
        for dx in (0, 1):
            good = frame[dy::2, dx::2][~bad[dy::2, dx::2]]
            medians[dy, dx] = np.median(good) if good.size else 0.0
    return medians
