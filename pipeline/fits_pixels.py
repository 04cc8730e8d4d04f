"""Pixels of plain FITS units, read and written block by block on the cores that the job was given.

A block is turned from one byte order into the other while it is in the cache, so that no copy of an image is made and none is
turned over where it is. The headers are the business of :mod:`pipeline.fitsio`.
"""

import os

import numpy as np

from pipeline.numerics.bands import in_bands

__all__ = ["read_pixels", "write_pixels"]

PIXELS_AT_ONCE = 1 << 16
"""Pixels that are turned over at a time: they stay in the cache, and are a whole number of words of a checksum."""

WORD = 4
"""Bytes of a word of a checksum."""

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


def write_pixels(file, offset, kind, pixels, *, zero=0):
    """Write pixels to their place in a file.

    Parameters
    ----------
    file : opened for writing
    offset : where in it the first pixel starts, bytes
    kind : numpy type as stored
    pixels : array, in any byte order
    zero : what is taken off before they are stored (BZERO), for unsigned numbers of 16 or 32 bits

    Returns
    -------
    int, sum of the words of 32 bits that were written, the last one filled up with zeros; the same for any number of cores
    """
    kind, flat, sums = np.dtype(kind), pixels.reshape(-1), []

    def band(start, stop):
        room = np.empty(min(PIXELS_AT_ONCE, stop - start), dtype=kind)
        for first in range(start, stop, PIXELS_AT_ONCE):
            part = flat[first : min(first + PIXELS_AT_ONCE, stop)]
            stored = room[: part.size]
            stored[:] = part.astype(np.int64) - zero if zero else part
            content = stored.view(np.uint8)
            _write_at(file, content.data, offset + first * kind.itemsize)
            whole = content.size // WORD * WORD
            rest = content[whole:].tobytes().ljust(WORD, b"\0")
            sums.append(int(content[:whole].view(">u4").sum(dtype=np.uint64)) + int.from_bytes(rest, "big"))

    in_bands(band, flat.size, rows=PIXELS_OF_A_CORE)
    return sum(sums)


def _write_at(file, content, place):
    """Write all of ``content``, of which the system may take a part at a time."""
    while content:
        written = os.pwrite(file.fileno(), content, place)
        content, place = content[written:], place + written
