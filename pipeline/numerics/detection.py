"""Finding everything that stands out of a frame, before asking what of it is a star."""

from dataclasses import dataclass

import numpy as np
import sep

from pipeline.numerics.cfa import luminance
from pipeline.numerics.repair import find_spikes, repair_pixels

__all__ = ["NOISE_KEPT_BY_LUMINANCE", "Detection", "DetectionError", "detect"]

NOISE_KEPT_BY_LUMINANCE = 0.375
"""sqrt(sum of squares) of the [1 2 1] x [1 2 1] / 16 kernel: what it leaves of white noise per pixel."""

PIXEL_STACK = 5_000_000
"""Pixels of one frame that may lie above the threshold at a time; a nebula can fill a good part of a frame."""

SUB_OBJECT_LIMIT = 4096
"""Deblending limit of one connected region, for the same reason."""

MESH_FILTER = 3
"""Median filter over the background mesh, in cells: a bright star in one cell does not lift it."""

DEBLEND_CONTRAST = 0.002
"""Flux fraction from which a peak on the flank of a brighter one counts: stars in front of a nebula."""

MIN_AREA_PX = 4
"""Connected pixels above the threshold; a star of FWHM 1.6 px at five sigma still has as many."""


class DetectionError(Exception):
    """Detection could not be carried out on this frame."""


@dataclass(frozen=True)
class Detection:
    """What stands out of a frame.

    Attributes
    ----------
    image : (ny, nx) float32 luminance without background, bad pixels and lone spikes, electron/s
    noise : float, median standard deviation of a pixel of ``image``, electron/s
    white_noise : float, that of the raw samples with the same information, electron/s
    spikes : (ny, nx) bool, lone spikes that were repaired
    objects : structured array of sep
    """

    image: np.ndarray
    noise: float
    white_noise: float
    spikes: np.ndarray
    objects: np.ndarray


def detect(frame, bad, cfa, *, sigma, mesh_px, spike_sigma):
    """Background, repair, luminance, and extraction.

    The mesh background swallows nebulae; it serves detection and nothing else.

    Parameters
    ----------
    frame : (ny, nx) float32, electron/s
    bad : (ny, nx) bool, known bad or saturated-by-defect pixels
    cfa : Cfa
    sigma : detection threshold in the luminance noise
    mesh_px : side of a background cell, pixels
    spike_sigma : threshold for lone spikes in the noise of a raw sample

    Returns
    -------
    Detection

    Raises
    ------
    DetectionError
        If a channel is constant, or more objects than can be dealt with.
    """
    flat = repair_pixels(frame, bad, cfa)
    for channel in cfa.channels:
        if all(np.ptp(plane) == 0 for plane in cfa.planes(flat, channel)):
            raise DetectionError(f"no noise: channel {channel} has the same value everywhere")
    noise = _subtract_background(flat, mesh_px, step=1 if cfa.is_mono else 2)
    spikes = find_spikes(flat, _tiled(noise, flat.shape), sigma=spike_sigma)
    flat = repair_pixels(flat, bad | spikes, cfa)
    image = np.ascontiguousarray(luminance(flat, cfa))
    sep.set_extract_pixstack(PIXEL_STACK)
    sep.set_sub_object_limit(SUB_OBJECT_LIMIT)
    try:
        background = sep.Background(image, bw=mesh_px, bh=mesh_px, fw=MESH_FILTER, fh=MESH_FILTER)
        background.subfrom(image)
        # The luminance is smoothed already; a mono frame gets the customary 3 x 3 filter.
        options = {} if cfa.is_mono else {"filter_kernel": None}
        objects = sep.extract(
            image,
            sigma,
            err=background.rms(),
            minarea=MIN_AREA_PX,
            deblend_cont=DEBLEND_CONTRAST,
            **options,
        )
    except Exception as error:
        # sep raises bare Exception for everything, an overflowing pixel stack included.
        raise DetectionError(f"star detection gave up: {error}") from error
    level = float(background.globalrms)
    kept = 1.0 if cfa.is_mono else NOISE_KEPT_BY_LUMINANCE
    return Detection(image, level, level / kept, spikes, objects)


def _subtract_background(frame, mesh_px, *, step):
    """Take the mesh background off every plane of the cell in place; returns (step, step) noise levels."""
    noise = np.zeros((step, step))
    cell = max(8, mesh_px // step)
    for dy in range(step):
        for dx in range(step):
            plane = np.ascontiguousarray(frame[dy::step, dx::step])
            background = sep.Background(plane, bw=cell, bh=cell, fw=MESH_FILTER, fh=MESH_FILTER)
            background.subfrom(plane)
            frame[dy::step, dx::step] = plane
            noise[dy, dx] = background.globalrms
    return noise


def _tiled(noise, shape):
    """(ny, nx) view-like map of the noise of each place in the cell, float32."""
    repeats = [-(-n // m) for n, m in zip(shape, noise.shape, strict=True)]
    return np.tile(noise.astype(np.float32), repeats)[: shape[0], : shape[1]]
