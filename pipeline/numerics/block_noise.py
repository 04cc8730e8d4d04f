"""Noise of a stack as measured on its own frames, against what the camera model promises.

The object on the sky is the same in every frame, so the difference of two stacks of disjoint halves of the
frames holds noise alone. It is looked at in blocks of 8 x 8 pixels, since resampled neighbours correlate and a
single pixel looks better than it is; blocks are spread over the whole field, one in each cell of a grid, and
their scatter is taken robustly, so that a star whose seeing changed does not count. Each block is divided by
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

    def take(self, values, kept, models, density_factors, *, row, rows):
        """Note the blocks that lie in a band.

        Parameters
        ----------
        values : (N, C, h, w) samples of the band
        kept : (N, C, h, w) bool, those that are used
        models : C of BandNoise of the band
        density_factors : (N, C) raw pixel variance to equivalent uncorrelated variance
        row : row of the image that ``values[:, :, 0]`` is
        rows : (first, stop) rows of the image that belong to the band without its halo
        """
        for b in np.flatnonzero((self.y >= rows[0]) & (self.y < rows[1])):
            part = np.s_[:, :, self.y[b] - row : self.y[b] - row + BLOCK, self.x[b] : self.x[b] + BLOCK]
            used = kept[part]
            count = used.sum(axis=(2, 3))
            total = np.where(used, values[part], 0.0).sum(axis=(2, 3), dtype=np.float64)
            # A block with a hole has another mean of a star than one without, so all of it has to be there.
            whole = count == BLOCK * BLOCK
            self.block[:, :, b] = np.where(whole, total / np.maximum(count, 1), np.nan)
            middle = np.s_[:, :, self.y[b] - row + BLOCK // 2, self.x[b] + BLOCK // 2]
            self.sample[:, :, b] = np.where(whole, values[middle], np.nan)
            for c, model in enumerate(models):
                left, share = model.column_weights(self.x[b] + BLOCK)
                k, t = left[-BLOCK // 2], share[-BLOCK // 2]
                y = self.y[b] - row + BLOCK // 2
                right = min(k + 1, model.nodes.size - 1)
                sky = (1 - t) * model.sky_variance[:, y, k] + t * model.sky_variance[:, y, right]
                level = (1 - t) * model.level[y, k] + t * model.level[y, right]
                photons = model.gain * (np.nan_to_num(self.block[:, c, b], nan=level) - level)
                self.variance[:, c, b] = (
                    np.maximum(sky + photons, LEAST_VARIANCE_SHARE * sky) * density_factors[:, c]
                )

    def figures(self, weights, channel):
        """Noise against the number of frames.

        Parameters
        ----------
        weights : (N, C) of the frames
        channel : index

        Returns
        -------
        NoiseFigures; entries are NaN where there is nothing to compare (a single frame, too few blocks)
        """
        usable = np.flatnonzero(weights[:, channel] > 0)
        block, sample, variance = (a[usable, channel] for a in (self.block, self.sample, self.variance))
        weight = weights[usable, channel]
        n = usable.size
        counts = sorted({*(2**k for k in range(n.bit_length()) if 2**k <= n), n} - {0})
        made = NoiseFigures(counts, [], [], [])
        for count in counts:
            # Two stacks of `count` frames each where there are as many, else the two halves of `count` frames.
            first, second = (slice(0, 2 * count, 2), slice(1, 2 * count, 2))
            if 2 * count > n:
                first, second = slice(0, count, 2), slice(1, count, 2)
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


def _mean(values, variance, weight):
    """Weighted mean (B,) over the frames and its variance; NaN in a frame leaves the block out."""
    if not len(values):
        return (np.full(values.shape[1], np.nan),) * 2
    total = weight.sum()
    return weight @ values / total, weight**2 @ np.where(np.isfinite(values), variance, np.nan) / total**2
