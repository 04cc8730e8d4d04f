"""What a frame is worth, found before it is added: its scale, its relative background and its noise.

All of it is read off the sample grid of the anchor, some 10^5 places, so that a survey costs little more than
reading the frame.
"""

from dataclasses import dataclass

import numpy as np
from scipy import ndimage

from pipeline.numerics.photometric_scale import ChannelScale, match_stars, photometric_scales
from pipeline.numerics.relative_background import fit_relative_background
from pipeline.numerics.sampling import lattice_density_factor
from pipeline.numerics.surface import PolynomialSurface
from pipeline.numerics.weights import frame_weight

__all__ = ["FrameSurvey", "star_scales", "survey_frame", "usual_level"]

MATCH_RADIUS_PX = 2.0
"""Stars of a registered frame lie within a fraction of a pixel of the reference's; two pixels allow for faint
ones and for lateral colour, and are still far less than the distance between stars."""


@dataclass(frozen=True)
class FrameSurvey:
    """Of one frame.

    Attributes
    ----------
    scales : list of ChannelScale; ``scale`` is 1 where it could not be measured (``measured`` False)
    measured : bool
    backgrounds : C of PolynomialSurface, or None where frame and reference do not overlap
    residual : (C,) robust scatter of the cells about the background, electrons per second
    sky_variance : (C, rows, columns) variance of a raw pixel in output units before scaling
    signal : (C, rows, columns) scaled and matched signal of the cells; NaN where not covered
    weight : (C,) inverse variance, s^2 / electron^2
    """

    scales: list[ChannelScale]
    measured: bool
    backgrounds: list[PolynomialSurface] | None
    residual: np.ndarray
    sky_variance: np.ndarray
    signal: np.ndarray
    weight: np.ndarray


def star_scales(stars, pose, reference, channels, *, wanted_error=0.01):
    """Scale of every channel of a frame from its stars.

    Parameters
    ----------
    stars : mapping with x, y (frame pixels) and flux_c, flux_err_c of the frame's reliable stars
    pose : Pose
    reference : the same of the reference's stars, with x, y in anchor pixels
    """
    x, y = pose.forward(np.asarray(stars["x"]), np.asarray(stars["y"]))
    here, there = match_stars(x, y, reference["x"], reference["y"], radius_px=MATCH_RADIUS_PX)
    columns = [
        np.stack([np.asarray(table[f"{kind}_{c}"], dtype=np.float64)[index] for c in channels])
        for table, index in ((stars, here), (reference, there))
        for kind in ("flux", "flux_err")
    ]
    return photometric_scales(*columns, wanted_error=wanted_error)


def survey_frame(
    signal, pixel_variance, scales, reference_signal, cfa, grid, *, pose, order, objective, fwhm_px
):
    """Relative background, noise and weight of a frame.

    Parameters
    ----------
    signal, pixel_variance : (C, n) of the frame at the places of the grid, in output units before scaling; NaN where
        it does not reach
    scales : list of ChannelScale
    reference_signal : (C, n) of the reference frame on the same grid
    pose : Pose of the frame
    order : of the background
    objective, fwhm_px : see :func:`pipeline.numerics.weights.frame_weight`

    Returns
    -------
    FrameSurvey
    """
    measured = all(np.isfinite(entry.scale) for entry in scales)
    if not measured:
        scales = [ChannelScale(1.0, np.nan, entry.n_stars, True) for entry in scales]
    scale = np.array([entry.scale for entry in scales])
    scaled = signal * scale[:, None]
    fits = [
        fit_relative_background(grid, ours - theirs, order=order)
        for ours, theirs in zip(scaled, reference_signal, strict=True)
    ]
    overlap = all(fit is not None for fit in fits)
    variance_cells = _filled(grid.cell_medians(pixel_variance))
    usual = np.array([np.median(plane) for plane in variance_cells])
    area = pose.scale() ** -2
    density = np.array([lattice_density_factor(cfa, channel) for channel in cfa.channels])
    # The variance on the grid has the pixel's area in it already; the weight wants it per frame pixel.
    weight = frame_weight(
        scale, density * usual / area**2, objective=objective, fwhm_px=fwhm_px, area_scale=1 / area
    )
    if not overlap:
        nothing = np.full(len(scales), np.nan)
        return FrameSurvey(
            scales, measured, None, nothing, variance_cells, grid.cell_medians(scaled), 0.0 * weight
        )
    backgrounds = [fit.surface for fit in fits]
    matched = np.stack(
        [plane - surface.evaluate(grid.x, grid.y) for plane, surface in zip(scaled, backgrounds, strict=True)]
    )
    return FrameSurvey(
        scales,
        measured,
        backgrounds,
        np.array([fit.residual for fit in fits]),
        variance_cells,
        grid.cell_medians(matched),
        weight,
    )


def usual_level(surveys):
    """(C, rows, columns) median over the frames of the signal in the cells, holes filled from beside."""
    signal = np.stack([survey.signal for survey in surveys])
    covered = np.isfinite(signal).any(axis=0)
    ordered = np.sort(np.where(np.isfinite(signal), signal, np.inf), axis=0)
    count = np.isfinite(signal).sum(axis=0)
    low, high = np.maximum((count - 1) // 2, 0), np.minimum(count // 2, len(surveys) - 1)
    middle = np.stack([np.take_along_axis(ordered, k[None], axis=0)[0] for k in (low, high)])
    middle[:, ~covered] = np.nan
    return _filled(middle.mean(axis=0))


def _filled(cells):
    """Cells (C, rows, columns) with NaN replaced by the nearest cell that has a value; 0 if there is none."""
    filled = np.array(cells, dtype=np.float64)
    for plane in filled:
        missing = ~np.isfinite(plane)
        if missing.all():
            plane[:] = 0.0
        elif missing.any():
            nearest = ndimage.distance_transform_edt(missing, return_distances=False, return_indices=True)
            plane[:] = plane[tuple(nearest)]
    return filled
