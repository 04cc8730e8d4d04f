"""A close look at the cores of many stars: how far each stands out of the ring around it."""

import numpy as np
from numba import njit

from pipeline.numerics.bands import in_bands
from pipeline.numerics.robust import MAD_TO_SIGMA

__all__ = ["FIGURES", "core_figures", "warm"]

FIGURES = ("share", "excess", "noise", "scatter", "strength")
"""What :func:`core_figures` tells of a star, in this order."""

LEAST_CORE, LEAST_RING, LEAST_SIDE = 4, 8, 3
"""Pixels of a core, of a ring, and along the sides of the window around both that a star must have left at the edge of the
image: three to a side, so that a ring cut by it still has a slope both ways."""


def core_figures(line, variance, continuum, x, y, *, core, ring, quiet_sigma, closely):
    """What stars leave in the cores of a line map.

    Most stars leave nothing: where all pixels of a core lie within ``quiet_sigma`` of the median around, that is all there
    is to say, whatever slope the gas has. Of the others a plane through the ring is taken off first, for gas slopes; what
    scatters about it adds to the noise, for gas has edges.

    Parameters
    ----------
    line, variance, continuum : (ny, nx) float32; the last is the starlight that is expected there
    x, y : (n,) positions, pixels
    core : radius of the core, pixels
    ring : (inner, outer) radius of the ring that gives level and scatter, pixels
    quiet_sigma : see above, in units of the median noise around
    closely : (n,) bool, stars that get the full look in any case

    Returns
    -------
    seen : (n,) bool, stars with figures: not quiet, and neither at the edge nor near pixels without a value
    figures : (n, 5) float64, see ``FIGURES``: light left in the core over starlight (NaN where there is no starlight); largest
        departure in the core, in sigma of noise and scatter; noise of a pixel; scatter of the ring; starlight of the core
        over its noise and scatter. NaN for stars that are not seen
    """
    planes = [np.ascontiguousarray(plane, dtype=np.float32) for plane in (line, variance, continuum)]
    x, y = (np.asarray(places, dtype=np.float64) for places in (x, y))
    closely = np.asarray(closely, dtype=bool)
    seen, figures = np.zeros(x.size, dtype=bool), np.full((x.size, len(FIGURES)), np.nan)
    # From top to bottom, so that neighbours find each other's rows in the cache.
    order = np.argsort(y, kind="stable")

    def band(start, stop):
        _look(*planes, x, y, order[start:stop], core, *ring, quiet_sigma, closely, seen, figures)

    in_bands(band, x.size)
    return seen, figures


def warm():
    """Compile the kernel."""
    plane = np.ones((12, 12), dtype=np.float32)
    core_figures(
        plane, plane, plane, [6.0], [6.0], core=2.0, ring=(3.0, 5.0), quiet_sigma=4.0, closely=np.ones(1, bool)
    )  # fmt: skip


@njit(cache=True, nogil=True)
def _look(line, variance, continuum, x, y, chosen, core, inner, outer, quiet_sigma, closely, seen, figures):
    side = 2 * (int(np.ceil(outer)) + 2) + 1
    room = np.empty((3, side * side), dtype=np.float32)
    for k in chosen:
        if closely[k] or not _is_quiet(line, variance, x[k], y[k], core, inner, quiet_sigma, room):
            seen[k] = _examine(line, variance, continuum, x[k], y[k], core, inner, outer, room, figures[k])


@njit(cache=True, nogil=True)
def _is_quiet(line, variance, x, y, core, inner, quiet_sigma, room):
    """Whether nothing stands out in the square around a core. The noise is that of the surroundings: the star's own photons
    make the core noisier, and would excuse what it leaves.
    """
    ny, nx = line.shape
    column, row = int(np.rint(x)), int(np.rint(y))
    reach, half = int(np.ceil(inner)) + 1, int(np.ceil(core))
    count = 0
    for j in range(max(row - reach, 0), min(row + reach + 1, ny)):
        for i in range(max(column - reach, 0), min(column + reach + 1, nx)):
            if not np.isfinite(variance[j, i]):
                return False
            room[0, count], room[1, count] = line[j, i], variance[j, i]
            count += 1
    if count == 0:
        return False
    level = np.median(room[0, :count])
    limit = quiet_sigma * np.sqrt(np.median(room[1, :count]))
    for j in range(max(row - half, 0), min(row + half + 1, ny)):
        for i in range(max(column - half, 0), min(column + half + 1, nx)):
            # Turned round, so that what is no number is not quiet.
            if not abs(line[j, i] - level) < limit:
                return False
    return True


@njit(cache=True, nogil=True, error_model="numpy")
def _examine(line, variance, continuum, x, y, core, inner, outer, room, figures):
    """Write the figures of one star; False where it has none."""
    ny, nx = line.shape
    reach = int(np.ceil(outer)) + 1
    x0, x1 = max(int(x) - reach, 0), min(int(x) + reach + 1, nx)
    y0, y1 = max(int(y) - reach, 0), min(int(y) + reach + 1, ny)
    n_core = n_ring = 0
    # Sums over the ring for the plane: level, position, their squares and products.
    z = u = v = uu = uv = vv = uz = vz = 0.0
    for j in range(y0, y1):
        for i in range(x0, x1):
            across, down = i - x, j - y
            distance2 = across * across + down * down
            if distance2 <= core * core:
                n_core += 1
            elif inner * inner < distance2 <= outer * outer:
                if not np.isfinite(variance[j, i]):
                    return False
                room[1, n_ring], room[2, n_ring] = variance[j, i], continuum[j, i]
                n_ring += 1
                value = float(line[j, i])
                z, u, v = z + value, u + across, v + down
                uu, uv, vv = uu + across * across, uv + across * down, vv + down * down
                uz, vz = uz + across * value, vz + down * value
    if n_core < LEAST_CORE or n_ring < LEAST_RING or min(x1 - x0, y1 - y0) < LEAST_SIDE:
        return False
    z, u, v = z / n_ring, u / n_ring, v / n_ring
    uu, uv, vv = uu / n_ring - u * u, uv / n_ring - u * v, vv / n_ring - v * v
    uz, vz = uz / n_ring - u * z, vz / n_ring - v * z
    determinant = uu * vv - uv * uv
    along_x, along_y = (uz * vv - vz * uv) / determinant, (vz * uu - uz * uv) / determinant
    level = z - along_x * u - along_y * v
    noise = np.sqrt(np.median(room[1, :n_ring]))
    behind = np.median(room[2, :n_ring])
    count = 0
    left = highest = starlight = 0.0
    for j in range(y0, y1):
        for i in range(x0, x1):
            across, down = i - x, j - y
            distance2 = across * across + down * down
            on_top = line[j, i] - (level + along_x * across + along_y * down)
            if distance2 <= core * core:
                left += on_top
                highest = max(highest, abs(on_top))
                starlight += continuum[j, i] - behind
            elif inner * inner < distance2 <= outer * outer:
                room[0, count] = on_top
                count += 1
    about = room[0, :n_ring]
    scatter = MAD_TO_SIGMA * np.median(np.abs(about - np.median(about)))
    total = np.hypot(noise, scatter)
    figures[0] = left / starlight if starlight > 0 else np.nan
    figures[1], figures[2], figures[3] = highest / total, noise, scatter
    figures[4] = starlight / (total * np.sqrt(n_core))
    return True
