"""Pixels of plain FITS units, read and written block by block on the cores that the job was given.

A block is turned into the file's byte order, or back, while it is in the cache, and summed for the checksum on the way: no
copy of an image is made. The headers are the business of :mod:`pipeline.fitsio`.
"""

import os

import numpy as np

from pipeline.numerics.bands import in_bands

__all__ = ["FITS_BLOCK", "added_words", "encoded_checksum", "read_pixels", "write_pixels"]

FITS_BLOCK = 2880
"""Bytes of a block (FITS 4.0, section 3.1): headers and data are filled up to whole ones."""

PIXELS_AT_ONCE = 1 << 16
"""Pixels that are turned over at a time: they stay in the cache. A multiple of four, so that a block is whole words."""

PIXELS_OF_A_CORE = 1 << 20
"""Pixels that a core is given at a time; a multiple of those above."""

ALL_ONES = 0xFFFFFFFF
"""Sums of 32-bit words in ones' complement are those of whole numbers modulo this, which stands for 0 (-0)."""

UNSUITED = b":;<=>?@[\\]^_`"
"""Characters between digits, capitals and small letters, which the text of a checksum avoids (FITS 4.0, appendix J.2)."""


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


def write_pixels(file, offset, image):
    """Write an image as FITS keeps it, filled up to whole blocks.

    Parameters
    ----------
    file : open for writing, without a buffer
    offset : where the first pixel goes, bytes
    image : array of a type that FITS has

    Returns
    -------
    size : bytes written
    total : int, sum of all 32-bit words in ones' complement: the DATASUM (FITS 4.0, section 4.4.2.7)
    """
    flat = np.ascontiguousarray(image).reshape(-1)
    kind = flat.dtype.newbyteorder(">")
    # Unsigned numbers of more than a byte are kept as signed ones plus BZERO (section 5.2.5): the sign bit is flipped.
    shifted = kind.kind == "u" and kind.itemsize > 1
    sign = flat.dtype.type(1 << (8 * kind.itemsize - 1)) if shifted else None
    totals = []

    def band(start, stop):
        room = np.empty(min(PIXELS_AT_ONCE, stop - start), dtype=kind)
        for first in range(start, stop, PIXELS_AT_ONCE):
            part = flat[first : min(first + PIXELS_AT_ONCE, stop)]
            if shifted:
                part = part ^ sign
            stored = room[: part.size]
            stored[:] = part
            _write_all(file, stored.data.cast("B"), offset + first * kind.itemsize)
            if kind.itemsize % 4:
                totals.append(added_words(stored.tobytes()))
            else:
                # Whole words: in native order they add up to the same, and sooner.
                totals.append(int(part.view(np.uint32).sum(dtype=np.uint64)))

    in_bands(band, flat.size, rows=PIXELS_OF_A_CORE)
    filling = bytes(-flat.nbytes % FITS_BLOCK)
    _write_all(file, memoryview(filling), offset + flat.nbytes)
    return flat.nbytes + len(filling), _folded(sum(totals))


def added_words(content, *, start=0):
    """Sum in ones' complement of ``start`` and the big-endian 32-bit words of bytes, which are filled up with 0."""
    words = np.frombuffer(content + bytes(-len(content) % 4), dtype=">u4")
    return _folded(start + int(words.sum(dtype=np.uint64)))


def encoded_checksum(total):
    """The 16 characters that bring the sum of a unit, in which they stood as zeros, to -0 (FITS 4.0, appendix J.2).

    Each byte of the complement becomes four characters that add up to it and four times the digit 0; pairs are moved apart
    until none is a sign. The text is turned right by one, for it does not start on a word.
    """
    columns = []
    for byte in (~total & ALL_ONES).to_bytes(4, "big"):
        quarter, rest = divmod(byte, 4)
        characters = [quarter + rest + ord("0"), *3 * [quarter + ord("0")]]
        while any(character in UNSUITED for character in characters):
            for one, other in ((0, 1), (2, 3)):
                if characters[one] in UNSUITED or characters[other] in UNSUITED:
                    characters[one] += 1
                    characters[other] -= 1
        columns.append(characters)
    text = "".join(chr(columns[word][place]) for place in range(4) for word in range(4))
    return text[-1] + text[:-1]


def _folded(total):
    """A sum with all that went beyond 32 bits added again at the other end, until nothing does."""
    return (total - 1) % ALL_ONES + 1 if total else 0


def _write_all(file, content, position):
    """Write bytes at a position, however many of them the system takes at a time."""
    while content:
        written = os.pwrite(file.fileno(), content, position)
        content, position = content[written:], position + written
