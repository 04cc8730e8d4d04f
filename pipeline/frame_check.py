"""Look once at every pixel of a new file: can it be read to the end, is there a picture, which colour pattern."""

import time
from dataclasses import asdict

import numpy as np

from pipeline.errors import InputError
from pipeline.fitsio import read_frame, read_header
from pipeline.headers import KIND_KEYWORDS, header_facts
from pipeline.numerics.green_planes import green_test

__all__ = ["inspect_file"]

STILL_WRITTEN_S = 30.0
"""A file that changed less than this before it was found unreadable may still be on its way; one that rests longer is
set aside, and looked at again when it has changed."""

LEAST_EDGE_PX = 16
"""A picture smaller than this cannot hold a star list."""

MOST_BLANK = 0.5
"""A frame of which more than this share holds no number is no frame."""

MOST_UNFILLED = 0.05
"""Rows at the end of a frame that hold one and the same value, where no other row does, are those of a file that was
given its full length before its content arrived, if they are more than this share; a few such rows may be the sensor's."""

UNIT_RANGE = 1.0
"""A frame of floating-point numbers of which none is higher was brought to the range from 0 to 1."""

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
    no pixel reached it), "unit_range" (True for values from 0 to 1). Else "reason", and "waiting" (True if the file
    may still be growing).
    """
    before = _state(path)
    look = _look(path)
    if _state(path) != before or before is None:
        # Also if it could be read: what was read may be half of what is there now.
        return _refused("changed while it was read", waiting=True)
    if not look["ok"] and abs(time.time() - before[1] / 1e9) < STILL_WRITTEN_S:
        look["waiting"] = True
    return look


def _look(path):
    try:
        hdu, header = read_header(path)
        frame = read_frame(path, hdu)
    except InputError as error:
        return _refused(str(error).removeprefix(f"{path}: "))
    if min(frame.shape) < LEAST_EDGE_PX:
        return _refused(f"{frame.shape[1]} x {frame.shape[0]} pixels, which is no picture")
    if frame.dtype.kind == "f":
        blank = float(1 - np.isfinite(frame).mean())
        if blank > MOST_BLANK:
            return _refused(f"{100 * blank:.0f} % of the pixels hold no number")
    lowest, highest = np.nanmin(frame), np.nanmax(frame)
    if lowest == highest:
        return _refused(f"all pixels have the same value, {lowest:g}")
    unfilled = _unfilled_rows(frame)
    if unfilled > MOST_UNFILLED * len(frame):
        return _refused(f"the last {unfilled} of {len(frame)} rows are empty (all {frame[-1, 0]:g})")
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
        "unit_range": bool(frame.dtype.kind == "f" and highest <= UNIT_RANGE),
    }


def _refused(reason, *, waiting=False):
    return {"ok": False, "waiting": waiting, "reason": reason}


def _state(path):
    """(size, mtime in ns), or None if the file is gone."""
    try:
        status = path.stat()
    except OSError:
        return None
    return status.st_size, status.st_mtime_ns


def _unfilled_rows(frame):
    """Number of rows at the end with one value throughout, the same in all of them; 0 if such rows are elsewhere too."""
    if not (frame[-1] == frame[-1, 0]).all():
        return 0
    filled = np.flatnonzero(~(frame == frame[-1, 0]).all(axis=1))
    constant = (frame[: filled[-1] + 1] == frame[: filled[-1] + 1, :1]).all(axis=1)
    return 0 if constant.any() else len(frame) - 1 - int(filled[-1])


def _clipped_level(frame, highest):
    """Level at which many pixels pile up at the top of a frame, or None."""
    pile = np.count_nonzero(frame == highest)
    if pile < PILE_PIXELS:
        return None
    below = np.count_nonzero(frame >= float(highest) - PILE_BELOW_ADU) - pile
    return float(highest) if pile >= PILE_SHARE * below else None
