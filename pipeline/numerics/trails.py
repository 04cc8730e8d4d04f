"""Straight trails of satellites and aircraft across a frame."""

from functools import lru_cache

import numpy as np
from numba import njit

from pipeline.numerics.robust import mad_std

__all__ = ["beside_trails", "find_trails", "warm"]

BIN_PX = 4
"""Side of the blocks the image is averaged in, frame pixels: a trail a few pixels wide keeps its contrast, noise
falls."""

POINT_SIGMA = 2.5
"""Blocks above this vote; a trail of 1 sigma per pixel reaches it, and the empty sky gives 0.6 % of false votes."""

ANGLES = 360
"""Trial directions over 180 degrees: half a degree is 1.6 blocks over a path of 370."""

SCATTER_SAMPLES = 100_000
"""Blocks that fix the scatter, to a third of a per cent."""

SIDE_BLOCKS = 4
"""Distance of the strips beside a trail that give its background, blocks."""

LINE_SIGMA = 8.0
"""Least significance of a trail's mean excess over its sides. About 1e6 lines are tried, so chance stays below
six; the rest is reserve for the texture of nebulae."""

PIECES = 16
"""Parts of the chord that are looked at one by one."""

MIN_PIECES = 5
"""A trail shows in at least this many neighbouring parts, 30 % of its chord."""

PIECE_SIGMA = 2.0
"""A part shows the trail if its median excess has this significance."""

MAX_TRAILS = 8
"""More straight lines than this in a frame are something else."""

REACH_PX = 10.0
"""Pieces of a trail lie this close to its line: half a degree of direction and half a block of place are some 6 px at
the ends of a path of 370 blocks, and a broad trail is some pixels wide."""


def find_trails(image, stars_x, stars_y, *, step, star_radius_px):
    """Straight lines of excess light, by a Hough transform (Duda & Hart 1972) of binned residuals.

    Parameters
    ----------
    image : (ny, nx) float32, background-free detection image
    stars_x, stars_y : stars, which are masked, frame pixels
    step : frame pixels per pixel of the image: 1, 2 or 4
    star_radius_px : radius of the mask, frame pixels

    Returns
    -------
    list of (x0, y0, x1, y1), end points in frame pixels, in the order of significance
    """
    blocks = _binned(image, BIN_PX // step)
    # The centre of block (0, 0): the mean of the places that its pixels stand for.
    first = 0.5 * step * (BIN_PX // step - 1)
    # A block reaches half its diagonal beyond its centre.
    radius = star_radius_px / BIN_PX + np.sqrt(0.5)
    _mask(blocks, (stars_x - first) / BIN_PX, (stars_y - first) / BIN_PX, radius)
    known = blocks[np.isfinite(blocks)]
    # A thinned sample tells the scatter as well.
    scatter = mad_std(known[:: max(1, known.size // SCATTER_SAMPLES)]) if known.size else 0.0
    if not scatter > 0:
        return []
    excess = blocks / scatter
    found = []
    for _ in range(MAX_TRAILS):
        line = _strongest(excess)
        if line is None:
            break
        ends = _extent(excess, *line)
        if ends is None:
            break
        found.append(tuple(float(BIN_PX * value + first) for value in ends))
        _blank(excess, *line)
    return found


def beside_trails(x, y, lines):
    """(n,) bool: not on any of the lines, prolonged to the edges of the frame.

    Parameters
    ----------
    x, y : (n,) frame pixels
    lines : from :func:`find_trails`
    """
    clear = np.ones(len(x), dtype=bool)
    for x0, y0, x1, y1 in lines:
        length = np.hypot(x1 - x0, y1 - y0)
        clear &= np.abs((x - x0) * (y1 - y0) - (y - y0) * (x1 - x0)) > REACH_PX * length
    return clear


def warm():
    """Compile the kernels."""
    _votes(np.zeros(1), np.zeros(1), 2)
    _mask(np.zeros((4, 4)), np.ones(1), np.ones(1), 1.0)


def _binned(image, side):
    ny, nx = (n // side * side for n in image.shape)
    total = np.zeros((ny // side, nx // side))
    for dy in range(side):
        for dx in range(side):
            total += image[dy:ny:side, dx:nx:side]
    return total / side**2


@njit(cache=True, nogil=True)
def _mask(blocks, x, y, radius):
    """Blank every block whose centre is closer than ``radius`` to a star; all in blocks."""
    ny, nx = blocks.shape
    for k in range(x.size):
        for row in range(max(0, int(np.ceil(y[k] - radius))), min(ny, int(y[k] + radius) + 1)):
            for column in range(max(0, int(np.ceil(x[k] - radius))), min(nx, int(x[k] + radius) + 1)):
                if (row - y[k]) ** 2 + (column - x[k]) ** 2 < radius * radius:
                    blocks[row, column] = np.nan


@njit(cache=True, nogil=True)
def _votes(x, y, half):
    """(ANGLES, 2 half + 1) how many of the points lie on each trial line."""
    counts = np.zeros((ANGLES, 2 * half + 1), dtype=np.int32)
    for step in range(ANGLES):
        cos, sin = np.cos(np.pi * step / ANGLES), np.sin(np.pi * step / ANGLES)
        for k in range(x.size):
            counts[step, int(np.floor(x[k] * cos + y[k] * sin + 0.5)) + half] += 1
    return counts


def _strongest(excess):
    """(angle, distance) of the line most voted for, or None. Line: x cos + y sin = distance, about the centre."""
    rows, columns = np.nonzero(np.nan_to_num(excess, nan=0.0) > POINT_SIGMA)
    if len(rows) < PIECES:
        return None
    ny, nx = excess.shape
    x, y = columns - 0.5 * (nx - 1), rows - 0.5 * (ny - 1)
    half = int(np.ceil(0.5 * np.hypot(nx, ny))) + 1
    expected = len(rows) / excess.size * np.maximum(_chords(ny, nx, half), 1.0)
    # Votes beyond those that this many blocks collect anywhere, in standard deviations of that number.
    score = (_votes(x, y, half) - expected) / np.sqrt(expected + 1.0)
    angle, peak = np.unravel_index(int(np.argmax(score)), score.shape)
    return float(np.pi * angle / ANGLES), float(peak - half)


@lru_cache(maxsize=2)
def _chords(ny, nx, half):
    """(ANGLES, 2 half + 1) length of each trial line inside the image, blocks; the same for all frames of a size."""
    distance = np.arange(-half, half + 1)[None, :]
    angle = np.pi * np.arange(ANGLES)[:, None] / ANGLES
    low, high = _clip(angle, distance, ny, nx)
    return np.maximum(high - low, 0.0)


def _clip(angle, distance, ny, nx):
    """Interval of the parameter t in which the point (d cos - t sin, d sin + t cos) lies inside the image."""
    low, high = (
        np.full(np.broadcast(angle, distance).shape, -np.inf),
        np.full(np.broadcast(angle, distance).shape, np.inf),
    )
    for start, slope, limit in (
        (distance * np.cos(angle), -np.sin(angle), 0.5 * (nx - 1)),
        (distance * np.sin(angle), np.cos(angle), 0.5 * (ny - 1)),
    ):
        slope = np.where(np.abs(slope) < 1e-9, 1e-9, slope)
        one, other = (-limit - start) / slope, (limit - start) / slope
        low, high = np.maximum(low, np.minimum(one, other)), np.minimum(high, np.maximum(one, other))
    return low, high


def _extent(excess, angle, distance):
    """End points (x0, y0, x1, y1) in blocks of the part of the line that shows, or None if it is not a trail."""
    ny, nx = excess.shape
    low, high = (float(end) for end in _clip(np.float64(angle), np.float64(distance), ny, nx))
    t = np.arange(low, high)
    if len(t) < 2 * PIECES:
        return None
    centre, side = (
        np.stack([_along(excess, angle, distance + offset, t) for offset in offsets])
        for offsets in ((-1, 0, 1), (-SIDE_BLOCKS, 1 - SIDE_BLOCKS, SIDE_BLOCKS - 1, SIDE_BLOCKS))
    )
    profile = _mean_over(centre) - _mean_over(side)
    pieces = np.array_split(np.arange(len(t)), PIECES)
    typical = mad_std(profile)
    shows = np.zeros(PIECES, dtype=bool)
    for index, piece in enumerate(pieces):
        values = profile[piece][np.isfinite(profile[piece])]
        if values.size <= 2:
            # Hidden by stars: it neither shows the trail nor ends it.
            shows[index] = index > 0 and shows[index - 1]
        else:
            # 1.25 sigma / sqrt(n): standard error of a median.
            shows[index] = np.median(values) > PIECE_SIGMA * 1.25 * typical / np.sqrt(values.size)
    first, last = _longest_run(shows)
    if last - first < MIN_PIECES:
        return None
    inside = np.concatenate(pieces[first:last])
    values = profile[inside][np.isfinite(profile[inside])]
    if values.size < PIECES or np.median(values) < LINE_SIGMA * 1.25 * max(
        typical, mad_std(values)
    ) / np.sqrt(values.size):
        return None
    ends = t[[inside[0], inside[-1]]]
    x = distance * np.cos(angle) - ends * np.sin(angle) + 0.5 * (nx - 1)
    y = distance * np.sin(angle) + ends * np.cos(angle) + 0.5 * (ny - 1)
    return x[0], y[0], x[1], y[1]


def _mean_over(strips):
    """Mean of the known samples across the strips; NaN where a masked star leaves none."""
    known = np.isfinite(strips)
    count = known.sum(axis=0)
    total = np.where(known, strips, 0.0).sum(axis=0)
    return np.divide(total, count, out=np.full(len(count), np.nan), where=count > 0)


def _along(excess, angle, distance, t):
    ny, nx = excess.shape
    column = np.rint(distance * np.cos(angle) - t * np.sin(angle) + 0.5 * (nx - 1)).astype(int)
    row = np.rint(distance * np.sin(angle) + t * np.cos(angle) + 0.5 * (ny - 1)).astype(int)
    inside = (column >= 0) & (column < nx) & (row >= 0) & (row < ny)
    out = np.full(len(t), np.nan)
    out[inside] = excess[row[inside], column[inside]]
    return out


def _longest_run(flags):
    """(first, end) of the longest run of True; a single False inside a run (a masked star) is bridged."""
    bridged = flags.copy()
    bridged[1:-1] |= flags[:-2] & flags[2:]
    best, start = (0, 0), None
    for index, flag in enumerate([*bridged, False]):
        if flag and start is None:
            start = index
        elif not flag and start is not None:
            if index - start > best[1] - best[0]:
                best = (start, index)
            start = None
    return best


def _blank(excess, angle, distance):
    """Take a found line out of the map."""
    ny, nx = excess.shape
    rows, columns = np.mgrid[:ny, :nx]
    away = (columns - 0.5 * (nx - 1)) * np.cos(angle) + (rows - 0.5 * (ny - 1)) * np.sin(angle) - distance
    excess[np.abs(away) <= SIDE_BLOCKS - 1] = np.nan
