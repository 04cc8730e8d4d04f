"""The weighted mean of the samples that were kept, with its variance, and the merge of such means."""

from dataclasses import dataclass

import numpy as np
from numba import njit

from pipeline.numerics.band_noise import LEAST_VARIANCE_SHARE, SEGMENT, BandNoise, by_rows

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


def combine(
    values,
    weights,
    outlier,
    centre,
    models,
    *,
    frame_weights,
    density_factors,
    into,
    rows,
    columns=None,
    units=None,
):
    """Weighted mean of every channel in a band.

    A sample has the weight ``frame_weight x completeness``: an incomplete one is noisier by the inverse of its
    completeness. The variance of its photons does not enter the weight, but does enter the variance.

    Parameters
    ----------
    values, weights, outlier : (N, C, h, w) as in :func:`pipeline.numerics.rejection.find_outliers`; a finite value
        with weight 0 is a saturated sample
    centre : (C, h, w) float32, robust centre of the samples; where all are rejected, the one nearest to it stays
    models : C of BandNoise of the band
    frame_weights : (N, C) float64
    density_factors : (N, C) raw pixel variance to equivalent uncorrelated variance of the frame's samples; at most 255
        frames
    into : PartialSum of (C, h_out, w_out) views that are written
    rows, columns : (first, stop) of the band to use, without its halo; all columns by default
    units : (C,) completeness of a sample whose weight is 255; 1 by default
    """
    columns = (0, values.shape[3]) if columns is None else columns
    values, weights, outlier = (by_rows(samples) for samples in (values, weights, outlier))
    frame_weights = np.ascontiguousarray(frame_weights, dtype=np.float64)
    density_factors = np.ascontiguousarray(density_factors, dtype=np.float64)
    for c, model in enumerate(models):
        _combine(
            values,
            weights,
            outlier,
            c,
            centre[c],
            model.sky_variance,
            model.level,
            model.gain,
            *model.segments(*columns),
            frame_weights[:, c],
            density_factors[:, c],
            rows[0],
            rows[1],
            (1.0 if units is None else float(units[c])) / 255.0,
            into.mean[c],
            into.weight[c],
            into.variance[c],
            into.coverage[c],
            into.rejected[c],
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
    shape = (3, 1, 4, 4)
    combine(
        np.zeros(shape, dtype=np.float32),
        np.full(shape, 255, dtype=np.uint8),
        np.zeros(shape, dtype=bool),
        np.zeros(shape[1:], dtype=np.float32),
        [model],
        frame_weights=np.ones((3, 1)),
        density_factors=np.ones((3, 1)),
        # Views into a wider image, as tiles are.
        into=PartialSum(*(plane[:, :, :4] for plane in vars(PartialSum.empty((1, 4, 8))).values())),
        rows=(0, 4),
    )


@njit(cache=True, nogil=True, error_model="numpy")
def _combine(
    values,
    weights,
    outlier,
    c,
    centre,
    sky_variance,
    level,
    gain,
    pieces,
    places,
    frame_weights,
    density_factors,
    first,
    stop_row,
    unit,
    mean_out,
    weight_out,
    variance_out,
    coverage_out,
    rejected_out,
):
    n_frames = values.shape[2]
    last = sky_variance.shape[2] - 1
    origin = pieces[0, 0]
    each = np.empty(SEGMENT, np.float32)
    total, signal = np.empty(SEGMENT), np.empty(SEGMENT)
    mean, variance = np.empty(SEGMENT, np.float32), np.empty(SEGMENT, np.float32)
    # Noise at the usual level, and what each electron per second above it adds: linear, so one pass will do.
    quiet, photons = np.empty(SEGMENT, np.float32), np.empty(SEGMENT, np.float32)
    there, kept, seen = np.empty(SEGMENT, np.uint8), np.empty(SEGMENT, np.uint8), np.empty(SEGMENT, np.uint8)
    for row in range(first, stop_row):
        for piece in range(pieces.shape[0]):
            start, stop, k = pieces[piece]
            width = stop - start
            t, dt = places[piece]
            right = min(k + 1, last)
            total[:] = 0.0
            signal[:] = 0.0
            quiet[:] = 0.0
            photons[:] = 0.0
            kept[:] = 0
            seen[:] = 0
            # Frame by frame along the row, as the samples lie in memory; each pixel sums in the order of the frames.
            for i in range(n_frames):
                if frame_weights[i] <= 0.0:
                    continue
                x, w = values[c, row, i, start:stop], weights[c, row, i, start:stop]
                out = outlier[c, row, i, start:stop]
                heavy = np.float32(frame_weights[i] * unit)
                # w^2 / completeness: the variance of the sample cancels one of the weight's.
                noisy = frame_weights[i] * density_factors[i]
                across = sky_variance[i, row, right] - sky_variance[i, row, k]
                base = np.float32(noisy * (sky_variance[i, row, k] + t * across))
                step = np.float32(noisy * dt * across)
                electron = np.float32(noisy * gain[i])
                _add(
                    x,
                    w,
                    out,
                    heavy,
                    base,
                    step,
                    electron,
                    each,
                    there,
                    total,
                    signal,
                    quiet,
                    photons,
                    kept,
                    seen,
                )
            for n in range(width):
                if kept[n] == 0:
                    _last_resort(
                        values, weights, c, row, start + n, centre[row, start + n], frame_weights, density_factors,
                        sky_variance, gain, k, right, t + n * dt, unit, n, total, signal, quiet, photons, kept,
                    )  # fmt: skip
            y, left, end = row - first, start - origin, stop - origin
            across = level[row, right] - level[row, k]
            base, step = np.float32(level[row, k] + t * across), np.float32(dt * across)
            _settle(total[:width], signal, quiet, photons, base, step, mean, variance)
            mean_out[y, left:end] = mean[:width]
            variance_out[y, left:end] = variance[:width]
            for n in range(width):
                weight_out[y, left + n] = total[n]
                coverage_out[y, left + n] = kept[n]
                rejected_out[y, left + n] = seen[n] - kept[n]


@njit(cache=True, nogil=True, error_model="numpy")
def _settle(total, signal, quiet, photons, base, step, mean, variance):
    """Mean and variance from the sums; where the weight is 0, ``signal`` is the mean of the saturated."""
    none, least = np.float32(0.0), np.float32(LEAST_VARIANCE_SHARE)
    for n in range(total.size):
        mean[n] = np.float32(signal[n] / (total[n] if total[n] > 0.0 else 1.0))
    for n in range(total.size):
        noise = quiet[n] + photons[n] * (mean[n] - (base + step * np.float32(n)))
        floor = least * quiet[n]
        noise = noise if noise > floor else floor
        weight = np.float32(total[n])
        weight = weight if weight > none else np.float32(1.0)
        # Divided twice: the square of a small weight would leave the range of float32.
        variance[n] = noise / weight / weight


@njit(cache=True, nogil=True, error_model="numpy")
def _add(x, w, out, heavy, base, step, electron, each, there, total, signal, quiet, photons, kept, seen):
    """Add one frame's piece of a row; ``each`` and ``there`` are scratch space."""
    none = np.float32(0.0)
    width = x.size
    # Several loops: with more arrays in one, the compiler no longer proves that they do not overlap.
    for n in range(width):
        there[n] = w[n] if not out[n] else np.uint8(0)
    for n in range(width):
        each[n] = heavy * np.float32(there[n])
    for n in range(width):
        total[n] += each[n]
        signal[n] += each[n] * x[n] if each[n] > none else none
    for n in range(width):
        quiet[n] += each[n] * (base + step * np.float32(n))
        photons[n] += each[n] * electron
    for n in range(width):
        kept[n] += np.uint8(there[n] > 0)
        seen[n] += np.uint8(w[n] > 0)


@njit(cache=True, nogil=True)
def _last_resort(
    values, weights, c, row, column, centre, frame_weights, density_factors, sky_variance, gain, k, right, share, unit,
    n, total, signal, quiet, photons, kept,
):  # fmt: skip
    """Where nothing was kept: of the tainted samples the one that the robust centre believes most, else the mean of
    the saturated ones, with weight 0.
    """
    least, nearest, limits = np.inf, -1, 0
    for i in range(values.shape[2]):
        x = values[c, row, i, column]
        if frame_weights[i] <= 0.0 or x != x:
            continue
        if weights[c, row, i, column] == 0:
            signal[n] += x
            limits += 1
        elif abs(x - centre) < least:
            least, nearest = abs(x - centre), i
    if nearest < 0:
        signal[n] = signal[n] / limits if limits else 0.0
        return
    total[n] = frame_weights[nearest] * unit * weights[c, row, nearest, column]
    signal[n] = total[n] * values[c, row, nearest, column]
    sky = sky_variance[nearest, row]
    share_of_noise = total[n] * frame_weights[nearest] * density_factors[nearest]
    quiet[n] = share_of_noise * (sky[k] + share * (sky[right] - sky[k]))
    photons[n] = share_of_noise * gain[nearest]
    kept[n] = 1
