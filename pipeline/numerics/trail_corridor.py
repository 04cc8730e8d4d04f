"""The strip of a frame that a trail covers, which is left out whole.

Where the trails of all frames of a night cross at one spot, no sample there shows the sky and none stands out from the
others: rejection by comparison is blind. But each trail shows along the rest of its way, and it is straight. So a line that
was found in a frame is put exactly onto the light beside it, its width is read off its profile, and the strip goes
as a whole, crossing or not.
"""

from dataclasses import dataclass

import numpy as np
from scipy import ndimage

from pipeline.numerics.robust import mad_std

__all__ = ["Corridor", "fill_gaps", "find_corridor", "inside_corridor", "parse_ends"]

SEARCH_PX = 16
"""Distance from the found line in which the trail is looked for: its direction was found to half a degree in steps of
four pixels."""

SECTIONS = 8
"""Pieces of the line in which the trail's place is found."""

FAINT_SHARE = 0.01
"""Share of the trail's peak below which its wings do not matter; what is left is clipped like any outlier."""

NOISE_SIGMA = 3.0
"""A wing is seen if it exceeds the noise of the profile by this factor."""

BEYOND_ENDS_PX = 60.0
"""The strip goes on beyond the ends that were found, which are known to a piece of the chord only."""

FILL_RADIUS_PX = 8
"""Gaps up to twice this wide are filled from beside."""


@dataclass(frozen=True)
class Corridor:
    """A strip about the line from (x0, y0) to (x1, y1), in frame pixels."""

    x0: float
    y0: float
    x1: float
    y1: float
    half_width: float


def parse_ends(text):
    """[(x0, y0, x1, y1), ...] from the text of a measured table, "x0 y0 x1 y1; ..."."""
    return [tuple(float(number) for number in part.split()) for part in str(text).split(";") if part.strip()]


def find_corridor(rates, cfa, ends):
    """The corridor of a trail that was found about ``ends``, or None if no light is there.

    Parameters
    ----------
    rates : (ny, nx) float32; NaN or infinity where a pixel cannot be used
    cfa : Cfa
    ends : (x0, y0, x1, y1)
    """
    x0, y0, x1, y1 = ends
    length = float(np.hypot(x1 - x0, y1 - y0))
    if not length > 4 * SECTIONS:
        return None
    along = np.array([x1 - x0, y1 - y0]) / length
    s, d = np.meshgrid(np.arange(0.0, length), np.arange(-SEARCH_PX, SEARCH_PX + 1.0))
    x, y = np.rint(x0 + s * along[0] - d * along[1]), np.rint(y0 + s * along[1] + d * along[0])
    ny, nx = rates.shape
    inside = (x >= 0) & (y >= 0) & (x < nx) & (y < ny)
    x, y = np.clip(x, 0, nx - 1).astype(int), np.clip(y, 0, ny - 1).astype(int)
    found = rates[y, x].astype(np.float64)
    colour = cfa.cell[y % 2, x % 2]
    usable = inside & np.isfinite(found)
    for c in range(len(cfa.channels)):
        of_colour = usable & (colour == c)
        if of_colour.any():
            found[of_colour] -= np.median(found[of_colour])
    found[~usable] = np.nan
    centres, places = [], []
    for columns in np.array_split(np.arange(s.shape[1]), SECTIONS):
        profile = _profile(found[:, columns])
        spread = mad_std(np.diff(profile)) / np.sqrt(2)
        top = float(profile.max())
        if top > NOISE_SIGMA * spread > 0:
            core = np.where(profile > 0.5 * top, profile, 0.0)
            centres.append(float((core * d[:, 0]).sum() / core.sum()))
            places.append(float(s[0, columns].mean()))
    if len(centres) < SECTIONS // 2:
        return None
    slope, offset = np.polyfit(places, centres, 1) if len(set(places)) > 1 else (0.0, centres[0])
    # The same samples about the better line.
    shift = np.rint(offset + slope * s[0]).astype(int)
    aligned = np.full_like(found, np.nan)
    for k in np.unique(shift):
        columns = shift == k
        moved = np.roll(found[:, columns], -k, axis=0)
        if k > 0:
            moved[-k:] = np.nan
        elif k < 0:
            moved[:-k] = np.nan
        aligned[:, columns] = moved
    profile = _profile(aligned)
    spread = mad_std(np.diff(profile)) / np.sqrt(2)
    lit = profile > max(FAINT_SHARE * float(profile.max()), NOISE_SIGMA * spread)
    label, _ = ndimage.label(lit)
    middle = label[SEARCH_PX - 1 : SEARCH_PX + 2].max()
    if middle == 0:
        return None
    reach = np.abs(d[label == middle, 0]).max()
    normal = np.array([-along[1], along[0]])
    first = np.array([x0, y0]) + offset * normal - BEYOND_ENDS_PX * (along + slope * normal)
    last = np.array([x1, y1]) + (offset + slope * length) * normal + BEYOND_ENDS_PX * (along + slope * normal)
    # Half a pixel of rounding on either side, and as much for the output pixel.
    return Corridor(*first, *last, float(reach) + 1.5)


def inside_corridor(corridor, pose, window, *, reach):
    """(h, w) bool: output pixels of a window that show the corridor.

    Parameters
    ----------
    corridor : Corridor
    pose : Pose of the frame
    window : (first row, stop row, first column, stop column)
    reach : pixels of the frame over which sampling carries light
    """
    (x0, x1), (y0, y1) = pose.forward(
        np.array([corridor.x0, corridor.x1]), np.array([corridor.y0, corridor.y1])
    )
    top, bottom, left, right = window
    y, x = np.arange(top, bottom)[:, None], np.arange(left, right)[None, :]
    length = np.hypot(x1 - x0, y1 - y0)
    along = ((x - x0) * (x1 - x0) + (y - y0) * (y1 - y0)) / length
    across = np.abs((x - x0) * (y1 - y0) - (y - y0) * (x1 - x0)) / length
    return (across <= (corridor.half_width + reach) * pose.scale()) & (along >= 0) & (along <= length)


def fill_gaps(plane):
    """(h, w) with NaN replaced by the mean of what is there within ``FILL_RADIUS_PX``; NaN where nothing is."""
    there = np.isfinite(plane)
    size = 2 * FILL_RADIUS_PX + 1
    total = ndimage.uniform_filter(np.where(there, plane, 0.0).astype(np.float64), size, mode="constant")
    share = ndimage.uniform_filter(there.astype(np.float64), size, mode="constant")
    # A single pixel of the square has the share 1 / size^2; less is rounding.
    known = share > 0.5 / size**2
    return np.where(there, plane, np.where(known, total / np.where(known, share, 1.0), np.nan))


def _profile(found):
    with np.errstate(invalid="ignore"):
        counts = np.isfinite(found).sum(axis=1)
    profile = np.zeros(found.shape[0])
    for row, count in enumerate(counts):
        if count:
            profile[row] = np.nanmedian(found[row])
    return profile - np.median(profile)
