"""Look once at every pixel of a new file: can it be read to the end, is there a picture, which colour pattern."""

import time
from dataclasses import asdict

import numpy as np

from pipeline.errors import InputError
from pipeline.fitsio import read_frame, read_header
from pipeline.headers import KIND_KEYWORDS, header_facts
from pipeline.numerics.green_planes import green_test

__all__ = ["inspect_file"]

STILL_WRITTEN_S = 10.0
"""A file that changed less than this before it was found unreadable may still be on its way."""

LEAST_EDGE_PX = 16
"""A picture smaller than this cannot hold a star list."""

MOST_BLANK = 0.5
"""A frame of which more than this share holds no number is no frame."""

PILE_PIXELS = 5
"""So many pixels at exactly the highest value of a frame can be a clipped level; fewer are chance."""

PILE_BELOW_ADU = 64
"""Width of the range below the highest value against which the pile is held. It spans several steps even of a
12-bit camera whose values are stretched to 16 bits (steps of 16)."""

PILE_SHARE = 0.25
"""A clipped level holds at least this share of what lies just below it: the wings of stars get rarer upwards, a
clipped core is all at one value."""


def inspect_file(path):
    """Header facts and pixel check of one file.

    Returns
    -------
    dict with "ok" (bool). If ok: "hdu", "width", "height", "facts", "kind_header" (the few keywords that name
    kinds), "green" (a ``GreenTest`` as dict, or None), "clipped_adu" (level at which the camera clips, None if
    no pixel reached it). Else "reason", and "waiting" (True if the file may still be growing).
    """
    try:
        hdu, header = read_header(path)
        frame = read_frame(path, hdu)
    except InputError as error:
        return _refused(str(error).removeprefix(f"{path}: "), waiting=_fresh(path))
    if min(frame.shape) < LEAST_EDGE_PX:
        return _refused(f"{frame.shape[1]} x {frame.shape[0]} pixels, which is no picture")
    if frame.dtype.kind == "f":
        blank = float(1 - np.isfinite(frame).mean())
        if blank > MOST_BLANK:
            return _refused(f"{100 * blank:.0f} % of the pixels hold no number")
        frame = np.where(np.isfinite(frame), frame, np.float32(np.nan))
    lowest, highest = np.nanmin(frame), np.nanmax(frame)
    if lowest == highest:
        return _refused(f"all pixels have the same value, {lowest:g}")
    test = green_test(frame)
    return {
        "ok": True,
        "hdu": hdu,
        "width": int(frame.shape[1]),
        "height": int(frame.shape[0]),
        "facts": header_facts(header),
        "kind_header": {key: str(header[key]) for key in KIND_KEYWORDS if key in header},
        "green": None if test is None else asdict(test),
        "clipped_adu": _clipped_level(frame, highest),
    }


def _refused(reason, *, waiting=False):
    return {"ok": False, "waiting": waiting, "reason": reason}


def _fresh(path):
    try:
        return abs(time.time() - path.stat().st_mtime) < STILL_WRITTEN_S
    except OSError:
        # Gone since it was found: as if it had never been complete.
        return True


def _clipped_level(frame, highest):
    """Level at which many pixels pile up at the top of a frame, or None."""
    pile = np.count_nonzero(frame == highest)
    if pile < PILE_PIXELS:
        return None
    below = np.count_nonzero(frame >= float(highest) - PILE_BELOW_ADU) - pile
    return float(highest) if pile >= PILE_SHARE * below else None
