"""Fill the masked pixels of an image smoothly from what surrounds them."""

import numpy as np
from numba import njit
from scipy import ndimage

from pipeline.numerics.bands import in_bands

__all__ = ["enclosed", "filled", "warm"]

RELAXATIONS = 30
"""Averaging passes after each doubling of the scale; they turn blocks into slopes (30 reach about 5 pixels,
more than the two pixels by which one scale differs from the next)."""

BAND_ROWS = 256
"""Rows that a core is given at a time. Where they are relaxed they stay in the cache through all passes, and are many times those
beyond them that have to be relaxed with them."""


def enclosed(mask):
    """Of the masked pixels, those in patches that do not touch the border of the image.

    Parameters
    ----------
    mask : (ny, nx) bool

    Returns
    -------
    (ny, nx) bool
    """
    if not mask.any():
        return np.zeros(mask.shape, dtype=bool)
    labels, count = ndimage.label(mask)
    outer = np.zeros(count + 1, dtype=bool)
    outer[0] = True  # what is not masked
    for edge in (labels[0], labels[-1], labels[:, 0], labels[:, -1]):
        outer[edge] = True
    return ~outer[labels]


def filled(image, mask):
    """``image`` with masked pixels replaced by a smooth interpolation.

    Averages of the known pixels are taken at scales 2, 4, 8, ... until each hole is closed, and handed back
    down, where every pass replaces a masked pixel by the mean of its four neighbours (relaxation of
    Laplace's equation, whose solution has no extremum inside a hole).

    Parameters
    ----------
    image : (ny, nx) ndarray
    mask : (ny, nx) bool, True where the value is to be replaced

    Returns
    -------
    (ny, nx) ndarray, dtype of ``image``; known pixels are unchanged; all 0 if nothing is known
    """
    mask = np.asarray(mask, dtype=bool)
    if not mask.any():
        return image.copy()
    if mask.all():
        return np.zeros_like(image)
    work = np.empty(image.shape, dtype=image.dtype)
    in_bands(lambda start, stop: np.copyto(work[start:stop], image[start:stop]), len(work), rows=BAND_ROWS)
    return _fill_level(work, np.ascontiguousarray(mask))


def _fill_level(image, mask):
    """Fill at one scale, in place: a first guess from the next coarser one, then relaxation."""
    halved = tuple((side + 1) // 2 for side in image.shape)
    coarse, open_blocks = np.zeros(halved), np.zeros(halved, dtype=bool)
    in_bands(
        lambda start, stop: _halve(image, mask, coarse, open_blocks, start, stop), len(coarse), rows=BAND_ROWS
    )
    if open_blocks.any():
        coarse = _fill_level(coarse, open_blocks)
    runs = _runs(mask)
    _spread(image, coarse, runs)
    _relax(image, runs)
    return image


def _relax(image, runs):
    """Replace, all at once and several times, the pixels of runs by the mean of their neighbours; edges repeat."""
    if not len(runs):
        return
    relaxed = np.empty(runs[-1, 3] + runs[-1, 2] - runs[-1, 1], dtype=image.dtype)
    in_bands(
        lambda start, stop: _relax_rows(image, runs, relaxed, RELAXATIONS, start, stop),
        len(image),
        rows=BAND_ROWS,
    )
    _put_back(image, runs, relaxed)


def warm():
    """Compile the kernel."""
    for dtype in (np.float32, np.float64):
        filled(np.ones((4, 4), dtype=dtype), np.eye(4, dtype=bool))


@njit(cache=True, nogil=True)
def _halve(image, mask, means, empty, start, stop):
    """Mean of the known pixels of each block of 2 x 2, float64, and where there is none, for some rows of blocks."""
    ny, nx = image.shape
    for y in range(start, stop):
        for x in range(means.shape[1]):
            total, count = 0.0, 0
            for j in range(2 * y, min(2 * y + 2, ny)):
                for i in range(2 * x, min(2 * x + 2, nx)):
                    if not mask[j, i]:
                        total += image[j, i]
                        count += 1
            if count:
                means[y, x] = total / count
            else:
                empty[y, x] = True


@njit(cache=True, nogil=True)
def _runs(mask):
    """(n, 4) int64 runs of masked pixels in a row: row, first and stop column, and how many are masked before."""
    ny, nx = mask.shape
    count = 0
    for y in range(ny):
        before = False
        for x in range(nx):
            count += mask[y, x] and not before
            before = mask[y, x]
    runs = np.empty((count, 4), dtype=np.int64)
    k, masked = -1, 0
    for y in range(ny):
        before = False
        for x in range(nx):
            if mask[y, x]:
                if not before:
                    k += 1
                    runs[k, 0], runs[k, 1], runs[k, 3] = y, x, masked
                runs[k, 2] = x + 1
                masked += 1
            before = mask[y, x]
    return runs


@njit(cache=True, nogil=True)
def _spread(image, coarse, runs):
    """Give the pixels of runs the values of the next coarser scale."""
    for k in range(len(runs)):
        for x in range(runs[k, 1], runs[k, 2]):
            image[runs[k, 0], x] = coarse[runs[k, 0] // 2, x // 2]


@njit(cache=True, nogil=True)
def _relax_rows(image, runs, relaxed, passes, start, stop):
    """What the pixels of runs in some rows become, into their places in ``relaxed``.

    A pass carries what a pixel holds one row further: with as many rows at either side as there are passes, those in between
    do not know that the others are not there.
    """
    low, high = max(start - passes, 0), min(stop + passes, len(image))
    part = image[low:high].copy()
    near = runs[np.searchsorted(runs[:, 0], low) : np.searchsorted(runs[:, 0], high)].copy()
    if not len(near):
        return
    before = near[0, 3]
    near[:, 0] -= low
    near[:, 3] -= before
    means = np.empty(near[-1, 3] + near[-1, 2] - near[-1, 1], dtype=image.dtype)
    for _ in range(passes):
        _average(part, near, means)
        _put_back(part, near, means)
    for k in range(len(near)):
        if start <= near[k, 0] + low < stop:
            place = near[k, 3] - near[k, 1]
            for x in range(near[k, 1], near[k, 2]):
                relaxed[before + place + x] = means[place + x]


@njit(cache=True, nogil=True)
def _average(image, runs, means):
    """Mean of the four neighbours of each pixel of runs, into its place in ``means``."""
    ny, nx = image.shape
    for k in range(len(runs)):
        y, place = runs[k, 0], runs[k, 3] - runs[k, 1]
        above, below = max(y - 1, 0), min(y + 1, ny - 1)
        for x in range(runs[k, 1], runs[k, 2]):
            means[place + x] = 0.25 * (
                image[above, x] + image[below, x] + image[y, max(x - 1, 0)] + image[y, min(x + 1, nx - 1)]
            )


@njit(cache=True, nogil=True)
def _put_back(image, runs, means):
    for k in range(len(runs)):
        place = runs[k, 3] - runs[k, 1]
        for x in range(runs[k, 1], runs[k, 2]):
            image[runs[k, 0], x] = means[place + x]
