"""Discs and rings on the pixel grid: which pixels they hold, and the light in them."""

import numpy as np
from numba import njit

from pipeline.numerics.bands import in_bands

__all__ = ["cover_discs", "disc_sums", "warm"]

HALF_DIAGONAL = 0.7072
"""Of a pixel, rounded up: how far beyond a disc's rim a pixel's centre may lie that has a part in it."""


def disc_sums(plane, variance, x, y, *, radius, ring):
    """Sums over discs, less the mean of a ring around.

    A pixel at the rim of a disc counts by the area of it that lies inside, one at the rim of a ring by its centre.
    Pixels outside of the plane, and those that are not finite, hold nothing.

    Parameters
    ----------
    plane : (ny, nx) float32
    variance : (ny, nx) float32, or None for 0
    x, y : (n,) centres, pixels
    radius : of the discs
    ring : (inner, outer) radius of the rings

    Returns
    -------
    total, error : (n,) float64; the error is that of the sum and of the ring's mean, where variance, like light, is spread
        evenly over a pixel and independent from place to place
    """
    plane = np.ascontiguousarray(plane, dtype=np.float32)
    if variance is None:
        variance = np.zeros((0, 0), dtype=np.float32)
    variance = np.ascontiguousarray(variance, dtype=np.float32)
    x, y = (np.asarray(places, dtype=np.float64) for places in (x, y))
    total, error = np.zeros(x.size), np.zeros(x.size)
    # From top to bottom, so that neighbours find each other's rows in the cache.
    order = np.argsort(y, kind="stable")

    def band(start, stop):
        _sums(plane, variance, x, y, order[start:stop], float(radius), *map(float, ring), total, error)

    in_bands(band, x.size)
    return total, error


@njit(cache=True, nogil=True)
def cover_discs(mask, x, y, radius):
    """Set the pixels of ``mask`` (ny, nx) whose centres lie within ``radius`` (n,) of ``x``, ``y`` (n,), in place."""
    ny, nx = mask.shape
    for k in range(x.size):
        limit = radius[k] * radius[k]
        for j in range(max(int(np.ceil(y[k] - radius[k])), 0), min(int(np.floor(y[k] + radius[k])) + 1, ny)):
            half = np.sqrt(max(limit - (j - y[k]) ** 2, 0.0))
            # A pixel more at either end: the root may be rounded to the wrong side of one.
            for i in range(max(int(x[k] - half) - 1, 0), min(int(x[k] + half) + 2, nx)):
                if (i - x[k]) ** 2 + (j - y[k]) ** 2 <= limit:
                    mask[j, i] = True


def warm():
    """Compile the kernels."""
    plane = np.ones((9, 9), dtype=np.float32)
    for variance in (None, plane):
        disc_sums(plane, variance, [4.0], [4.0], radius=1.5, ring=(2.0, 4.0))
    cover_discs(np.zeros((9, 9), dtype=bool), np.array([4.0]), np.array([4.0]), np.array([2.0]))


@njit(cache=True, nogil=True)
def _sums(plane, variance, x, y, chosen, radius, inner, outer, total, error):
    ny = plane.shape[0]
    with_error = variance.size > 0
    for k in chosen:
        light = spread = area = level = level_spread = 0.0
        count = 0
        for j in range(max(int(np.ceil(y[k] - outer)), 0), min(int(np.floor(y[k] + outer)) + 1, ny)):
            v = j - y[k]
            first, stop = _chord(x[k], v, outer, plane.shape[1])
            hole, beyond = _chord(x[k], v, inner, plane.shape[1])
            if beyond <= hole:
                hole = beyond = stop
            count += hole - first + stop - beyond
            level += _row_sum(plane[j], first, hole) + _row_sum(plane[j], beyond, stop)
            if with_error:
                level_spread += _row_sum(variance[j], first, hole) + _row_sum(variance[j], beyond, stop)
        reach = radius + HALF_DIAGONAL
        for j in range(max(int(np.ceil(y[k] - reach)), 0), min(int(np.floor(y[k] + reach)) + 1, ny)):
            v = j - y[k]
            for i in range(*_chord(x[k], v, reach, plane.shape[1])):
                share = _share_inside(i - x[k], v, radius)
                area += share
                if np.isfinite(plane[j, i]):
                    light += share * plane[j, i]
                if with_error and np.isfinite(variance[j, i]):
                    spread += share * variance[j, i]
        if count:
            light -= area * level / count
            spread += level_spread * (area / count) ** 2
        total[k], error[k] = light, np.sqrt(spread)


@njit(cache=True, nogil=True)
def _chord(x, v, radius, nx):
    """First and stop column of the pixels of a row, ``v`` off the centre, that lie nearer to it than ``radius``."""
    if v * v >= radius * radius:
        return 0, 0
    half = np.sqrt(radius * radius - v * v)
    first, stop = int(np.ceil(x - half)), int(np.floor(x + half)) + 1
    # On the circle itself, or where the root was rounded.
    if (first - x) ** 2 + v * v >= radius * radius:
        first += 1
    if (stop - 1 - x) ** 2 + v * v >= radius * radius:
        stop -= 1
    first = min(max(first, 0), nx)
    return first, max(min(stop, nx), first)


@njit(cache=True, nogil=True, fastmath={"reassoc"})
def _row_sum(row, first, stop):
    # Only where the order of the terms is the compiler's choice does it add several at a time.
    total = 0.0
    for i in range(first, stop):
        total += row[i] if np.isfinite(row[i]) else 0.0
    return total


@njit(cache=True, nogil=True)
def _share_inside(u, v, radius):
    """Area of the pixel about (u, v) within ``radius`` of the origin."""
    # The disc looks the same from all quadrants: the pixel is folded into the first, and cut where it lies across an axis.
    u, v = abs(u), abs(v)
    if (u + 0.5) ** 2 + (v + 0.5) ** 2 <= radius * radius:
        return 1.0
    area = _area_within(max(u - 0.5, 0.0), u + 0.5, max(v - 0.5, 0.0), v + 0.5, radius)
    if u < 0.5:
        area += _area_within(0.0, 0.5 - u, max(v - 0.5, 0.0), v + 0.5, radius)
    if v < 0.5:
        area += _area_within(max(u - 0.5, 0.0), u + 0.5, 0.0, 0.5 - v, radius)
        if u < 0.5:
            area += _area_within(0.0, 0.5 - u, 0.0, 0.5 - v, radius)
    return area


@njit(cache=True, nogil=True)
def _area_within(left, right, low, high, radius):
    """Area of a rectangle of the first quadrant within ``radius`` of the origin."""
    if left * left + low * low >= radius * radius:
        return 0.0
    # The circle, seen along x: above the rectangle, then within its height, then below.
    first = min(max(np.sqrt(max(radius * radius - high * high, 0.0)), left), right)
    last = min(max(np.sqrt(radius * radius - low * low), left), right)
    under = _under_circle(last, radius) - _under_circle(first, radius)
    return (first - left) * (high - low) + under - low * (last - first)


@njit(cache=True, nogil=True)
def _under_circle(x, radius):
    """Area between the axis and a circle about the origin, from 0 to ``x``."""
    return 0.5 * (
        x * np.sqrt(max(radius * radius - x * x, 0.0)) + radius * radius * np.arcsin(min(x / radius, 1.0))
    )
