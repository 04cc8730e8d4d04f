"""The weighted mean of the samples of a band, with its variance: first of all of them, then without those that rejection found.

    mean = sum(w x) / sum(w),        variance = sum(w^2 V) / sum(w)^2,

w the weight of a sample, its frame's times its completeness, and V its equivalent uncorrelated variance: what a raw pixel has
at the usual level, and the photons of what lies above it, which are those of the mean and not of the sample, since a weight or a
variance that followed the noise of its own sample would bias the sum.
"""

import numpy as np
from numba import njit

from pipeline.numerics.band_noise import LEAST_VARIANCE_SHARE, BandNoise, by_rows, draw_line, node_place
from pipeline.numerics.partial_sum import PartialSum

__all__ = ["combine", "count_samples", "leave_out", "warm"]


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
    centre : (C, h, w) float32, robust centre of the samples; where all are rejected, the one nearest to it stays. With
        ``outlier`` None all samples are summed and there is no last resort
    models : C of BandNoise of the band
    frame_weights : (N, C) float64
    density_factors : (N, C) raw pixel variance to equivalent uncorrelated variance of the frame's samples; at most 255
        frames
    into : PartialSum of (C, h_out, w_out) views that are written
    rows, columns : (first, stop) of the band to use, without its halo; all columns by default
    units : (N, C) completeness of a sample whose weight is 255; 1 by default
    """
    columns = (0, values.shape[3]) if columns is None else columns
    values, weights = by_rows(values), by_rows(weights)
    units = np.ones(np.shape(frame_weights)) if units is None else units
    of_byte, noisy = _factors(frame_weights, density_factors, units)
    for c, model in enumerate(models):
        _combine(
            values,
            weights,
            c,
            model.sky_variance,
            model.level,
            model.gain,
            *model.segments(*columns),
            of_byte[c],
            noisy[c],
            *rows,
            columns,
            *into.channel(c),
        )
    if outlier is not None:
        leave_out(
            values, weights, by_rows(outlier), centre, models, frame_weights=frame_weights, density_factors=density_factors,
            into=into, rows=rows, columns=columns, units=units,
        )  # fmt: skip


def leave_out(
    values, weights, outlier, centre, models, *, frame_weights, density_factors, into, rows, columns, units
):  # fmt: skip
    """Sum anew, without the outliers, what has some; where nothing is kept, give the last resort.

    Parameters
    ----------
    values, weights, outlier : (C, h, N, w) in the memory order of :func:`pipeline.numerics.band_noise.by_rows`
    into : PartialSum of all samples of ``rows`` and ``columns``, which is put right
    centre, models, frame_weights, density_factors, rows, columns, units : as for :func:`combine`
    """
    of_byte, noisy = _factors(frame_weights, density_factors, units)
    for c, model in enumerate(models):
        _leave_out(
            values,
            weights,
            outlier,
            c,
            centre[c],
            model.nodes,
            model.sky_variance,
            model.level,
            model.gain,
            of_byte[c],
            noisy[c],
            rows[0],
            columns[0],
            *into.channel(c),
        )


def _factors(frame_weights, density_factors, units):
    """(C, N) each: weight w of a sample whose byte is 1, and w V of a complete one over the variance of a raw pixel.

    V grows as 1 / completeness, which takes one w from the w^2 V that a sum of variances asks for.
    """
    weight = np.asarray(frame_weights, dtype=np.float64)
    # Each row in one piece: kernels are compiled beforehand for rows that are.
    return tuple(
        np.ascontiguousarray((weight * np.asarray(factor, dtype=np.float64)).T)
        for factor in (np.asarray(units) / 255.0, density_factors)
    )


def count_samples(weights, outlier, *, rows, columns):
    """Samples of every frame and channel in a part of a band, (N, C) each: all, and the outliers.

    Parameters
    ----------
    weights, outlier : (C, h, N, w) in the memory order of :func:`pipeline.numerics.band_noise.by_rows`
    rows, columns : (first, stop) of the part
    """
    n_channels, _, n_frames, _ = weights.shape
    seen, gone = (np.zeros((n_frames, n_channels), dtype=np.int64) for _ in "sg")
    _count(weights, outlier, *rows, *columns, seen, gone)
    return seen, gone


def warm():
    """Compile the kernels of this module."""
    nothing = np.zeros((1, 4, 3, 4), dtype=np.uint8)
    count_samples(nothing, nothing.astype(bool), rows=(0, 4), columns=(0, 4))
    model = BandNoise(np.array([1.5]), np.ones((3, 4, 1)), np.zeros((4, 1)), np.zeros(3))
    samples = (np.zeros((3, 1, 4, 4), dtype=np.float32), np.full((3, 1, 4, 4), 255, dtype=np.uint8))
    factors = {"frame_weights": np.ones((3, 1)), "density_factors": np.ones((3, 1)), "rows": (0, 4)}
    combine(*samples, None, None, [model], into=PartialSum.empty((1, 4, 4)), **factors)
    wider = PartialSum.empty((1, 4, 8))
    # A tile of its own, and one within a strip.
    for into in (
        PartialSum.empty((1, 4, 4)),
        PartialSum(*(plane[:, :, :4] for plane in vars(wider).values())),
    ):
        leave_out(
            *map(by_rows, samples), by_rows(np.zeros((3, 1, 4, 4), dtype=bool)), np.zeros((1, 4, 4), dtype=np.float32), [model],
            into=into, columns=(0, 4), units=np.ones((3, 1)), **factors,
        )  # fmt: skip


@njit(cache=True, nogil=True, error_model="numpy")
def _combine(
    values, weights, c, sky_variance, level, gain, pieces, places, of_byte, noisy, first, stop_row, columns,
    mean_out, weight_out, variance_out, coverage_out, rejected_out,
):  # fmt: skip
    n_frames, (left, right) = values.shape[2], columns
    width = right - left
    # Each an array of its own: of the rows of one, the compiler does not see that they cannot overlap.
    total, signal = np.empty(width, np.float32), np.empty(width, np.float32)
    # Noise at the usual level, and what each electron per second above it adds: linear, so one pass will do.
    quiet, photons = np.empty(width, np.float32), np.empty(width, np.float32)
    mean, variance = np.empty(width, np.float32), np.empty(width, np.float32)
    line = np.empty(width, np.float32)
    kept = np.empty(width, np.uint8)
    for row in range(first, stop_row):
        total[:] = 0.0
        signal[:] = 0.0
        quiet[:] = 0.0
        photons[:] = 0.0
        kept[:] = 0
        # Frame by frame along the row, as the samples lie in memory; each pixel sums in the order of the frames.
        for i in range(n_frames):
            if of_byte[i] <= 0.0:
                continue
            draw_line(sky_variance[i, row], pieces, places, noisy[i], line)
            _add(
                values[c, row, i, left:right], weights[c, row, i, left:right], np.float32(of_byte[i]), line,
                np.float32(noisy[i] * gain[i]), total, signal, quiet, photons, kept,
            )  # fmt: skip
        draw_line(level[row], pieces, places, 1.0, line)
        _settle(total, signal, quiet, photons, line, mean, variance)
        y = row - first
        mean_out[y] = mean
        weight_out[y] = total
        variance_out[y] = variance
        for n in range(width):
            coverage_out[y, n] = kept[n]
            rejected_out[y, n] = 0


@njit(cache=True, nogil=True, error_model="numpy")
def _settle(total, signal, quiet, photons, level, mean, variance):
    """Mean and variance from the sums; 0 where the weight is."""
    none, one, least = np.float32(0.0), np.float32(1.0), np.float32(LEAST_VARIANCE_SHARE)
    for n in range(total.size):
        mean[n] = signal[n] / (total[n] if total[n] > none else one)
    for n in range(total.size):
        noise = quiet[n] + photons[n] * (mean[n] - level[n])
        floor = least * quiet[n]
        noise = noise if noise > floor else floor
        weight = total[n] if total[n] > none else one
        # Divided twice: the square of a small weight would leave the range of float32.
        variance[n] = noise / weight / weight


@njit(cache=True, nogil=True, error_model="numpy")
def _add(x, w, heavy, sky, electron, total, signal, quiet, photons, kept):
    """Add one frame's row."""
    none = np.float32(0.0)
    width = x.size
    # Several loops: with more arrays in one, the compiler no longer proves that they do not overlap.
    for n in range(width):
        each = heavy * np.float32(w[n])
        total[n] += each
        signal[n] += each * x[n] if each > none else none
    for n in range(width):
        each = heavy * np.float32(w[n])
        quiet[n] += each * sky[n]
        photons[n] += each * electron
    for n in range(width):
        kept[n] += np.uint8(w[n] > 0)


@njit(cache=True, nogil=True, error_model="numpy")
def _leave_out(
    values, weights, outlier, c, centre, nodes, sky_variance, level, gain, of_byte, noisy, first_row,
    first_column, mean_out, weight_out, variance_out, coverage_out, rejected_out,
):  # fmt: skip
    n_frames = values.shape[2]
    touched = np.empty(mean_out.shape[1], dtype=np.uint8)
    for y in range(mean_out.shape[0]):
        row = first_row + y
        for x in range(touched.size):
            touched[x] = coverage_out[y, x] == 0
        for i in range(n_frames):
            line = outlier[c, row, i, first_column : first_column + touched.size]
            for x in range(touched.size):
                touched[x] |= np.uint8(line[x])
        for x in range(touched.size):
            if not touched[x]:
                continue
            column = first_column + x
            left, right, share = node_place(nodes, column)
            total, signal, quiet, photons, kept, gone = 0.0, 0.0, 0.0, 0.0, 0, 0
            # Of the tainted samples the one that the robust centre believes most; the sum of the saturated ones.
            least, nearest, limits, limit_sum = np.inf, -1, 0, 0.0
            for i in range(n_frames):
                sample, weight = values[c, row, i, column], weights[c, row, i, column]
                if of_byte[i] <= 0.0 or sample != sample:
                    continue
                if weight == 0:
                    limit_sum += sample
                    limits += 1
                    continue
                if outlier[c, row, i, column]:
                    gone += 1
                    if abs(sample - centre[row, column]) < least:
                        least, nearest = abs(sample - centre[row, column]), i
                    continue
                kept += 1
                total, signal, quiet, photons = _with_sample(
                    total, signal, quiet, photons, sample, of_byte[i] * weight, noisy[i],
                    sky_variance[i, row, left] + share * (sky_variance[i, row, right] - sky_variance[i, row, left]), gain[i],
                )  # fmt: skip
            if kept == 0 and nearest >= 0:
                kept, gone, i = 1, gone - 1, nearest
                total, signal, quiet, photons = _with_sample(
                    total, signal, quiet, photons, values[c, row, i, column], of_byte[i] * weights[c, row, i, column],
                    noisy[i],
                    sky_variance[i, row, left] + share * (sky_variance[i, row, right] - sky_variance[i, row, left]), gain[i],
                )  # fmt: skip
            coverage_out[y, x], rejected_out[y, x], weight_out[y, x] = kept, gone, total
            if kept == 0:
                # With weight 0: the best there is where all samples are saturated.
                mean_out[y, x] = limit_sum / limits if limits else 0.0
                variance_out[y, x] = 0.0
                continue
            mean = signal / total
            usual = level[row, left] + share * (level[row, right] - level[row, left])
            noise = max(quiet + photons * (mean - usual), LEAST_VARIANCE_SHARE * quiet)
            mean_out[y, x], variance_out[y, x] = mean, noise / total / total


@njit(cache=True, nogil=True, inline="always")
def _with_sample(total, signal, quiet, photons, sample, weight, noisy, sky, gain):
    """The sums with one sample more."""
    return (
        total + weight,
        signal + weight * sample,
        quiet + weight * noisy * sky,
        photons + weight * noisy * gain,
    )


@njit(cache=True, nogil=True)
def _count(weights, outlier, top, bottom, left, right, seen, gone):
    for c in range(weights.shape[0]):
        for row in range(top, bottom):
            for i in range(weights.shape[2]):
                there, out = weights[c, row, i, left:right], outlier[c, row, i, left:right]
                some, bad = np.int32(0), np.int32(0)
                for n in range(there.size):
                    some += np.int32(there[n] > 0)
                    bad += np.int32(out[n])
                seen[i, c] += some
                gone[i, c] += bad
