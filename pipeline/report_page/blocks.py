"""Stacks reduced to means over square blocks: small enough to keep all of them, and free of correlated noise."""

from dataclasses import dataclass

import numpy as np

from pipeline.bundles import channels_for
from pipeline.errors import InputError
from pipeline.fitsio import read_image

__all__ = ["BENCH_BLOCK", "BlockMap", "block_mean", "read_block_map"]

BENCH_BLOCK = 8
"""Side of a block in pixels: several times the reach of resampling correlation (a kernel or two), so that
blocks are independent, and still small against a nebula's structure."""

WELL_COVERED = 0.5
"""Blocks with less than this share of the deepest coverage are edges of the dither pattern and are left out."""


@dataclass(frozen=True)
class BlockMap:
    """Block means of one image of ours.

    Attributes
    ----------
    value : (C, by, bx) float64, electron/s per pixel; NaN outside the well covered area
    variance : (C, by, bx) float64, variance of the block mean, square of that unit
    background : (C, by, bx) float64 or None, what flattening subtracted
    block : side of a block, pixels
    """

    value: np.ndarray
    variance: np.ndarray
    background: np.ndarray | None
    block: int

    @property
    def channels(self):
        """Channel names in plane order."""
        return channels_for(self.value.shape[0])

    @property
    def pixel_noise(self):
        """(C,) noise per pixel (equivalent, uncorrelated): median over the field, electron/s."""
        medians = [
            np.median(plane[np.isfinite(plane)]) if np.isfinite(plane).any() else np.nan
            for plane in self.variance
        ]
        return np.sqrt(np.array(medians)) * self.block

    @property
    def significance(self):
        """(C, by, bx) value over its noise, per block."""
        with np.errstate(invalid="ignore", divide="ignore"):
            return self.value / np.sqrt(self.variance)


def read_block_map(path, *, block=BENCH_BLOCK):
    """Read an image with its variance, block by block; at most three of its planes are in memory at a time.

    Returns
    -------
    BlockMap, or None if the image holds no data anywhere

    Raises
    ------
    InputError
        If the file cannot be read, or is smaller than a few blocks.
    """
    variance_plane = _cube(path, "VARIANCE")
    try:
        coverage = _cube(path, "COVERAGE")
    except InputError:
        # Line maps come from several stacks and have no frame count of their own: known where their variance is.
        coverage = (np.isfinite(variance_plane) & (variance_plane > 0)).astype(np.float32)
    if min(coverage.shape[1:]) < 4 * block:
        raise InputError(f"{path}: {coverage.shape[2]} x {coverage.shape[1]} pixels are too few for a report")
    if not (coverage > 0).any():
        return None
    covered = coverage >= WELL_COVERED * coverage.max(axis=(1, 2), keepdims=True)
    covered &= coverage > 0
    del coverage
    value = block_mean(_cube(path), block, covered)
    # Variance of the mean of the n covered pixels of a block is mean(VARIANCE) / n.
    counted = block_mean(covered.astype(np.float32), block, None) * block**2
    with np.errstate(invalid="ignore", divide="ignore"):
        variance = block_mean(variance_plane, block, covered) / counted
    del variance_plane
    try:
        background = block_mean(_cube(path, "BACKGROUND"), block, covered)
    except InputError:
        background = None
    thin = counted < WELL_COVERED * block**2
    for cube in (value, variance, background):
        if cube is not None:
            cube[thin] = np.nan
    return BlockMap(value, variance, background, block)


def block_mean(cube, block, covered):
    """Mean of the covered, finite pixels of each block.

    Parameters
    ----------
    cube : (C, ny, nx)
    block : side in pixels; an incomplete last row or column of blocks is left out
    covered : (C, ny, nx) bool, or None for all

    Returns
    -------
    (C, ny // block, nx // block) float64; NaN where nothing counts
    """
    use = np.isfinite(cube) if covered is None else covered & np.isfinite(cube)
    total = _block_sum(np.where(use, cube, 0.0), block)
    number = _block_sum(use, block)
    with np.errstate(invalid="ignore", divide="ignore"):
        return total / number


def _block_sum(cube, block):
    channels, ny, nx = cube.shape
    by, bx = ny // block, nx // block
    cut = cube[:, : by * block, : bx * block].reshape(channels, by, block, bx, block)
    return cut.sum(axis=(2, 4), dtype=np.float64)


def _cube(path, name=None):
    plane = read_image(path, name)
    return plane[None] if plane.ndim == 2 else plane
