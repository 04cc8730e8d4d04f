"""The colour filter array: which pixel sees which colour, and a luminance without its pattern."""

from dataclasses import dataclass

import numpy as np
from scipy import ndimage

from pipeline.bundles import CHANNELS_COLOUR, CHANNELS_MONO

__all__ = ["BAYER_PATTERNS", "MONO", "Cfa", "luminance"]

BAYER_PATTERNS = ("RGGB", "BGGR", "GRBG", "GBRG")
"""The four arrangements of a Bayer array: colours of the pixels (0,0), (0,1), (1,0), (1,1) as (y, x)."""

MONO = "mono"
"""Pattern name of a sensor without colour filters."""

LUMINANCE_KERNEL = np.array([0.25, 0.5, 0.25])
"""Along each axis; on a Bayer array the product gives R/4 + G/2 + B/4 at every pixel."""


@dataclass(frozen=True)
class Cfa:
    """A colour filter array.

    Attributes
    ----------
    pattern : one of ``BAYER_PATTERNS`` or "mono", of the stored array's upper left 2 x 2 pixels
    """

    pattern: str

    def __post_init__(self):
        if self.pattern != MONO and self.pattern not in BAYER_PATTERNS:
            raise ValueError(f"pattern is 'mono' or one of {BAYER_PATTERNS}, got {self.pattern!r}")

    @property
    def is_mono(self):
        return self.pattern == MONO

    @property
    def channels(self):
        """Channel names in plane order: ("R", "G", "B") or ("L",)."""
        return CHANNELS_MONO if self.is_mono else CHANNELS_COLOUR

    @property
    def cell(self):
        """(2, 2) uint8: channel index of each pixel of the repeating cell."""
        if self.is_mono:
            return np.zeros((2, 2), dtype=np.uint8)
        return np.array([CHANNELS_COLOUR.index(c) for c in self.pattern], dtype=np.uint8).reshape(2, 2)

    def index_map(self, ny, nx):
        """(ny, nx) uint8: channel index of every pixel."""
        return np.tile(self.cell, (-(-ny // 2), -(-nx // 2)))[:ny, :nx]

    def offsets(self, channel):
        """[(dy, dx), ...] of a channel within the 2 x 2 cell; for mono all four pixels."""
        index = self.channels.index(channel)
        return [(dy, dx) for dy in (0, 1) for dx in (0, 1) if self.cell[dy, dx] == index]

    def planes(self, frame, channel):
        """Views of the half-size planes of one channel (two for green, one for red and blue, four for mono)."""
        return [frame[dy::2, dx::2] for dy, dx in self.offsets(channel)]


def luminance(frame, cfa):
    """A grey image with the same pixel grid, free of the colour pattern.

    Convolution of the raw array with [1 2 1] x [1 2 1] / 16 weighs the four pixels of every 2 x 2 cell
    alike wherever it is centred, so each output is R/4 + G/2 + B/4 and a star's place does not depend on
    its colour (unlike sums over fixed cells, which shift red and blue by half a pixel).
    It widens a point source by 0.5 px^2 of variance along each axis.

    Parameters
    ----------
    frame : (ny, nx) array
    cfa : Cfa; for a mono sensor the frame is returned unchanged, as float32

    Returns
    -------
    (ny, nx) float32
    """
    frame = np.asarray(frame, dtype=np.float32)
    if cfa.is_mono:
        return frame
    # "mirror" reflects about the centre of the edge pixel, which keeps the parity of the pattern.
    rows = ndimage.correlate1d(frame, LUMINANCE_KERNEL, axis=0, mode="mirror")
    return ndimage.correlate1d(rows, LUMINANCE_KERNEL, axis=1, mode="mirror")
