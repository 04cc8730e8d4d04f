"""The weighted mean of the samples that were kept, with its variance, and the merge of such means."""

from dataclasses import dataclass

import numpy as np
from numba import njit

from pipeline.numerics.band_noise import LEAST_VARIANCE_SHARE, BandNoise, along_row

__all__ = ["PartialSum", "combine", "merge", "warm"]


@dataclass(frozen=True)
class PartialSum:
    """A stack as a partial sum, from which a larger stack can be made without its frames.

    Attributes
    ----------
    mean : (..., ny, nx) float32, sum(w x) / sum(w); where nothing was kept, the mean of the saturated samples as
        the best there is, else 0
    weight : float32, sum(w); 0 where nothing was kept
    variance : float32, sum(w^2 V) / sum(w)^2 with V the equivalent uncorrelated variance of a sample;
        0 where nothing was kept
    coverage : uint16, samples kept
    rejected : uint16, samples rejected
    """

    mean: np.ndarray
    weight: np.ndarray
    variance: np.ndarray
    coverage: np.ndarray
    rejected: np.ndarray

    @classmethod
    def empty(cls, shape):
        """Nothing seen anywhere."""
        return cls(
            *(np.zeros(shape, dtype=np.float32) for _ in range(3)),
            *(np.zeros(shape, dtype=np.uint16) for _ in "cr"),
        )


def combine(values, weights, outlier, centre, model, *, frame_weights, density_factors, into, rows):
    """Weighted mean of one channel in a band.

    A sample has the weight ``frame_weight x completeness``: an incomplete one is noisier by the inverse of its
    completeness. The variance of its photons does not enter the weight, but does enter the variance.

    Parameters
    ----------
    values, weights, outlier : (N, h, w) as in :func:`pipeline.numerics.rejection.find_outliers`; a finite value
        with weight 0 is a saturated sample
    centre : (h, w) float32, robust centre of the samples; where all are rejected, the one nearest to it stays
    model : BandNoise of the band
    frame_weights : (N,) float64
    density_factors : (N,) raw pixel variance to equivalent uncorrelated variance of the frame's samples
    into : PartialSum of (h_out, w) views that are written
    rows : (first, stop) rows of the band to use, without its halo
    """
    left, share = model.column_weights(values.shape[2])
    _combine(
        values,
        weights,
        outlier,
        centre,
        model.sky_variance,
        model.level,
        model.gain,
        left,
        share,
        np.ascontiguousarray(frame_weights, dtype=np.float64),
        np.ascontiguousarray(density_factors, dtype=np.float64),
        rows[0],
        rows[1],
        into.mean,
        into.weight,
        into.variance,
        into.coverage,
        into.rejected,
    )


def merge(parts):
    """One partial sum from several, in float64 and in the order given.

    Equal to the sum over all frames in one go up to the rounding of the parts to float32, as long as the
    same samples are rejected. Where no part kept anything, the mean of the saturated values, if any.

    Parameters
    ----------
    parts : iterable of PartialSum of equal shape

    Returns
    -------
    PartialSum
    """
    total = None
    for part in parts:
        weight = part.weight.astype(np.float64)
        saturated = (weight == 0) & (part.mean != 0)
        if total is None:
            shape = part.mean.shape
            total, signal, noise, last_resort = (np.zeros(shape) for _ in range(4))
            resorts, coverage, rejected = (np.zeros(shape, dtype=np.uint16) for _ in range(3))
        total += weight
        signal += weight * part.mean
        noise += weight**2 * part.variance
        last_resort += np.where(saturated, part.mean, 0.0)
        resorts += saturated
        coverage += part.coverage
        rejected += part.rejected
    if total is None:
        raise ValueError("a merge needs at least one part")
    kept = total > 0
    divisor = np.where(kept, total, 1.0)
    mean = np.where(kept, signal / divisor, last_resort / np.maximum(resorts, 1))
    return PartialSum(
        mean.astype(np.float32),
        total.astype(np.float32),
        np.where(kept, noise / divisor**2, 0.0).astype(np.float32),
        coverage,
        rejected,
    )


def warm():
    """Compile the kernels of this module."""
    model = BandNoise(np.array([1.5]), np.ones((3, 4, 1)), np.zeros((4, 1)), np.zeros(3))
    for n_channels in (1, 3):
        shape = (3, n_channels, 4, 4)
        combine(
            np.zeros(shape, dtype=np.float32)[:, 0],
            np.full(shape, 255, dtype=np.uint8)[:, 0],
            np.zeros(shape, dtype=bool)[:, 0],
            np.zeros(shape[2:], dtype=np.float32),
            model,
            frame_weights=np.ones(3),
            density_factors=np.ones(3),
            into=PartialSum.empty((4, 4)),
            rows=(0, 4),
        )


@njit(cache=True, nogil=True)
def _combine(
    values,
    weights,
    outlier,
    centre,
    sky_variance,
    level,
    gain,
    left,
    share,
    frame_weights,
    density_factors,
    first,
    stop,
    mean_out,
    weight_out,
    variance_out,
    coverage_out,
    rejected_out,
):
    n_frames, _, width = values.shape
    for row in range(first, stop):
        total, signal, limit = np.zeros(width), np.zeros(width), np.zeros(width)
        # Noise at the usual level, and what each electron per second above it adds: linear, so one pass will do.
        quiet, photons = np.zeros(width), np.zeros(width)
        kept, gone, limits = np.zeros(width, np.int64), np.zeros(width, np.int64), np.zeros(width, np.int64)
        least, nearest = np.full(width, np.inf), np.full(width, -1)
        # Frame by frame along the row, as the samples lie in memory; each pixel sums in the order of the frames.
        for i in range(n_frames):
            if frame_weights[i] <= 0.0:
                continue
            for column in range(width):
                x = values[i, row, column]
                whole = weights[i, row, column]
                if whole == 0:
                    if x == x:
                        limit[column] += x
                        limits[column] += 1
                elif outlier[i, row, column]:
                    gone[column] += 1
                    distance = abs(x - centre[row, column])
                    if distance < least[column]:
                        nearest[column] = i
                        least[column] = distance
                else:
                    w = frame_weights[i] * whole / 255.0
                    total[column] += w
                    signal[column] += w * x
                    # w^2 / completeness: the variance of the sample cancels one of the weight's.
                    share_of_noise = w * frame_weights[i] * density_factors[i]
                    quiet[column] += share_of_noise * along_row(
                        sky_variance[i, row], left[column], share[column]
                    )
                    photons[column] += share_of_noise * gain[i]
                    kept[column] += 1
        y = row - first
        for column in range(width):
            i = nearest[column]
            if kept[column] == 0 and i >= 0:
                # Every sample is tainted; the one that the robust centre believes most has to do.
                w = frame_weights[i] * weights[i, row, column] / 255.0
                share_of_noise = w * frame_weights[i] * density_factors[i]
                total[column] = w
                signal[column] = w * values[i, row, column]
                quiet[column] = share_of_noise * along_row(sky_variance[i, row], left[column], share[column])
                photons[column] = share_of_noise * gain[i]
                kept[column] = 1
                gone[column] -= 1
            coverage_out[y, column] = kept[column]
            rejected_out[y, column] = gone[column]
            weight_out[y, column] = total[column]
            if total[column] > 0.0:
                mean = signal[column] / total[column]
                above = mean - along_row(level[row], left[column], share[column])
                noise = max(quiet[column] + photons[column] * above, LEAST_VARIANCE_SHARE * quiet[column])
                mean_out[y, column] = mean
                variance_out[y, column] = noise / (total[column] * total[column])
            else:
                mean_out[y, column] = limit[column] / limits[column] if limits[column] > 0 else 0.0
                variance_out[y, column] = 0.0
