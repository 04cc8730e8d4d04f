"""Fill the masked pixels of an image smoothly from what surrounds them."""

import numpy as np
from numba import njit
from scipy import ndimage

__all__ = ["enclosed", "filled", "warm"]

RELAXATIONS = 30
"""Averaging passes after each doubling of the scale; they turn blocks into slopes (30 reach about 5 pixels,
more than the two pixels by which one scale differs from the next)."""


def enclosed(mask):
    """Of the masked pixels, those in patches that do not touch the border of the image.

    Parameters
    ----------
    mask : (ny, nx) bool

    Returns
    -------
    (ny, nx) bool
    """
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
    work = np.ascontiguousarray(image)
    work = np.where(mask, work.dtype.type(0), work)
    return _fill_level(work, np.ascontiguousarray(mask))


def _fill_level(image, mask):
    """Fill at one scale, in place: a first guess from the next coarser one, then relaxation."""
    coarse, open_blocks = _halved(image, mask)
    if open_blocks.any():
        coarse = _fill_level(coarse, open_blocks)
    rows, columns = np.nonzero(mask)
    image[rows, columns] = coarse[rows // 2, columns // 2]
    _relax(image, rows, columns, RELAXATIONS)
    return image


def warm():
    """Compile the kernel."""
    for dtype in (np.float32, np.float64):
        filled(np.ones((4, 4), dtype=dtype), np.eye(4, dtype=bool))


@njit(cache=True, nogil=True)
def _halved(image, mask):
    """Mean of the known pixels of each block of 2 x 2, float64, and where there is none."""
    ny, nx = image.shape
    means = np.zeros(((ny + 1) // 2, (nx + 1) // 2))
    empty = np.zeros(means.shape, dtype=np.bool_)
    for y in range(means.shape[0]):
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
    return means, empty


@njit(cache=True, nogil=True)
def _relax(image, rows, columns, passes):
    """Replace, all at once and several times, the given pixels by the mean of their neighbours; edges repeat."""
    ny, nx = image.shape
    means = np.empty(rows.size)
    for _ in range(passes):
        for i in range(rows.size):
            y, x = rows[i], columns[i]
            means[i] = 0.25 * (
                image[max(y - 1, 0), x]
                + image[min(y + 1, ny - 1), x]
                + image[y, max(x - 1, 0)]
                + image[y, min(x + 1, nx - 1)]
            )
        for i in range(rows.size):
            image[rows[i], columns[i]] = means[i]
