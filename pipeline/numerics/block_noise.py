"""Noise of a stack as measured on its own frames, against what the camera model promises.

The object on the sky is the same in every frame, so the difference of two stacks of disjoint halves of the
frames holds noise alone. It is looked at in blocks of 8 x 8 pixels, since resampled neighbours correlate and a
single pixel looks better than it is; blocks are spread over the whole field, one in each cell of a grid, and
their scatter is taken robustly. In a field full of stars that is not enough: most blocks hold the wings of some, which
change with the seeing. So the halves are made alike in seeing: of the frames in the order of their star widths the
first, fourth, fifth, eighth, ... go to one half and the others to the other, which cancels what is linear in the order.
Each block is divided by
what the model expects of it before the scatter is taken; the figures given are that ratio times the
expected noise of the median block.
"""

from dataclasses import dataclass, field

import numpy as np

from pipeline.numerics.band_noise import LEAST_VARIANCE_SHARE
from pipeline.numerics.robust import mad_std

__all__ = ["BLOCK", "BlockSamples", "NoiseFigures"]

BLOCK = 8
"""Side of a block, pixels; bands of the stack end on multiples of it."""

BLOCKS_ALONG_LONG_SIDE = 32
"""Blocks along the longer side, some 700 in all: their scatter is known to 3 %."""

LEAST_COMPLETENESS = 0.8
"""Least share of a complete block where samples are drops, of which some cross the block's edges; interpolated
samples have to be all there."""

LEAST_BLOCKS = 12
"""Below this number of blocks no scatter is given."""


@dataclass(frozen=True)
class NoiseFigures:
    """Of one channel, for the first n frames in each entry; electrons per second.

    Attributes
    ----------
    frames : list of int, 1, 2, 4, ... and the number of frames
    block, ideal_block : noise of the mean of a block, measured and expected
    sample : noise of a single stacked pixel
    """

    frames: list[int]
    block: list[float]
    ideal_block: list[float]
    sample: list[float]


@dataclass
class BlockSamples:
    """Means of every frame over the blocks.

    Attributes
    ----------
    y, x : (B,) int, first row and column of each block
    block, sample, variance : (N, C, B) float64, mean over the block, its middle pixel, and the equivalent
        uncorrelated variance there; NaN where the frame does not cover the block
    """

    y: np.ndarray
    x: np.ndarray
    block: np.ndarray = field(repr=False)
    sample: np.ndarray = field(repr=False)
    variance: np.ndarray = field(repr=False)

    @classmethod
    def over(cls, shape, n_frames, n_channels):
        """Blocks spread over an image of ``shape``."""
        step = max(BLOCK, max(shape) / BLOCKS_ALONG_LONG_SIDE)
        y, x = (np.unique((np.arange(0.5 * step, n, step) // BLOCK).astype(int)) * BLOCK for n in shape)
        y, x = y[y + BLOCK <= shape[0]], x[x + BLOCK <= shape[1]]
        y, x = (axis.ravel() for axis in np.meshgrid(y, x, indexing="ij"))
        return cls(y, x, *(np.full((n_frames, n_channels, y.size), np.nan) for _ in range(3)))

    def take(
        self, values, weights, outlier, models, density_factors, *, window, rows, columns, frames=slice(None), units=None,
        drops=False,
    ):  # fmt: skip
        """Note the blocks that begin in a tile.

        Parameters
        ----------
        values, weights, outlier : (N, C, h, w) samples of the tile, as for :func:`pipeline.numerics.weighted_sum.combine`
        models : C of BandNoise of the tile
        density_factors : (N, C) raw pixel variance to equivalent uncorrelated variance
        window : (first row, stop row, first column, stop column) of the image that ``values`` covers
        rows, columns : (first, stop) of the image that belong to the tile without its margins
        frames : slice of the frames that these are
        units : (N, C) completeness of a sample whose weight is 255; 1 by default
        drops : whether samples are drops
        """
        units = np.ones(values.shape[:2]) if units is None else np.asarray(units)
        least = (LEAST_COMPLETENESS if drops else 1.0) * BLOCK * BLOCK
        inside = (self.y >= rows[0]) & (self.y < rows[1]) & (self.x >= columns[0]) & (self.x < columns[1])
        for b in np.flatnonzero(inside):
            y, x = self.y[b] - window[0], self.x[b] - window[2]
            if y + BLOCK > values.shape[2] or x + BLOCK > values.shape[3]:
                continue
            part = np.s_[:, :, y : y + BLOCK, x : x + BLOCK]
            weight = np.where(outlier[part], 0, weights[part]).astype(np.float64) / 255.0
            weight *= units[:, :, None, None]
            total = weight.sum(axis=(2, 3))
            signal = np.where(weight > 0, weight * np.nan_to_num(values[part]), 0.0).sum(axis=(2, 3))
            # A block with a hole has another mean of a star than one without, so all of it has to be there.
            whole = total >= least * (1 - 1e-9)
            self.block[frames, :, b] = np.where(whole, signal / np.where(whole, total, 1.0), np.nan)
            middle = np.s_[:, :, y + BLOCK // 2, x + BLOCK // 2]
            seen = whole & (weights[middle] > 0) & ~outlier[middle]
            self.sample[frames, :, b] = np.where(seen, values[middle], np.nan)
            for c, model in enumerate(models):
                sky, level = model.at(y + BLOCK // 2, x + BLOCK // 2)
                photons = model.gain * (np.nan_to_num(self.block[frames, c, b], nan=level) - level)
                self.variance[frames, c, b] = (
                    np.maximum(sky + photons, LEAST_VARIANCE_SHARE * sky) * density_factors[:, c]
                )

    def figures(self, weights, channel, *, fwhm_px=None):
        """Noise against the number of frames.

        Parameters
        ----------
        weights : (N, C) of the frames
        channel : index
        fwhm_px : (N,) seeing of the frames, NaN where unknown; all alike by default

        Returns
        -------
        NoiseFigures; entries are NaN where there is nothing to compare (a single frame, too few blocks)
        """
        usable = np.flatnonzero(weights[:, channel] > 0)
        block, sample, variance = (a[usable, channel] for a in (self.block, self.sample, self.variance))
        weight = weights[usable, channel]
        n = usable.size
        fwhm = np.zeros(n) if fwhm_px is None else np.asarray(fwhm_px, dtype=np.float64)[usable]
        counts = sorted({*(2**k for k in range(n.bit_length()) if 2**k <= n), n} - {0})
        made = NoiseFigures(counts, [], [], [])
        for count in counts:
            # Two stacks of `count` frames each where there are as many, else the two halves of `count` frames.
            first, second = _halves(fwhm[: 2 * count if 2 * count <= n else count])
            _, whole_variance = _mean(block[:count], variance[:count], weight[:count])
            expected = (
                float(np.sqrt(np.nanmedian(whole_variance))) / BLOCK
                if np.isfinite(whole_variance).any()
                else np.nan
            )
            made.ideal_block.append(expected)
            for values, out, scale in ((block, made.block, BLOCK), (sample, made.sample, 1)):
                a, a_variance = _mean(values[first], variance[first], weight[first])
                b, b_variance = _mean(values[second], variance[second], weight[second])
                pull = (a - b) * scale / np.sqrt(a_variance + b_variance)
                enough = np.isfinite(pull).sum() >= LEAST_BLOCKS
                out.append(float(mad_std(pull)) * expected * BLOCK / scale if enough else np.nan)
        return made


def _halves(fwhm):
    """Indices of two halves of the frames that are alike in seeing."""
    order = np.argsort(fwhm, kind="stable")
    side = (np.arange(order.size) + 1) // 2 % 2
    return order[side == 0], order[side == 1]


def _mean(values, variance, weight):
    """Weighted mean (B,) over the frames and its variance; NaN in a frame leaves the block out."""
    if not len(values):
        return (np.full(values.shape[1], np.nan),) * 2
    total = weight.sum()
    return weight @ values / total, weight**2 @ np.where(np.isfinite(values), variance, np.nan) / total**2
