"""The two ways to bring a raw frame to the output grid, behind one interface: drops and interpolation.

Both give for every output pixel and channel the value on the reference's scale with the frame's background
taken off, and the completeness of the sample as a byte: 255 stands for ``unit``.
"""

from dataclasses import dataclass

import numpy as np
from numba import njit

from pipeline.numerics.cfa import Cfa
from pipeline.numerics.drizzle import add_drops, drop_side, largest_overlap
from pipeline.numerics.drop_lookup import look_up, node_spacing
from pipeline.numerics.frame_positions import Placement, frame_positions
from pipeline.numerics.matched_samples import along_x, background, finish, match
from pipeline.numerics.pose import Pose
from pipeline.numerics.sampling import (
    REACH,
    block_noise_factor,
    lattice_density_factor,
    peak_loss,
    resample,
    sample_noise_factor,
)
from pipeline.numerics.surface import PolynomialSurface
from pipeline.numerics.workspace import workspace

__all__ = ["BLOCK", "Sampler", "warm"]

BLOCK = 8
"""Side of the blocks, in output pixels, for which the variance is exact."""

WINDOW_PLACES = np.stack(np.meshgrid(*2 * [np.linspace(0.0, 1.0, 9)])).reshape(2, -1)
"""Places x and y over a window, as shares of its sides, that are looked up in the frame; between them a pose bends by far
less than ``MARGIN_PX``."""

MARGIN_PX = 2.0
"""Pixels beyond the outermost place that are read as well."""


@dataclass(frozen=True)
class Sampler:
    """How samples are taken.

    Attributes
    ----------
    kernel : "drizzle", or a kernel of interpolation
    pixfrac : side of a drop over that of its pixel; only for "drizzle"
    """

    kernel: str
    pixfrac: float = 0.8

    @property
    def drops(self):
        """Whether a sample is what single pixels drop there."""
        return self.kernel == "drizzle"

    def noise_factor(self, cfa, channel):
        """Variance of a complete sample over that of a raw pixel."""
        return 1.0 if self.drops else sample_noise_factor(cfa, channel, kernel=self.kernel)

    def density_factor(self, cfa, channel, placement):
        """Equivalent uncorrelated variance of one frame's samples over that of a raw pixel, exact for blocks."""
        area = placement.pose.scale() ** 2
        if self.drops:
            # Of a drop of side D the block of n holds f; the mean of f^2 over that of f is 1 - D / 3n on each axis.
            edge = (1.0 - drop_side(placement, self.pixfrac) / (3.0 * BLOCK)) ** 2
        else:
            # To a hundredth, so that the frames of a session share one figure.
            edge = block_noise_factor(
                cfa, kernel=self.kernel, block=BLOCK, finer=round(placement.pose.scale(), 2)
            )
        return lattice_density_factor(cfa, channel) * area * edge

    def unit(self, cfa, channel, placement):
        """Completeness of a sample whose byte is 255, on the scale where the mean over a frame is one."""
        if not self.drops:
            return 1.0
        # Drops of the area D on each of the channel's pixels, of which there are 1 / d A on an output pixel, have the mean
        # overlap D / d A.
        mean = drop_side(placement, self.pixfrac) ** 2 / (
            lattice_density_factor(cfa, channel) * placement.pose.scale() ** 2
        )
        return largest_overlap(placement, self.pixfrac) / mean

    def peak_loss(self, fwhm_px, cfa, *, finer=1.0):
        """Share of a star's peak that sampling may lose, (n,), with ``finer`` output pixels along that of a frame."""
        if not self.drops:
            return peak_loss(fwhm_px, cfa, kernel=self.kernel)
        # A drop shows in an output pixel whose centre is up to half of it and half a drop away on either axis.
        distance = 0.5 * (1.0 / finer + self.pixfrac)
        sigma = np.asarray(fwhm_px, dtype=np.float64) / (2 * np.sqrt(2 * np.log(2)))
        return 1.0 - np.exp(-((distance / sigma) ** 2))

    def reach(self, cfa):
        """Frame pixels over which a sample looks: the drop's half side, or the larger lobe of the kernel."""
        return 0.5 * self.pixfrac if self.drops else (1.0 if cfa.is_mono else 2.0)

    def part_needed(self, placement, cfa, window):
        """Rows and columns (first, stop) of the frame that reach a window, first ones even; None if none do."""
        top, bottom, left, right = window
        x, y = left - 0.5 + WINDOW_PLACES[0] * (right - left), top - 0.5 + WINDOW_PLACES[1] * (bottom - top)
        places = frame_positions(placement.pose, x, y)
        reach = 1.0 if self.drops else REACH[self.kernel] * (1.0 if cfa.is_mono else 2.0)
        part = []
        for axis, size in ((1, placement.pose.shape[0]), (0, placement.pose.shape[1])):
            place = places[axis][np.isfinite(places[axis])]
            if not place.size:
                return None
            # |u| and |v| are at most about 1 on the frame, so this bounds the channel offset.
            margin = reach + MARGIN_PX + float(np.abs(placement.channel_offsets[:, axis]).sum(axis=1).max())
            first = int(np.clip(np.floor(place.min() - margin), 0, size)) // 2 * 2
            stop = int(np.clip(np.ceil(place.max() + margin) + 1, 0, size))
            if stop <= first:
                return None
            part.append((first, stop))
        return tuple(part)

    def sample(
        self, frame, cfa, placement, window, *, first, scale, backgrounds, saturated, values, weights, index
    ):
        """Samples of a frame in a window.

        Parameters
        ----------
        frame : (rows, columns) float32, electrons per second; NaN where bad, infinity where saturated
        placement : Placement
        window : (first row, stop row, first column, stop column) of the output grid
        first : (row, column) of the frame that ``frame[0, 0]`` is
        scale : (C,) photometric scale
        backgrounds : C of PolynomialSurface on the output grid
        saturated : electrons per second at which a pixel saturates; what only saturated pixels show keeps it,
            with weight 0
        values, weights : (C, h, N, w) float32 and uint8; the rows of frame ``index`` are written, with NaN and 0
            where there is no sample
        index : int
        """
        spacing = node_spacing(placement, self.pixfrac) if self.drops else None
        if spacing:
            look_up(
                frame, cfa, placement, window, spacing=spacing, pixfrac=self.pixfrac, first=first, scale=scale,
                backgrounds=backgrounds, saturated=saturated, values=values, weights=weights, index=index,
            )  # fmt: skip
            return
        top, bottom, left, right = window
        shape, positions = (values.shape[0], bottom - top, right - left), None
        rows, columns = np.arange(top, bottom), np.arange(left, right)
        if self.drops:
            sums = workspace("sums of drops", (shape[0], 2, *shape[1:]), np.float32)
            sums[:] = 0
            saturated_pixels = add_drops(
                frame,
                cfa,
                placement,
                window,
                sums,
                pixfrac=self.pixfrac,
                first_row=first[0],
                first_column=first[1],
            )
            full = 255.0 / largest_overlap(placement, self.pixfrac)
        else:
            positions = _places(placement, window)
            found, weight = resample(
                frame,
                cfa,
                placement,
                positions,
                kernel=self.kernel,
                first_row=first[0],
                first_column=first[1],
            )
            found, weight = found.reshape(shape), weight.reshape(shape)
            full = 255.0
            saturated_pixels = np.isposinf(frame).any()
        for c, surface in enumerate(backgrounds):
            powers, v = along_x(surface, columns, rows)
            if self.drops:
                _match_drops(sums[c, 0], sums[c, 1], scale[c], powers, v, full, values[c], weights[c], index)
            else:
                match(found[c], weight[c], scale[c], powers, v, full, values[c], weights[c], index)
        if saturated_pixels:
            _keep_saturated(frame, cfa, placement, positions or _places(placement, window), first, saturated * scale, backgrounds,
                            rows, columns, values[:, :, index], weights[:, :, index])  # fmt: skip


def warm():
    """Compile the kernel of this module."""
    values, weights = (np.zeros((3, 8, 1, 8), dtype=kind) for kind in (np.float32, np.uint8))
    flat = PolynomialSurface(0, np.zeros(1), 0.0, 0.0, 1.0)
    # Turned so far that drops are not looked up but added.
    turned = Pose.from_matrix([[0.6, -0.8, 4.0], [0.8, 0.6, -2.0]], (8, 8))
    placement = Placement(turned, np.zeros((3, 2, 3)))
    for kernel in ("drizzle", "ringless"):
        Sampler(kernel).sample(
            np.ones((8, 8), dtype=np.float32), Cfa("RGGB"), placement, (0, 8, 0, 8), first=(0, 0), scale=np.ones(3),
            backgrounds=[flat] * 3, saturated=1.0, values=values, weights=weights, index=0,
        )  # fmt: skip


def _places(placement, window):
    top, bottom, left, right = window
    y, x = np.mgrid[top:bottom, left:right]
    return frame_positions(placement.pose, x.ravel(), y.ravel())


@njit(cache=True, nogil=True, error_model="numpy")
def _match_drops(signal, overlap, scale, powers, v, full, values, weights, index):
    """As :func:`match`, from sums of drops; where nothing fell, 0 / 0 is the NaN that is wanted."""
    scale, full = np.float32(scale), np.float32(full)
    level, mean = (
        np.empty(signal.shape[1], dtype=np.float32),
        np.empty(signal.shape[1], dtype=np.float32),
    )
    for row in range(signal.shape[0]):
        background(powers, v[row], level)
        line, share = signal[row], overlap[row]
        for column in range(line.size):
            mean[column] = line[column] / share[column]
        finish(mean, share, scale, level, full, values[row, index], weights[row, index])


def _keep_saturated(
    frame, cfa, placement, positions, first, level, backgrounds, rows, columns, values, weights
):
    """Where saturation took the sample away, its level is kept with weight 0, as the last resort."""
    x, y = (axis.reshape(values.shape[1:]) for axis in positions[:2])
    ny, nx = placement.pose.shape
    scale = 0.5 * np.hypot(nx, ny)
    area = positions[2].reshape(x.shape)
    for c, channel in enumerate(cfa.channels):
        lost = (weights[c] == 0) & np.isfinite(area)
        if not lost.any():
            continue
        u, v = (x[lost] - 0.5 * (nx - 1)) / scale, (y[lost] - 0.5 * (ny - 1)) / scale
        dx, dy = placement.channel_offsets[c] @ (np.ones_like(u), u, v)
        clipped = np.zeros(u.size, dtype=bool)
        for oy, ox in cfa.offsets(channel):
            step = 1 if cfa.is_mono else 2
            oy, ox = (0, 0) if cfa.is_mono else (oy, ox)
            j = oy + step * np.rint((y[lost] + dy - oy) / step).astype(int) - first[0]
            i = ox + step * np.rint((x[lost] + dx - ox) / step).astype(int) - first[1]
            inside = (i >= 0) & (j >= 0) & (i < frame.shape[1]) & (j < frame.shape[0])
            clipped[inside] |= np.isposinf(frame[j[inside], i[inside]])
        row, column = (axis[clipped] for axis in np.nonzero(lost))
        sky = backgrounds[c].evaluate(columns[column], rows[row])
        values[c][row, column] = level[c] * area[row, column] - sky
