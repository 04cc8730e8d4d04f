"""The sum over the frames of a session, band by band, in bounded memory.

A band is some rows of the output. For each band every frame gives the rows of its own that fall there, is
resampled, scaled and relieved of its relative background; then outliers are found among all frames and the
rest is summed. The frames are gone through in one order and each output pixel is the sum over that order in
float64, so neither the height of the bands nor the number of threads can change a bit of the result.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numba import njit

from pipeline.numerics.band_noise import BandNoise
from pipeline.numerics.block_noise import BLOCK, BlockSamples
from pipeline.numerics.frame_positions import Placement, frame_positions
from pipeline.numerics.partial_sum import PartialSum, combine
from pipeline.numerics.rejection import find_outliers, halo_rows, slope_share
from pipeline.numerics.sampling import (
    frame_rows_needed,
    lattice_density_factor,
    peak_loss,
    resample,
    sample_noise_factor,
)
from pipeline.numerics.surface import PolynomialSurface, exponents

__all__ = ["BandPlan", "StackFrame", "plan_bands", "sum_frames", "warm"]

BYTES_PER_SAMPLE = 7
"""Value (4), weight, flag and the outlier mask (1 each), for every frame and channel of a band."""

BYTES_PER_POSITION = 128
"""Of a band, whatever the number of frames: anchor and frame coordinates and the area (40, and 16 on their way),
one frame's samples and weights (24), centres and their local range with temporaries (48)."""

BYTES_PER_OUTPUT = 16
"""Mean, weight and variance (4 each), coverage and rejected (2 each)."""

LEAST_BAND_ROWS = 4 * BLOCK
"""A band is at least this high whatever the budget says; below, more time goes into the halo than into the band."""


@dataclass(frozen=True)
class StackFrame:
    """A frame with all that is needed to add it.

    Attributes
    ----------
    placement : Placement
    exposure_s : float
    fwhm_px : seeing, frame pixels
    scale, weight : (C,) float64
    backgrounds : C of PolynomialSurface on the anchor's grid, electrons per second after scaling
    sky_variance : (C, rows, columns) of a raw pixel in the units of the output, on the cells of the sample grid
    load : function (first, stop) -> (frame, saturated)
        Calibrated rows of the frame, (stop - first, nx) float32 in electrons per second, NaN where bad;
        saturated is bool of the same shape, or None if no pixel is.
    """

    placement: Placement
    exposure_s: float
    fwhm_px: float
    scale: np.ndarray
    weight: np.ndarray
    backgrounds: list[PolynomialSurface]
    sky_variance: np.ndarray
    load: Callable


@dataclass(frozen=True)
class BandPlan:
    """How an image is cut.

    Attributes
    ----------
    bands : list of (first, stop) rows of the output
    bytes_needed : estimate of what a sum needs at once, output included
    """

    bands: list[tuple[int, int]]
    bytes_needed: int


def plan_bands(shape, n_frames, n_channels, *, budget_bytes, halo):
    """Cut an image of ``shape`` so that a band with its halo fits into the budget beside the output."""
    ny, nx = shape
    fixed = BYTES_PER_OUTPUT * n_channels * ny * nx
    per_row = nx * (BYTES_PER_SAMPLE * n_frames * n_channels + BYTES_PER_POSITION)
    rows = int((budget_bytes - fixed) // per_row) - 2 * halo
    rows = min(max(rows // BLOCK * BLOCK, LEAST_BAND_ROWS), -(-ny // BLOCK) * BLOCK)
    bands = [(first, min(first + rows, ny)) for first in range(0, ny, rows)]
    return BandPlan(bands, fixed + per_row * min(rows + 2 * halo, ny))


def sum_frames(frames, cfa, shape, grid, level, *, thresholds, kernel="cubic", budget_bytes, watch=iter):
    """Sum the frames of a session.

    Parameters
    ----------
    frames : list of StackFrame, at least one
    cfa : Cfa
    shape : (ny, nx) of the anchor
    grid : SampleGrid over the anchor
    level : (C, rows, columns) usual signal on the cells of the grid, to which the frames' sky variance belongs
    thresholds : Thresholds
    kernel : of the sampling
    budget_bytes : memory to stay within; the smallest possible band is taken if it is too small
    watch : function that passes a list of bands on, to show the progress

    Returns
    -------
    total : PartialSum (C, ny, nx)
    blocks : BlockSamples
    shares : (N, C) float64, share of each frame's samples that was rejected
    """
    channels = cfa.channels
    halo = halo_rows(thresholds)
    plan = plan_bands(shape, len(frames), len(channels), budget_bytes=budget_bytes, halo=halo)
    total = PartialSum.empty((len(channels), *shape))
    blocks = BlockSamples.over(shape, len(frames), len(channels))
    seen, gone = (np.zeros((len(frames), len(channels)), dtype=np.int64) for _ in range(2))
    weights = np.array([frame.weight for frame in frames])
    fwhm = np.array([frame.fwhm_px for frame in frames], dtype=np.float64)
    shares = slope_share(fwhm, peak_loss(fwhm, cfa, kernel=kernel), thresholds)
    noise_factors = [sample_noise_factor(cfa, channel, kernel=kernel) for channel in channels]
    area_scales = np.array([frame.placement.pose.scale() ** 2 for frame in frames])
    densities = (
        np.array([lattice_density_factor(cfa, channel) for channel in channels])[None, :]
        * area_scales[:, None]
    )
    for first, stop in watch(plan.bands):
        low, high = max(first - halo, 0), min(stop + halo, shape[0])
        values, completeness = _sample_band(frames, cfa, (low, high), shape[1], kernel)
        # A frame without weight in a channel has no say in the rejection either.
        completeness[weights == 0] = 0
        models = _band_noise(frames, grid, level, (low, high), area_scales)
        outlier, centre = find_outliers(
            values,
            completeness,
            models,
            noise_factors=noise_factors,
            slope_shares=shares,
            thresholds=thresholds,
        )
        inner = (first - low, stop - low)
        for c in range(len(channels)):
            combine(
                values[:, c],
                completeness[:, c],
                outlier[:, c],
                centre[c],
                models[c],
                frame_weights=weights[:, c],
                density_factors=densities[:, c],
                into=PartialSum(*(plane[c, first:stop] for plane in vars(total).values())),
                rows=inner,
            )
        part = np.s_[:, :, inner[0] : inner[1]]
        seen += np.count_nonzero(completeness[part], axis=(2, 3))
        gone += np.count_nonzero(outlier[part], axis=(2, 3))
        np.logical_not(outlier, out=outlier)
        outlier &= completeness > 0
        blocks.take(values, outlier, models, densities, row=low, rows=(first, stop))
    return total, blocks, gone / np.maximum(seen, 1)


def warm():
    """Compile the kernel of this module."""
    plane = np.zeros((2, 2), dtype=np.float32)
    _match(plane, plane, 1.0, np.zeros((3, 2)), np.zeros(2), plane.copy(), np.zeros((2, 2), dtype=np.uint8))


def _sample_band(frames, cfa, rows, width, kernel):
    """values (N, C, h, w) float32 and completeness uint8 of all frames in the rows of a band."""
    height = rows[1] - rows[0]
    values = np.empty((len(frames), len(cfa.channels), height, width), dtype=np.float32)
    completeness = np.empty(values.shape, dtype=np.uint8)
    y, x = np.mgrid[rows[0] : rows[1], :width].astype(np.float64)
    for frame, value, whole in zip(frames, values, completeness, strict=True):
        positions = frame_positions(frame.placement.pose, x, y)
        first, stop = frame_rows_needed(frame.placement, cfa, positions[1], kernel=kernel)
        if stop == first:
            value[:], whole[:] = np.nan, 0
            continue
        pixels, saturated = frame.load(first, stop)
        at = dict(kernel=kernel, first_row=first)
        if saturated is None:
            sampled, weight = resample(pixels, cfa, frame.placement, positions, **at)
        else:
            good = np.where(saturated, np.float32(np.nan), pixels)
            sampled, weight = resample(good, cfa, frame.placement, positions, **at)
            # Where saturation took the sample away, its level is kept with weight 0, as the last resort.
            lost = (weight == 0).any(axis=0)
            clipped, _ = resample(
                pixels,
                cfa,
                frame.placement,
                tuple(p[lost] for p in positions),
                kernel="linear",
                first_row=first,
            )
            sampled[:, lost] = np.where(weight[:, lost] > 0, sampled[:, lost], clipped)
        for c, surface in enumerate(frame.backgrounds):
            columns, v = _along_x(surface, np.arange(width), np.arange(*rows))
            _match(
                sampled[c].reshape(height, width),
                weight[c].reshape(height, width),
                frame.scale[c],
                columns,
                v,
                value[c],
                whole[c],
            )
    return values, completeness


def _along_x(surface, x, y):
    """Polynomials in v of a surface, (order + 1, w) coefficients for the columns x, and v (h,) of the rows y."""
    u, v = (x - surface.x0) / surface.scale, (y - surface.y0) / surface.scale
    columns = np.zeros((surface.order + 1, u.size))
    for (i, j), coefficient in zip(exponents(surface.order), surface.coefficients, strict=True):
        columns[j] += coefficient * u**i
    return columns, v


@njit(cache=True, nogil=True)
def _match(sampled, weight, scale, columns, v, value, whole):
    """Scale samples, take the background off, and keep their weight as a byte."""
    height, width = sampled.shape
    for row in range(height):
        for column in range(width):
            background = 0.0
            for j in range(columns.shape[0] - 1, -1, -1):
                background = background * v[row] + columns[j, column]
            value[row, column] = sampled[row, column] * scale - background
            whole[row, column] = np.uint8(255.0 * weight[row, column] + 0.5)


def _band_noise(frames, grid, level, rows, area_scales):
    """A BandNoise for every channel of a band."""
    x_cells, y_cells = grid.centres
    at = np.arange(*rows)
    models = []
    for c in range(level.shape[0]):
        sky = np.array(
            [frame.scale[c] ** 2 * _along_rows(frame.sky_variance[c], y_cells, at) for frame in frames]
        )
        gain = [
            frame.scale[c] / (frame.exposure_s * area)
            for frame, area in zip(frames, area_scales, strict=True)
        ]
        models.append(BandNoise(x_cells, sky, _along_rows(level[c], y_cells, at), np.array(gain)))
    return models


def _along_rows(cells, y_cells, rows):
    """Cells (R, K) interpolated linearly to rows (h, K), constant beyond the outermost cells."""
    if y_cells.size == 1:
        return np.repeat(cells, rows.size, axis=0)
    low = np.clip(np.searchsorted(y_cells, rows, side="right") - 1, 0, y_cells.size - 2)
    share = np.clip((rows - y_cells[low]) / np.diff(y_cells)[low], 0.0, 1.0)[:, None]
    return (1 - share) * cells[low] + share * cells[low + 1]
