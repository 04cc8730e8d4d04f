"""Straight trails of satellites and aircraft across a frame."""

import numpy as np

from pipeline.numerics.robust import mad_std

__all__ = ["find_trails"]

BIN_PX = 4
"""Side of the blocks the image is averaged in: a trail a few pixels wide keeps its contrast, noise falls."""

POINT_SIGMA = 2.5
"""Blocks above this vote; a trail of 1 sigma per pixel reaches it, and the empty sky gives 0.6 % of false votes."""

ANGLES = 360
"""Trial directions over 180 degrees: half a degree is 1.6 blocks over a path of 370."""

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


def find_trails(image, noise, stars_x, stars_y, *, star_radius_px):
    """Straight lines of excess light, by a Hough transform (Duda & Hart 1972) of binned residuals.

    Parameters
    ----------
    image : (ny, nx) float32, background-free detection image
    noise : float, its noise per pixel
    stars_x, stars_y : stars, which are masked
    star_radius_px : radius of the mask

    Returns
    -------
    list of (x0, y0, x1, y1), end points in pixels, in the order of significance
    """
    blocks = _binned(image, stars_x, stars_y, star_radius_px)
    scatter = mad_std(blocks[np.isfinite(blocks)]) if np.isfinite(blocks).any() else 0.0
    if not scatter > 0:
        return []
    excess = np.where(np.isfinite(blocks), blocks / scatter, np.nan)
    found = []
    for _ in range(MAX_TRAILS):
        line = _strongest(excess)
        if line is None:
            break
        ends = _extent(excess, *line)
        if ends is None:
            break
        found.append(tuple(float(BIN_PX * value + 0.5 * (BIN_PX - 1)) for value in ends))
        _blank(excess, *line)
    return found


def _binned(image, x, y, radius):
    ny, nx = (n // BIN_PX * BIN_PX for n in image.shape)
    blocks = (
        image[:ny, :nx]
        .reshape(ny // BIN_PX, BIN_PX, nx // BIN_PX, BIN_PX)
        .mean(axis=(1, 3), dtype=np.float64)
    )
    reach = int(np.ceil(radius / BIN_PX))
    for column, row in zip(x / BIN_PX, y / BIN_PX, strict=True):
        top, left = max(0, int(row) - reach), max(0, int(column) - reach)
        blocks[top : int(row) + reach + 1, left : int(column) + reach + 1] = np.nan
    return blocks


def _strongest(excess):
    """(angle, distance) of the line most voted for, or None. Line: x cos + y sin = distance, about the centre."""
    rows, columns = np.nonzero(np.nan_to_num(excess, nan=0.0) > POINT_SIGMA)
    if len(rows) < PIECES:
        return None
    ny, nx = excess.shape
    x, y = columns - 0.5 * (nx - 1), rows - 0.5 * (ny - 1)
    half = int(np.ceil(0.5 * np.hypot(nx, ny))) + 1
    best = (-np.inf, 0.0, 0.0)
    counts_of_all = np.maximum(_chords(ny, nx, half), 1.0)
    density = len(rows) / excess.size
    for step in range(ANGLES):
        angle = np.pi * step / ANGLES
        distance = np.rint(x * np.cos(angle) + y * np.sin(angle)).astype(int) + half
        votes = np.bincount(distance, minlength=2 * half + 1)[: 2 * half + 1]
        chord = counts_of_all[step]
        # Votes beyond those that this many blocks collect anywhere, in standard deviations of that number.
        score = (votes - density * chord) / np.sqrt(density * chord + 1.0)
        peak = int(np.argmax(score))
        if score[peak] > best[0]:
            best = (score[peak], angle, float(peak - half))
    return best[1:]


def _chords(ny, nx, half):
    """(ANGLES, 2 half + 1) length of each trial line inside the image, blocks."""
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
        if values.size > 2:
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
