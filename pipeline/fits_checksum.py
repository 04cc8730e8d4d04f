"""CHECKSUM and DATASUM of a FITS unit, from the sum of its pixels (FITS 4.0, section 4.4.2.7 and appendix J)."""

from datetime import datetime

import numpy as np

__all__ = ["add_checksum_cards", "set_checksum"]

WORD_BITS = 32
"""Bits of the numbers that a unit is summed by."""

PUNCTUATION = frozenset(range(ord(":"), ord("A"))) | frozenset(range(ord("["), ord("a")))
"""Characters between digits and letters, which a checksum avoids."""


def add_checksum_cards(header):
    """Give an astropy ``Header`` its cards for the sums, so that its length is that of the file."""
    now = datetime.now().isoformat(timespec="seconds")
    header["CHECKSUM"] = ("0" * 16, f"HDU checksum updated {now}")
    header["DATASUM"] = ("0", f"data unit checksum updated {now}")


def set_checksum(header, total):
    """Set the cards of a header that is complete but for them.

    Parameters
    ----------
    header : astropy ``Header``, changed in place
    total : int, sum of the pixels' words of 32 bits
    """
    header["DATASUM"] = str(_carried(total))
    words = np.frombuffer(header.tostring().encode("ascii"), dtype=">u4")
    header["CHECKSUM"] = _encoded(_carried(total + int(words.sum(dtype=np.uint64))))


def _carried(total):
    """The sum in ones' complement: what is carried over is added again."""
    while total >> WORD_BITS:
        total = (total & (1 << WORD_BITS) - 1) + (total >> WORD_BITS)
    return total


def _encoded(total):
    """The 16 letters and digits that bring a sum to -0 when they stand in place of as many characters 0."""
    columns = []
    for byte in (~total & (1 << WORD_BITS) - 1).to_bytes(4, "big"):
        quarter, rest = divmod(byte, 4)
        four = [ord("0") + quarter + rest] + [ord("0") + quarter] * 3
        for k in (0, 2):
            # More in one of a pair is less in the other, so their sum stays.
            while not PUNCTUATION.isdisjoint(four[k : k + 2]):
                four[k : k + 2] = four[k] + 1, four[k + 1] - 1
        columns.append(four)
    # The text of a card starts at its twelfth character, the last one of a word.
    text = bytes(four[k] for k in range(4) for four in columns)
    return (text[-1:] + text[:-1]).decode("ascii")
