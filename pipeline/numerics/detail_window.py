"""Means of blocks, and the part of a picture where most is to be seen."""

import numpy as np
from scipy import ndimage

from pipeline.numerics.bands import in_bands

__all__ = ["block_means", "richest_window"]

BLOCK_PX = 8
"""Blocks whose medians show nebulae without most stars."""

BAND_BLOCKS = 16
"""Rows of blocks that a core is given at a time."""


def block_means(cube, block):
    """(C, ny // block, nx // block) float32 means of blocks; an incomplete last row or column is left out.

    Parameters
    ----------
    cube : (C, ny, nx) float32 or bool
    block : side in pixels
    """
    channels, ny, nx = cube.shape
    by, bx = ny // block, nx // block
    out = np.empty((channels, by, bx), dtype=np.float32)

    def band(start, stop):
        cut = cube[:, start * block : stop * block, : bx * block].reshape(channels, -1, block, bx, block)
        # Along rows first: contiguous memory is summed an order of magnitude faster.
        out[:, start:stop] = cut.mean(axis=4, dtype=np.float32).mean(axis=2, dtype=np.float32)

    in_bands(band, by, rows=BAND_BLOCKS)
    return out


def richest_window(cube, shape):
    """Slices of the window of ``shape`` in which the brightness of extended light varies most.

    Parameters
    ----------
    cube : (C, ny, nx), whose mean over the channels is the brightness
    shape : (rows, columns) of the window; made smaller where the image is

    Returns
    -------
    slice of rows, slice of columns
    """
    ny, nx = cube.shape[1:]
    rows, columns = min(shape[0], ny), min(shape[1], nx)
    block = max(1, min(BLOCK_PX, rows // 4, columns // 4))
    by, bx = ny // block, nx // block
    cut = cube[:, : by * block, : bx * block].reshape(-1, by, block, bx, block)
    # A quarter of the pixels of a block knows its median well enough here.
    step = 2 if block == BLOCK_PX else 1
    some = cut[:, :, ::step, :, ::step].mean(axis=0, dtype=np.float32).swapaxes(1, 2)
    medians = np.median(some.reshape(by, bx, -1), axis=2).astype(np.float64)
    # What is brighter than nearly all is a star; it must not draw the window to itself.
    medians = np.clip(medians, *np.quantile(medians, (0.01, 0.99)))
    size = (max(1, rows // block), max(1, columns // block))
    mean = ndimage.uniform_filter(medians, size, mode="nearest")
    spread = ndimage.uniform_filter(medians**2, size, mode="nearest") - mean**2
    # Only windows that lie wholly inside; the filter's window of even size reaches one block further up and left.
    inside = spread[size[0] // 2 : by - (size[0] - 1) // 2, size[1] // 2 : bx - (size[1] - 1) // 2]
    y, x = np.unravel_index(int(np.argmax(inside)), inside.shape)
    top, left = min(int(y) * block, ny - rows), min(int(x) * block, nx - columns)
    return slice(top, top + rows), slice(left, left + columns)
