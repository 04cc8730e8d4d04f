"""ICC profiles that go into the picture files: sRGB, and the same primaries with values in proportion to light.

Little CMS makes the sRGB profile; the linear one shares its primaries and white. Layout of the files: ICC.1:2010
(ISO 15076-1), clause 7 for header and tag table, 10.5 for curves, 10.13 for texts (from memory).
"""

import struct
from functools import cache

from PIL import ImageCms

__all__ = ["linear_profile", "srgb_profile"]

HEADER_BYTES = 128

DATE_AT = slice(24, 36)
"""Where the header has the date."""

DATE = b"\x07\xd0\x00\x01\x00\x01" + bytes(6)
"""2000-01-01: with the time of the run, equal pictures would be unequal files."""

PROFILE_ID_AT = slice(84, 100)
"""Where the header may have a digest of the profile; zeros mean that there is none."""

IDENTITY_CURVE = b"curv" + bytes(4) + struct.pack(">I", 0)
"""A curve without entries: what goes in comes out."""

TITLE_LINEAR = "sRGB primaries, linear light"


@cache
def srgb_profile():
    """Bytes of an ICC profile of the sRGB colour space; always the same."""
    profile = bytearray(ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes())
    profile[DATE_AT] = DATE
    return bytes(profile)


@cache
def linear_profile():
    """Bytes of an ICC profile with the primaries and white of sRGB and a linear scale; always the same."""
    profile = srgb_profile()
    tags = _tags(profile)
    tags |= dict.fromkeys((b"rTRC", b"gTRC", b"bTRC"), IDENTITY_CURVE)
    tags[b"desc"] = _text(TITLE_LINEAR)
    header = bytearray(profile[:HEADER_BYTES])
    header[PROFILE_ID_AT] = bytes(16)
    return _assembled(header, tags)


def _tags(profile):
    """Dict signature -> data of each tag."""
    (count,) = struct.unpack_from(">I", profile, HEADER_BYTES)
    tags = {}
    for k in range(count):
        name, start, size = struct.unpack_from(">4sII", profile, HEADER_BYTES + 4 + 12 * k)
        tags[name] = profile[start : start + size]
    return tags


def _text(words):
    """A multilingual text with one entry, in English."""
    encoded = words.encode("utf-16-be")
    return b"mluc" + bytes(4) + struct.pack(">II2s2sII", 1, 12, b"en", b"US", len(encoded), 28) + encoded


def _assembled(header, tags):
    table, body = struct.pack(">I", len(tags)), b""
    first = HEADER_BYTES + 4 + 12 * len(tags)
    for name, data in tags.items():
        table += struct.pack(">4sII", name, first + len(body), len(data))
        body += data + bytes(-len(data) % 4)
    header[:4] = struct.pack(">I", first + len(body))
    return bytes(header) + table + body
