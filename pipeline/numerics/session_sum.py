"""The sum over the frames of a session, tile by tile, in bounded memory.

For each tile of the output every frame gives the part of its own that falls there, is resampled, scaled and relieved
of its relative background; then outliers are found among all frames and the rest is summed. A tile comes with a
margin as wide as a rejection can reach, the frames are gone through in one order, and each output pixel is the
sum over that order in float32 (of 64 frames at most, an error of a millionth): neither the size of the tiles nor the
number of threads can change a bit of the result.

A long session is summed in groups of frames, each spread over the whole session, which reject among themselves; the
groups are merged like sessions. So memory is bounded whatever the number of frames, and nothing is lost: from some
ten frames on, more of them make the robust centre no better judge of a single sample.
"""

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field

import numpy as np

from pipeline.numerics.band_noise import BandNoise, by_frames, by_rows
from pipeline.numerics.block_noise import BlockSamples
from pipeline.numerics.frame_positions import Placement
from pipeline.numerics.partial_sum import PartialSum, merge
from pipeline.numerics.rejection import find_outliers, halo_pixels, slope_share
from pipeline.numerics.simple_rejection import find_outliers_simply
from pipeline.numerics.surface import PolynomialSurface
from pipeline.numerics.tiles import groups_of, plan_tiles
from pipeline.numerics.trail_corridor import fill_gaps, inside_corridor
from pipeline.numerics.weighted_sum import combine, count_samples, leave_out
from pipeline.numerics.workspace import workspace

__all__ = ["StackFrame", "sum_frames"]


@dataclass(frozen=True)
class StackFrame:
    """A frame with all that is needed to add it.

    Attributes
    ----------
    placement : Placement
    exposure_s : float
    fwhm_px : seeing, frame pixels
    scale, weight : (C,) float64
    backgrounds : C of PolynomialSurface on the output grid, electrons per second after scaling
    sky_variance : (C, rows, columns) of a raw pixel in the units of the output, on the cells of the sample grid
    load : function (rows, columns) -> frame
        Calibrated part of the frame, float32 in electrons per second; NaN where bad, infinity where saturated.
    saturated : electrons per second at which a pixel saturates
    corridors : list of Corridor, strips that are left out whole
    """

    placement: Placement
    exposure_s: float
    fwhm_px: float
    scale: np.ndarray
    weight: np.ndarray
    backgrounds: list[PolynomialSurface]
    sky_variance: np.ndarray
    load: Callable
    saturated: float = np.inf
    corridors: list = field(default_factory=list)


def sum_frames(
    frames, cfa, shape, grid, level, *, sampler, thresholds, budget_bytes, method="noise_model", threads=1, watch=iter,
    sink=None,
):  # fmt: skip
    """Sum the frames of a session.

    Parameters
    ----------
    frames : list of StackFrame, at least one
    cfa : Cfa
    shape : (ny, nx) of the output
    grid : SampleGrid over the output
    level : (C, rows, columns) usual signal on the cells of the grid, to which the frames' sky variance belongs
    sampler : Sampler
    thresholds : Thresholds
    method : "noise_model", or one of :data:`pipeline.numerics.simple_rejection.METHODS`
    budget_bytes : memory to stay within; the smallest possible tile is taken if it is too small
    threads : tiles worked on at a time
    watch : function that passes a list of strips on, to show the progress
    sink : function (first row, PartialSum of a strip) that takes the result; by default it is collected

    Returns
    -------
    total : PartialSum (C, ny, nx), or None if there is a sink
    blocks : BlockSamples
    shares : (N, C) float64, share of each frame's samples that was rejected
    """
    session = _Session(frames, cfa, grid, level, sampler, thresholds, method)
    n_channels = len(cfa.channels)
    plan = plan_tiles(
        shape, len(frames), n_channels, budget_bytes=budget_bytes, halo=session.halo, threads=threads
    )
    total = None
    if sink is None:
        total = PartialSum.empty((n_channels, *shape))
        sink = _Collector(total)
    blocks = BlockSamples.over(shape, len(frames), n_channels)
    seen, gone = (np.zeros((len(frames), n_channels), dtype=np.int64) for _ in range(2))
    with ThreadPoolExecutor(threads) as pool:
        for rows in watch(plan.strips):
            strip = _kept_sum("strip", (n_channels, rows[1] - rows[0], shape[1]))

            def tile(columns, rows=rows, strip=strip):
                part = PartialSum(*(plane[:, :, slice(*columns)] for plane in vars(strip).values()))
                return session.tile(rows, columns, shape, part, blocks)

            for tile_seen, tile_gone in pool.map(tile, plan.columns):
                seen += tile_seen
                gone += tile_gone
            sink(rows[0], strip)
    return total, blocks, gone / np.maximum(seen, 1)


class _Collector:
    """Puts strips into a whole."""

    def __init__(self, total):
        self.total = total

    def __call__(self, first, strip):
        for whole, part in zip(vars(self.total).values(), vars(strip).values(), strict=True):
            whole[:, first : first + part.shape[1]] = part


class _Session:
    """What all tiles share."""

    def __init__(self, frames, cfa, grid, level, sampler, thresholds, method):
        self.frames, self.cfa, self.grid, self.level = frames, cfa, grid, level
        self.sampler, self.thresholds, self.method = sampler, thresholds, method
        self.halo = halo_pixels(thresholds)
        self.weights = np.array([frame.weight for frame in frames])
        fwhm = np.array([frame.fwhm_px for frame in frames], dtype=np.float64)
        finer = float(np.median([frame.placement.pose.scale() for frame in frames]))
        self.slope_shares = slope_share(fwhm, sampler.peak_loss(fwhm, cfa, finer=finer), thresholds)
        self.noise_factors = [sampler.noise_factor(cfa, channel) for channel in cfa.channels]
        self.units, self.densities = (
            np.array(
                [[factor(cfa, channel, frame.placement) for channel in cfa.channels] for frame in frames]
            )
            for factor in (sampler.unit, sampler.density_factor)
        )

    def tile(self, rows, columns, shape, into, blocks):
        """Write the sum of a tile; give the numbers (N, C) of samples seen and rejected."""
        top, bottom = max(rows[0] - self.halo, 0), min(rows[1] + self.halo, shape[0])
        left, right = max(columns[0] - self.halo, 0), min(columns[1] + self.halo, shape[1])
        window = (top, bottom, left, right)
        inner = np.s_[rows[0] - top : rows[1] - top, columns[0] - left : columns[1] - left]
        seen, gone = (np.zeros(self.weights.shape, dtype=np.int64) for _ in range(2))
        groups = groups_of(len(self.frames))
        parts = []
        for group in groups:
            part = into if len(groups) == 1 else PartialSum.empty(into.mean.shape)
            parts.append(part)
            values, weights = self._samples(group, window)
            models = self._noise(group, window)
            tainted = self._leave_out(group, window, values, weights)
            whole = _kept_sum("tile", (len(models), bottom - top, right - left))
            options = {
                "frame_weights": self.weights[group],
                "density_factors": self.densities[group],
                "units": self.units[group],
            }
            combine(values, weights, None, None, models, into=whole, rows=(0, bottom - top), **options)
            outlier, centre = self._outliers(group, values, weights, models, whole)
            for plane, found in zip(vars(part).values(), vars(whole).values(), strict=True):
                plane[:] = found[:, *inner]
            within = {"rows": (inner[0].start, inner[0].stop), "columns": (inner[1].start, inner[1].stop)}
            leave_out(
                by_rows(values),
                by_rows(weights),
                by_rows(outlier),
                centre,
                models,
                into=part,
                **within,
                **options,
            )
            seen[group], gone[group] = count_samples(by_rows(weights), by_rows(outlier), **within)
            if tainted is not None:
                for count in (seen, gone):
                    count[group] += np.count_nonzero(tainted[:, :, *inner], axis=(2, 3))
                _fill_crossings(part, tainted[:, :, *inner].sum(axis=0, dtype=np.uint16), centre, inner)
            blocks.take(
                values, weights, outlier, models, self.densities[group], frames=group, window=window, rows=rows, columns=columns,
                units=self.units[group], drops=self.sampler.drops,
            )  # fmt: skip
        if len(parts) > 1:
            for plane, merged in zip(vars(into).values(), vars(merge(parts)).values(), strict=True):
                plane[:] = merged
        return seen, gone

    def _leave_out(self, group, window, values, weights):
        """Take the corridors of trails out of the samples; (N, C, h, w) bool of what was there, or None."""
        frames = self.frames[group]
        if not any(frame.corridors for frame in frames):
            return None
        tainted = np.zeros(values.shape, dtype=bool)
        for i, frame in enumerate(frames):
            for corridor in frame.corridors:
                inside = inside_corridor(
                    corridor, frame.placement.pose, window, reach=self.sampler.reach(self.cfa)
                )
                tainted[i] |= inside & (weights[i] > 0)
        values[tainted] = np.nan
        weights[tainted] = 0
        return tainted

    def _outliers(self, group, values, weights, models, whole):
        if self.method != "noise_model":
            return find_outliers_simply(
                values, weights, method=self.method, high=self.thresholds.high, low=self.thresholds.low
            )
        return find_outliers(
            values,
            weights,
            models,
            noise_factors=self.noise_factors,
            slope_shares=self.slope_shares[group],
            thresholds=self.thresholds,
            drops=self.sampler.drops,
            mean=whole.mean,
            total=whole.weight,
            heavy=self.weights[group] * self.units[group] / 255.0,
        )

    def _samples(self, group, window):
        """values (N, C, h, w) float32 and weights uint8 of a group of frames in a window."""
        frames = self.frames[group]
        shape = (len(self.cfa.channels), window[1] - window[0], len(frames), window[3] - window[2])
        values = workspace("values", shape, np.float32)
        weights = workspace("weights", shape, np.uint8)
        for i, frame in enumerate(frames):
            part = self.sampler.part_needed(frame.placement, self.cfa, window)
            if part is None:
                values[:, :, i], weights[:, :, i] = np.nan, 0
                continue
            self.sampler.sample(
                frame.load(*part),
                self.cfa,
                frame.placement,
                window,
                first=(part[0][0], part[1][0]),
                scale=frame.scale,
                backgrounds=frame.backgrounds,
                saturated=frame.saturated,
                values=values,
                weights=weights,
                index=i,
            )
        # A frame without weight in a channel has no say in the rejection either.
        values, weights = by_frames(values), by_frames(weights)
        for i, c in np.argwhere(self.weights[group] == 0):
            weights[i, c] = 0
        return values, weights

    def _noise(self, group, window):
        """A BandNoise for every channel of a window."""
        # To a sixteenth of a pixel, so that distances from them are exact in any window.
        x_cells, y_cells = (np.rint(16 * axis) / 16 for axis in self.grid.centres)
        # Of the nodes those that this window lies between.
        first = max(int(np.searchsorted(x_cells, window[2], side="right")) - 1, 0)
        last = min(int(np.searchsorted(x_cells, window[3] - 1, side="left")) + 1, x_cells.size)
        near = slice(first, max(last, first + 1))
        at = np.arange(*window[:2])
        frames = self.frames[group]
        models = []
        for c in range(self.level.shape[0]):
            sky = np.array(
                [
                    frame.scale[c] ** 2 * _along_rows(frame.sky_variance[c][:, near], y_cells, at)
                    for frame in frames
                ]
            )
            gain = [
                frame.scale[c] / (frame.exposure_s * frame.placement.pose.scale() ** 2) for frame in frames
            ]
            level = _along_rows(self.level[c][:, near], y_cells, at)
            models.append(BandNoise(x_cells[near] - window[2], sky, level, np.array(gain)))
        return models


def _kept_sum(name, shape):
    """A PartialSum in memory that is kept; all of it is to be written."""
    return PartialSum(
        *(workspace(f"{name} {plane}", shape, np.float32) for plane in ("mean", "weight", "variance")),
        *(workspace(f"{name} {plane}", shape, np.uint16) for plane in ("coverage", "rejected")),
    )


def _fill_crossings(part, tainted, centre, inner):
    """Count what corridors took as rejected; where they took all, show what is beside, with weight 0."""
    part.rejected[:] += tainted
    for c, plane in enumerate(part.mean):
        lost = (part.weight[c] == 0) & (tainted[c] > 0) & (plane == 0)
        if lost.any():
            plane[lost] = np.nan_to_num(fill_gaps(centre[c])[inner][lost])


def _along_rows(cells, y_cells, rows):
    """Cells (R, K) interpolated linearly to rows (h, K), constant beyond the outermost cells."""
    if y_cells.size == 1:
        return np.repeat(cells, rows.size, axis=0)
    low = np.clip(np.searchsorted(y_cells, rows, side="right") - 1, 0, y_cells.size - 2)
    share = np.clip((rows - y_cells[low]) / np.diff(y_cells)[low], 0.0, 1.0)[:, None]
    return (1 - share) * cells[low] + share * cells[low + 1]
