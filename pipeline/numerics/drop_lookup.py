"""The samples of :mod:`pipeline.numerics.drizzle` found from the output's side: which drop has an output pixel?

A colour of a Bayer array has a pixel in every second column and row. A drop is no larger than its pixel, so where the frame is
not much magnified, shrunk or turned, an output pixel is reached by one drop of each lattice: that of the nearest lattice
pixel. Instead of adding every drop to the four output pixels under it, one looks up for every output pixel the nearest
pixel of each lattice and takes the overlap of both,

    a = s(dx) s(dy),        s(t) = min(max((D + 1) / 2 - |t|, 0), min(D, 1)),

D the side of the drop and (dx, dy) from the centre of the drop to that of the output pixel. Then no sums are kept and
nothing waits for what was written before, so that the processor works on eight pixels at a time.

The samples are those of the drops but for slivers: midway between two large drops of a lattice, an output pixel of a turned
frame is grazed by both, and only the nearer counts. What is left out is at most ``SLIVER_PX`` wide and adds weight, next to
none, to a sample that has next to none.

Where the nodes of a coarse grid lie in the frame is found in float64; between them places and areas are linear, which is
exact for an affine pose and within ``NODE_ERROR_PX`` for the others that are accepted. The grid belongs to the output, not
to the window, so a window cannot change a sample.
"""

import numpy as np
from numba import njit

from pipeline.numerics.cfa import Cfa
from pipeline.numerics.drizzle import drop_side, largest_overlap
from pipeline.numerics.frame_positions import Placement, frame_positions
from pipeline.numerics.matched_samples import along_x, background, finish
from pipeline.numerics.pose import Pose
from pipeline.numerics.surface import PolynomialSurface

__all__ = ["look_up", "node_spacing", "warm"]

SPACINGS = (256, 128, 64, 32, 16)
"""Output pixels between nodes, the widest first: the wider, the less is spent on them."""

NODE_ERROR_PX = 1e-3
"""Largest error of a place between nodes, frame pixels; a tenth of what registration can tell, and a thousandth of the
overlap of a drop."""

LATTICE = 2
"""Spacing of the pixels of a colour. Those of a mono sensor are taken for four lattices."""

SLIVER_PX = 0.05
"""Widest overlap, frame pixels, that may be left out. Drops as large as their pixels may be turned by 3 degrees then, those
of 0.8 of them by 10. A twentieth of the output pixels lie so, with a weight of some 0.025: a thousandth of all weight."""


def node_spacing(placement, pixfrac):
    """Spacing of the nodes for a placement, or None if two drops of a lattice may cover the same output pixel.

    Parameters
    ----------
    placement : Placement
    pixfrac : side of a drop over that of its pixel

    Returns
    -------
    int or None
    """
    frame_per_output, bend = placement.local_bounds
    reach = 0.5 * (drop_side(placement, pixfrac) + 1.0)
    if not frame_per_output * reach <= 0.5 * LATTICE + SLIVER_PX:
        return None
    # Of a function with the second derivative b the chord over a length n is off by b n^2 / 8 at most; two axes add up.
    return next((n for n in SPACINGS if 2 * bend * n**2 / 8 <= NODE_ERROR_PX), None)


def look_up(
    frame, cfa, placement, window, *, spacing, pixfrac, first, scale, backgrounds, saturated, values, weights, index
):  # fmt: skip
    """Samples of a frame in a window of the output; parameters as for :meth:`pipeline.numerics.sampler.Sampler.sample`.

    Parameters
    ----------
    spacing : from :func:`node_spacing`
    pixfrac : side of a drop over that of its pixel
    """
    top, bottom, left, right = window
    frame = np.ascontiguousarray(frame, dtype=np.float32)
    side = drop_side(placement, pixfrac)
    node_row, node_column = top // spacing, left // spacing
    rows, columns = (
        np.arange(a, -(-b // spacing) + 1) * spacing for a, b in ((node_row, bottom), (node_column, right))
    )
    x, y, area = frame_positions(placement.pose, np.tile(columns, rows.size), np.repeat(rows, columns.size))
    ny, nx = placement.pose.shape
    half = 0.5 * np.hypot(nx, ny)
    uv = np.stack([np.ones_like(x), (x - 0.5 * (nx - 1)) / half, (y - 0.5 * (ny - 1)) / half])
    nodes = np.empty((len(cfa.channels), 3, rows.size, columns.size))
    for offset, places in zip(placement.channel_offsets, nodes, strict=True):
        dx, dy = offset @ uv
        stretch = abs(np.linalg.det(np.eye(2) + offset[:, 1:] / half))
        places[:] = np.stack([x + dx, y + dy, area * stretch]).reshape(places.shape)
    lattices = np.array(
        [(c, oy, ox) for c, channel in enumerate(cfa.channels) for oy, ox in cfa.offsets(channel)]
    )
    powers, v = (
        np.stack(parts)
        for parts in zip(
            *(along_x(surface, np.arange(left, right), np.arange(top, bottom)) for surface in backgrounds),
            strict=True,
        )
    )
    _look_up(
        frame,
        tuple(first),
        lattices,
        nodes,
        (node_row * spacing, node_column * spacing, spacing),
        (top, left),
        side,
        np.asarray(scale, dtype=np.float32),
        np.float32(255.0 / largest_overlap(placement, pixfrac)),
        np.float32(saturated),
        powers,
        v,
        values,
        weights,
        index,
    )


def warm():
    """Compile the kernels of this module."""
    values, weights = (np.zeros((3, 8, 1, 8), dtype=kind) for kind in (np.float32, np.uint8))
    look_up(
        np.ones((8, 8), dtype=np.float32), Cfa("RGGB"), Placement(Pose.identity((8, 8)), np.zeros((3, 2, 3))), (0, 8, 0, 8),
        spacing=SPACINGS[0], pixfrac=0.8, first=(0, 0), scale=np.ones(3),
        backgrounds=[PolynomialSurface(0, np.zeros(1), 0.0, 0.0, 1.0)] * 3, saturated=1.0, values=values, weights=weights, index=0,
    )  # fmt: skip


@njit(cache=True, nogil=True, error_model="numpy")
def _look_up(
    frame, first, lattices, nodes, grid, corner, side, scales, full, limit, powers, v, values, weights, index
):
    first_row, _, spacing = grid
    top, _ = corner
    level = np.empty(values.shape[3], np.float32)
    at = np.empty((lattices.shape[0], spacing), np.int32)
    # Each an array of its own: of the rows of one, the compiler does not see that they cannot overlap.
    share, signal, weight = (
        np.empty(spacing, np.float32),
        np.empty(spacing, np.float32),
        np.empty(spacing, np.float32),
    )
    for row in range(values.shape[1]):
        above = (top + row - first_row) // spacing
        down = (top + row - first_row - above * spacing) / spacing
        # All colours of a row, as they share the rows of the frame.
        stop = 0
        for c in range(values.shape[0]):
            start = stop
            while stop < lattices.shape[0] and lattices[stop, 0] == c:
                stop += 1
            background(powers[c], v[c, row], level)
            _look_up_row(
                frame, first, lattices[start:stop], nodes[c], above, down, grid, corner, side, scales[c], full, limit * scales[c],
                level, values[c, row, index], weights[c, row, index], at, share, signal, weight,
            )  # fmt: skip


@njit(cache=True, nogil=True, error_model="numpy")
def _look_up_row(
    frame, first, lattices, nodes, above, down, grid, corner, side, scale, full, limit, level, values, weights, at, shares, signals,
    overlaps,
):  # fmt: skip
    """One colour of a row; ``at`` and what follows it are scratch space."""
    _, first_column, spacing = grid
    _, left = corner
    width, pixels = values.size, frame.reshape(-1)
    ny, nx = frame.shape
    reach, most = np.float32(0.5 * (side + 1.0)), np.float32(min(side, 1.0))
    for k in range(nodes.shape[2] - 1):
        origin = first_column + k * spacing
        start, stop = max(origin - left, 0), min(origin + spacing - left, width)
        n, skipped = stop - start, start + left - origin
        if n <= 0:
            continue
        x, x_right, x_down = _between(nodes[0], above, k, down, spacing)
        y, y_right, y_down = _between(nodes[1], above, k, down, spacing)
        area, area_right, _ = _between(nodes[2], above, k, down, spacing)
        determinant = x_right * y_down - y_right * x_down
        out, out_bytes = values[start:stop], weights[start:stop]
        # Where the pose cannot be inverted there is no frame.
        if not abs(determinant) > 0.0:
            out[:] = np.nan
            out_bytes[:] = 0
            continue
        # From lattice steps to output pixels.
        turn = LATTICE / determinant
        xx, xy = np.float32(turn * y_down), np.float32(-turn * x_down)
        yx, yy = np.float32(-turn * y_right), np.float32(turn * x_right)
        share, signal, weight = shares[:n], signals[:n], overlaps[:n]
        signal[:] = 0.0
        weight[:] = 0.0
        blind = False
        for m in range(lattices.shape[0]):
            _, oy, ox = lattices[m]
            _nearest(
                (x - ox) / LATTICE, x_right / LATTICE, (y - oy) / LATTICE, y_right / LATTICE, xx, xy, yx, yy, reach, most,
                skipped, spacing, oy - first[0], ox - first[1], ny, nx, at[m, :n], share,
            )  # fmt: skip
            blind |= _gather(pixels, at[m, :n], share, signal, weight)
        base, step = np.float32(area), np.float32(area_right)
        for i in range(n):
            # Where nothing fell, 0 / 0 is the NaN that is wanted.
            signal[i] = signal[i] / weight[i] * (base + step * np.float32(np.int32(i + skipped)))
        finish(signal, weight, scale, level[start:stop], full, out, out_bytes)
        if blind:
            # What only saturated pixels show keeps their level with weight 0, as the last resort.
            for i in range(n):
                if out_bytes[i] == 0 and _some_saturated(pixels, at[: lattices.shape[0], i]):
                    out[i] = limit * (base + step * np.float32(i + skipped)) - level[start + i]


@njit(cache=True, nogil=True, error_model="numpy", inline="always")
def _between(nodes, above, k, down, spacing):
    """Value at the column of node ``k``, and its steps to the right and down."""
    a = nodes[above, k] + down * (nodes[above + 1, k] - nodes[above, k])
    b = nodes[above, k + 1] + down * (nodes[above + 1, k + 1] - nodes[above, k + 1])
    right = (b - a) / spacing
    drop = (nodes[above + 1, k] - nodes[above, k] + nodes[above + 1, k + 1] - nodes[above, k + 1]) / (
        2 * spacing
    )
    return a, right, drop


@njit(cache=True, nogil=True, error_model="numpy")
def _nearest(x, x_step, y, y_step, xx, xy, yx, yy, reach, most, skipped, spacing, oy, ox, ny, nx, at, share):
    """For a piece of a row the nearest pixels of a lattice, as places in the flat frame, and their overlaps.

    ``x`` and ``y`` are those of the node to the left, in lattice steps from the origin of the lattice, and the piece begins
    ``skipped`` columns to its right: counted so, the rounding of a place does not depend on where the piece begins. ``oy``
    and ``ox`` are the origin in the frame, whose top and left edge may lie beyond it. Outside of the frame the overlap is 0.
    """
    n = at.size
    # Half a step added, the nearest pixel is the whole part; the least one up to the next node is taken off, so that none is
    # negative.
    x, y = x + 0.5, y + 0.5
    x_least, y_least = np.floor(min(x, x + spacing * x_step)), np.floor(min(y, y + spacing * y_step))
    # Lattice pixels of the frame: from these on, and before those.
    left, top = -(ox // LATTICE), -(oy // LATTICE)
    right, bottom = (nx - ox + LATTICE - 1) // LATTICE, (ny - oy + LATTICE - 1) // LATTICE
    none, half = np.float32(0.0), np.float32(0.5)
    last = skipped + n - 1
    x_start, y_start = x + skipped * x_step, y + skipped * y_step
    x_end, y_end = x + last * x_step, y + last * y_step
    u_most, v_most = np.floor(max(x_start, x_end)) + 1.0, np.floor(max(y_start, y_end)) + 1.0
    u_least, v_least = np.floor(min(x_start, x_end)) - 1.0, np.floor(min(y_start, y_end)) - 1.0
    if u_most < left or v_most < top or u_least >= right or v_least >= bottom:
        at[:] = 0
        share[:] = none
        return
    u, v, du, dv = np.float32(x - x_least), np.float32(y - y_least), np.float32(x_step), np.float32(y_step)
    across, down = np.int32(LATTICE), np.int32(LATTICE * nx)
    corner = np.int32((oy + LATTICE * y_least) * nx + ox + LATTICE * x_least)
    lead = np.int32(skipped)
    for i in range(n):
        s = np.float32(np.int32(lead + np.int32(i)))
        p, q = u + du * s, v + dv * s
        # Rounding may make it a hair less than nothing.
        p, q = p if p > none else none, q if q > none else none
        column, row = np.int32(p), np.int32(q)
        p, q = p - np.float32(column) - half, q - np.float32(row) - half
        dx, dy = abs(xx * p + xy * q), abs(yx * p + yy * q)
        wide, high = reach - dx, reach - dy
        wide, high = wide if wide > none else none, high if high > none else none
        wide, high = wide if wide < most else most, high if high < most else most
        share[i] = wide * high
        at[i] = np.int32(corner + np.int32(np.int32(row * down) + np.int32(column * across)))
    if u_least >= left and v_least >= top and u_most < right and v_most < bottom:
        return
    for i in range(n):
        s = np.float32(np.int32(lead + np.int32(i)))
        column = np.int32(max(u + du * s, none)) + x_least
        row = np.int32(max(v + dv * s, none)) + y_least
        if not (left <= column < right and top <= row < bottom):
            at[i] = 0
            share[i] = none


@njit(cache=True, nogil=True, error_model="numpy")
def _gather(pixels, at, share, signal, weight):
    """Add the overlaps and what they weigh; tell whether a pixel was saturated."""
    none, infinite = np.float32(0.0), np.float32(np.inf)
    saturated = np.uint8(0)
    for i in range(at.size):
        pixel = pixels[np.uint32(at[i])]
        # Neither NaN nor infinity is dropped.
        good = abs(pixel) < infinite
        overlap = share[i] if good else none
        signal[i] += overlap * (pixel if good else none)
        weight[i] += overlap
        saturated |= np.uint8(pixel == infinite)
    return saturated > 0


@njit(cache=True, nogil=True)
def _some_saturated(pixels, at):
    some = False
    for place in at:
        some |= pixels[place] == np.inf
    return some
