"""Pixels of plain FITS units, read and turned over block by block on the cores that the job was given.

A block is turned into native byte order while it is in the cache, so that no copy of an image is made. The headers are the
business of :mod:`pipeline.fitsio`.
"""

import os

import numpy as np

from pipeline.numerics.bands import in_bands

__all__ = ["big_endian", "read_pixels"]

PIXELS_AT_ONCE = 1 << 16
"""Pixels that are turned over at a time: they stay in the cache."""

PIXELS_OF_A_CORE = 1 << 20
"""Pixels that a core is given at a time; a multiple of those above."""


def read_pixels(path, offset, kind, shape):
    """Pixels that lie in a file as they are.

    Parameters
    ----------
    path, offset : the file, and where in it the first pixel starts, bytes
    kind : numpy type as stored
    shape : of the image

    Returns
    -------
    array of ``shape`` in native byte order

    Raises
    ------
    EOFError
        If the file ends before its pixels do.
    """
    kind = np.dtype(kind)
    out = np.empty(shape, dtype=kind.newbyteorder("="))
    flat = out.reshape(-1)
    with open(path, "rb") as file:

        def band(start, stop):
            room = np.empty(min(PIXELS_AT_ONCE, stop - start), dtype=kind)
            for first in range(start, stop, PIXELS_AT_ONCE):
                stored = room[: stop - first]
                place = offset + first * kind.itemsize
                if os.preadv(file.fileno(), [stored.data.cast("B")], place) < stored.nbytes:
                    raise EOFError(f"the file ends before its {flat.size} pixels do")
                flat[first : first + stored.size] = stored

        in_bands(band, flat.size, rows=PIXELS_OF_A_CORE)
    return out


def big_endian(pixels):
    """Pixels in the byte order of files, whole in memory: an array in ours the library would turn over where it is, four times,
    on one core.

    Parameters
    ----------
    pixels : array, in any byte order

    Returns
    -------
    array of the same values; ``pixels`` itself if they are in that order
    """
    kind = pixels.dtype.newbyteorder(">")
    if kind == pixels.dtype:
        return pixels
    out, flat = np.empty(pixels.shape, dtype=kind), pixels.reshape(-1)

    def band(start, stop):
        out.reshape(-1)[start:stop] = flat[start:stop]

    in_bands(band, flat.size, rows=PIXELS_OF_A_CORE)
    return out
