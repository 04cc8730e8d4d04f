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
    work = np.where(mask, 0.0, image).astype(np.float64)
    return _fill_level(work, mask).astype(image.dtype)


def _fill_level(image, mask):
    """Fill at one scale: a first guess from the next coarser one, then relaxation."""
    ny, nx = image.shape
    padded = np.pad(image, ((0, ny % 2), (0, nx % 2)))
    known = np.pad(~mask, ((0, ny % 2), (0, nx % 2))).astype(np.float64)
    count = known.reshape(known.shape[0] // 2, 2, -1, 2).sum(axis=(1, 3))
    total = (padded * known).reshape(padded.shape[0] // 2, 2, -1, 2).sum(axis=(1, 3))
    coarse_mask = count == 0
    coarse = np.divide(total, count, out=np.zeros_like(total), where=~coarse_mask)
    if coarse_mask.any():
        coarse = _fill_level(coarse, coarse_mask)
    guess = np.repeat(np.repeat(coarse, 2, axis=0), 2, axis=1)[:ny, :nx]
    image = np.where(mask, guess, image)
    rows, columns = np.nonzero(mask)
    _relax(image, rows, columns, RELAXATIONS)
    return image


def warm():
    """Compile the kernel."""
    filled(np.ones((4, 4)), np.eye(4, dtype=bool))


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
