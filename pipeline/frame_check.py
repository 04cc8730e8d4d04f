"""Look once at every pixel of a new file: can it be read to the end, is there a picture, which colour pattern."""

import time

import numpy as np

from pipeline.errors import InputError
from pipeline.fitsio import read_frame, read_header
from pipeline.headers import header_facts

__all__ = ["GREEN_RELATION", "green_diagonal", "inspect_file"]

STILL_WRITTEN_S = 10.0
"""A file changed less than this before it was found unreadable may still be on its way."""

GREEN_RELATION = 3.0
"""The two planes of one diagonal are taken for green when the other two differ at least this many times as much."""

LEAST_DIFFERENCE = 0.004
"""Smallest relative difference between the other two planes that is trusted: below, vignetting and noise compete."""


def inspect_file(path):
    """Header facts and pixel check of one file.

    Returns
    -------
    dict with "ok" (bool); if ok: "hdu", "width", "height", "facts", "imagetyp", "header" (the few keywords that name
    kinds), "parity" ([4] mean level of the pixels of the 2 x 2 cell, row by row); else "reason" and "waiting"
    (True if the file may still be growing)
    """
    try:
        hdu, header = read_header(path)
        frame = read_frame(path, hdu)
    except InputError as error:
        fresh = time.time() - path.stat().st_mtime < STILL_WRITTEN_S and path.stat().st_size > 0
        return {"ok": False, "waiting": fresh, "reason": str(error).removeprefix(f"{path}: ")}
    lowest, highest = frame.min(), frame.max()
    if not np.isfinite(frame).any():
        return {"ok": False, "waiting": False, "reason": "no pixel holds a number"}
    if lowest == highest:
        return {"ok": False, "waiting": False, "reason": f"all pixels have the same value, {lowest}"}
    facts = header_facts(header)
    names = {key: str(header[key]) for key in ("IMAGETYP", "FRAME", "FRAMETYP", "OBSTYPE", "DATE-LOC") if key in header}
    return {
        "ok": True,
        "hdu": hdu,
        "width": int(frame.shape[1]),
        "height": int(frame.shape[0]),
        "facts": facts,
        "kind_header": names,
        "parity": _parity_levels(frame),
    }


def green_diagonal(parity, pedestal):
    """Which diagonal of the 2 x 2 cell holds two alike pixels while the other does not.

    Parameters
    ----------
    parity : (4,) levels of the pixels (0,0), (0,1), (1,0), (1,1), y first
    pedestal : level without light, in the same unit

    Returns
    -------
    "main" for (0,0) and (1,1), "anti" for (0,1) and (1,0), "none" if all four are alike (mono), None if undecided
    """
    p = np.asarray(parity, dtype=np.float64) - pedestal
    usual = max(p.mean(), 1e-6)
    main, anti = abs(p[0] - p[3]) / usual, abs(p[1] - p[2]) / usual
    if max(main, anti) < LEAST_DIFFERENCE:
        means_differ = abs((p[0] + p[3]) - (p[1] + p[2])) / (2 * usual)
        return "none" if means_differ < LEAST_DIFFERENCE else None
    if anti > GREEN_RELATION * main:
        return "main"
    if main > GREEN_RELATION * anti:
        return "anti"
    return None


def _parity_levels(frame):
    """Mean of the central half of the values of each position in the 2 x 2 cell."""
    levels = []
    for dy in (0, 1):
        for dx in (0, 1):
            values = np.sort(frame[dy::2, dx::2], axis=None)
            quarter = values.size // 4
            levels.append(float(values[quarter : values.size - quarter].mean(dtype=np.float64)))
    return levels
