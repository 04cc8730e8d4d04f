"""Finding everything that stands out of a frame, before asking what of it is a star."""

from dataclasses import dataclass, replace

import numpy as np
import sep

from pipeline.numerics.half_grid import STEP, half_luminance
from pipeline.numerics.repair import find_spikes, repair_pixels

__all__ = ["NOISE_KEPT_BY_LUMINANCE", "Detection", "DetectionError", "detect"]

NOISE_KEPT_BY_LUMINANCE = 0.375
"""sqrt(sum of squares) of the [1 2 1] x [1 2 1] / 16 kernel: what it leaves of white noise per pixel."""

PIXEL_STACKS = (300_000, 5_000_000)
"""Pixels that may lie above the threshold at a time, tried in turn. The first suffices for stars; a nebula can fill
a good part of a frame, but room for it costs 0.15 s and 200 MB in every frame."""

SUB_OBJECT_LIMIT = 4096
"""Deblending limit of one connected region, for the same reason."""

MESH_FILTER = 3
"""Median filter over the background mesh, in cells: a bright star in one cell does not lift it."""

LEAST_MESH = 16
"""Pixels of the half grid along the side of a background cell: fewer give no histogram."""

DEBLEND_CONTRAST = 0.002
"""Flux fraction from which a peak on the flank of a brighter one counts: stars in front of a nebula."""

MIN_AREA = 1
"""Connected pixels of the half grid above the threshold; a faint star of FWHM 1.6 px has no more. Four sigma of
the smoothed image are met by chance some hundred times on 26 Mpx; the vetting refuses these."""


class DetectionError(Exception):
    """Detection could not be carried out on this frame."""


@dataclass(frozen=True)
class Detection:
    """What stands out of a frame.

    Attributes
    ----------
    image : half grid, float32: luminance without background, bad pixels and lone spikes, electron/s
    background : half grid, float32: what was taken off, electron/s
    noise : float, median standard deviation of a pixel of ``image``, electron/s
    white_noise : float, that of the raw samples with the same information, electron/s
    spikes : (n, 2) int, row and column of lone spikes that were repaired
    x, y : (m,) float64 objects, frame pixels
    size : (m,) float64 isophotal size of each, frame pixels
    peak : (m,) float64 electron/s
    npix : (m,) int, area in frame pixels
    single : (m,) bool: not blended with another
    """

    image: np.ndarray
    background: np.ndarray
    noise: float
    white_noise: float
    spikes: np.ndarray
    x: np.ndarray
    y: np.ndarray
    size: np.ndarray
    peak: np.ndarray
    npix: np.ndarray
    single: np.ndarray

    def subset(self, which):
        """The same with only some of the objects."""
        objects = ("x", "y", "size", "peak", "npix", "single")
        return replace(self, **{name: getattr(self, name)[which] for name in objects})


def detect(frame, bad, cfa, noise, *, sigma, mesh_px, spike_sigma):
    """Repair, luminance, background, and extraction.

    The mesh background swallows nebulae; it serves detection and nothing else.

    Parameters
    ----------
    frame : (ny, nx) float32, electron/s; bad pixels and lone spikes are filled in place
    bad : (ny, nx) bool, known bad or not finite; spikes are added in place
    cfa : Cfa
    noise : dict channel -> standard deviation of a sky pixel, electron/s
    sigma : detection threshold in the luminance noise
    mesh_px : side of a background cell, frame pixels
    spike_sigma : threshold for lone spikes in the noise of a raw sample

    Returns
    -------
    Detection

    Raises
    ------
    DetectionError
        If a channel is constant, or more objects than can be dealt with.
    """
    repair_pixels(frame, bad, cfa)
    for channel in cfa.channels:
        if not noise[channel] > 0 and all(np.ptp(plane) == 0 for plane in cfa.planes(frame, channel)):
            raise DetectionError(f"no noise: channel {channel} has the same value everywhere")
    of_cell = np.array([noise[channel] for channel in cfa.channels])[cfa.cell]
    spikes = find_spikes(frame, np.nan_to_num(of_cell), sigma=spike_sigma)
    if len(spikes):
        bad[tuple(spikes.T)] = True
        repair_pixels(frame, bad, cfa, spikes)
    image = half_luminance(frame)
    mesh = max(LEAST_MESH, mesh_px // STEP)
    sep.set_sub_object_limit(SUB_OBJECT_LIMIT)
    try:
        mesh_background = sep.Background(image, bw=mesh, bh=mesh, fw=MESH_FILTER, fh=MESH_FILTER)
        background = mesh_background.back(dtype=np.float32)
        image -= background
        objects = _extracted(image, sigma, mesh_background.rms(dtype=np.float32), PIXEL_STACKS)
    except Exception as error:
        # sep raises bare Exception for everything, an overflowing pixel stack included.
        raise DetectionError(f"star detection gave up: {error}") from error
    level = float(mesh_background.globalrms)
    return Detection(
        image, background, level, level / NOISE_KEPT_BY_LUMINANCE, spikes,
        STEP * objects["x"].astype(np.float64), STEP * objects["y"].astype(np.float64),
        STEP * np.sqrt(np.maximum(objects["a"] * objects["b"], 1e-6)), objects["peak"].astype(np.float64),
        STEP**2 * objects["npix"], objects["flag"] == 0,
    )  # fmt: skip


def _extracted(image, sigma, noise, rooms):
    """Objects of sep; while there is a larger room to try, running out of it is no failure."""
    room, *larger = rooms
    sep.set_extract_pixstack(room)
    try:
        # The luminance is smoothed already, so no filter.
        return sep.extract(
            image, sigma, err=noise, minarea=MIN_AREA, deblend_cont=DEBLEND_CONTRAST, filter_kernel=None
        )
    except Exception:
        if not larger:
            raise
    return _extracted(image, sigma, noise, larger)
