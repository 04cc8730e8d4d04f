"""How a sum is cut so that it stays within its memory: the image into tiles, the frames into groups."""

from dataclasses import dataclass

__all__ = ["GROUP", "TilePlan", "groups_of", "plan_tiles"]

GROUP = 64
"""Frames that reject among themselves at most: a satellite at one place in half of them is still found."""

BYTES_PER_SAMPLE = 6
"""Value (4), weight and flag (1 each), for every frame and channel of a tile."""

BYTES_PER_POSITION = 176
"""Of a tile, whatever the number of frames: places in the frame and area (48 with what they are made from), one
frame's samples, weights and sums (36), its pixels (8), the sums of all samples (48), centres, their noise and what the
screen found (27)."""

BYTES_PER_OUTPUT = 16
"""Mean, weight and variance (4 each), coverage and rejected (2 each)."""

TILE_WIDTHS = (1024, 512)
"""Columns of a tile: the wider, the less its margins cost."""

TILE_HEIGHTS = (256, 192, 128, 96, 64, 48, 32, 24, 16, 8)
"""Rows of a tile; multiples of the side of a block."""


@dataclass(frozen=True)
class TilePlan:
    """How an image is cut.

    Attributes
    ----------
    strips : list of (first, stop) rows of the output, each cut into tiles
    columns : list of (first, stop) columns of the tiles
    bytes_needed : estimate of what a sum needs at once, a strip of output included
    fits : whether that is within the budget
    """

    strips: list[tuple[int, int]]
    columns: list[tuple[int, int]]
    bytes_needed: int
    fits: bool


def groups_of(n_frames):
    """List of slices of the frames that reject among themselves."""
    count = -(-n_frames // GROUP)
    return [slice(k, None, count) for k in range(count)]


def plan_tiles(shape, n_frames, n_channels, *, budget_bytes, halo, threads=1):
    """Cut an image of ``shape`` into the tiles whose margins cost least among those that fit into the budget."""
    ny, nx = shape
    per_pixel = BYTES_PER_SAMPLE * min(n_frames, GROUP) * n_channels + BYTES_PER_POSITION

    def even(width):
        # As many tiles for every thread, of one width but for the last.
        count = -(-max(-(-nx // width), 1) // threads) * threads
        return -(-nx // (8 * count)) * 8

    def needed(width, height):
        tile = (width + 2 * halo) * (height + 2 * halo)
        return BYTES_PER_OUTPUT * n_channels * nx * height + threads * per_pixel * tile

    def margins(size):
        return (1 + 2 * halo / size[0]) * (1 + 2 * halo / min(size[1], ny))

    sizes = [(even(width), height) for width in TILE_WIDTHS for height in TILE_HEIGHTS]
    fitting = [size for size in sizes if needed(*size) <= budget_bytes]
    width, height = min(fitting, key=margins) if fitting else sizes[-1]
    strips, columns = (
        [(first, min(first + step, n)) for first in range(0, n, step)]
        for n, step in ((ny, height), (nx, width))
    )
    return TilePlan(strips, columns, needed(width, height), bool(fitting))
