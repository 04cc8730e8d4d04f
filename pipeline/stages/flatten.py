"""Flatten: take the sky's glow off a stack, and nothing of the nebula.

Cells of free sky are found on the stacks of all filter sets together, since gas shows best through one filter and
dust through another; then each channel gets the simplest surface that predicts its free cells. The surface also
sets the zero: after this stage the sky is 0.
"""

import numpy as np

from pipeline import qa
from pipeline.bundles import LinearImage
from pipeline.fitsio import read_linear, write_linear
from pipeline.numerics.sky_model import cell_table, find_free_cells, fit_sky
from pipeline.numerics.stack_stars import detect_stars, star_mask
from pipeline.numerics.surface import fit_surface

__all__ = ["flatten", "gradient", "run", "tabulate"]

STAR_LIMIT_SIGMA = 0.3
"""Starlight above this share of the pixel noise is masked; the medians of cells ignore what is below."""

CELLS_ACROSS = 16
"""Cells that the shorter side of an image should at least have."""

CELLS_OF_A_PLANE = 3
"""Cells that determine a plane."""

MIN_CELL_PX = 8
"""Smallest cell: below, its median is too noisy to tell nebula from sky."""


def tabulate(image, *, cell, star_sigma, star_growth):
    """Reduce a stack to star-free cells.

    Parameters
    ----------
    image : LinearImage
    cell : edge of a cell, pixels
    star_sigma, star_growth : detection threshold, factor on the mask radii

    Returns
    -------
    Cells
    """
    valid = image.valid
    luminance = image.value.mean(axis=0)
    stars = detect_stars(luminance, valid.all(axis=0), sigma=star_sigma)
    covered = star_mask(
        stars, luminance.shape, surface_brightness=STAR_LIMIT_SIGMA * stars.noise, growth=star_growth
    )
    return cell_table(image.value, image.variance, valid & ~covered, cell=cell)


def flatten(image, cells, free, *, max_order):
    """Subtract the sky of each channel.

    Parameters
    ----------
    image : LinearImage
    cells : Cells of the image
    free : (gy, gx) bool, cells of pure sky
    max_order : highest order of the surface

    Returns
    -------
    flat : LinearImage, sky 0 where covered and 0 elsewhere; variance as before, the sky model's own
        uncertainty is common to all pixels and reported apart
    background : (C, ny, nx) float32, what was subtracted
    skies : list of Sky
    """
    skies = fit_sky(cells, free, max_order=max_order)
    background = np.stack([sky.surface.on_grid(image.shape[1:]) for sky in skies])
    value = np.where(image.valid, image.value - background, 0.0).astype(np.float32)
    flat = LinearImage(value, image.variance, image.coverage, image.rejected)
    return flat, background.astype(np.float32), skies


def gradient(plane):
    """Peak to peak of a background, and the direction in which it rises.

    Returns
    -------
    amplitude : float, unit of the plane
    angle : float, degrees from +x towards +y of its mean slope; None if it is constant
    """
    amplitude = float(np.ptp(plane))
    slope_y = float(np.mean(plane[-1]) - np.mean(plane[0])) / plane.shape[0]
    slope_x = float(np.mean(plane[:, -1]) - np.mean(plane[:, 0])) / plane.shape[1]
    angle = float(np.degrees(np.arctan2(slope_y, slope_x))) if amplitude > 0 else None
    return amplitude, angle


def run(layout, unit, settings, *, filter_sets):
    """Flatten the stack of filter set ``unit``; the stacks of ``filter_sets`` help to find free sky."""
    options = settings["flatten"]
    with qa.record(layout, "flatten", unit) as record:
        image = read_linear(layout.stack(unit))
        record.input(layout.stack(unit))
        if not image.valid.any():
            _write(
                layout, unit, image, np.zeros_like(image.value), "nothing to flatten: no frame contributes"
            )
            record.metric("free_sky_fraction", 0.0)
            record.flag(
                "no_data", "fail", f"the stack of {unit} holds no data, so there is nothing to flatten"
            )
            return
        cell = int(np.clip(min(image.shape[1:]) // CELLS_ACROSS, MIN_CELL_PX, options["cell_px"]))
        how = {"cell": cell, "star_sigma": options["star_sigma"], "star_growth": options["star_growth"]}
        cells = tabulate(image, **how)
        tables = [cells]
        for other in filter_sets:
            if other == unit or not layout.stack(other).is_file():
                continue
            companion = read_linear(layout.stack(other))
            record.input(layout.stack(other))
            if companion.valid.any() and companion.shape[1:] == image.shape[1:]:
                tables.append(tabulate(companion, **how))
        free = find_free_cells(
            tables, max_order=max(options["max_order"], 1), clip_sigma=options["object_sigma"]
        )
        if not free.any():
            # Better a constant from the darkest cells than no zero at all; the flag below says so.
            free = _darkest(cells)
        flat, background, skies = flatten(image, cells, free, max_order=options["max_order"])
        known = np.isfinite(cells.value).all(axis=0)
        share = float((free & known).sum() / max(known.sum(), 1))
        record.metrics({"free_sky_fraction": share, "cell_px": cell, "filter_sets_used": len(tables)})
        for c, name in enumerate(image.channels):
            record.metrics(_channel_metrics(name, background[c], skies[c], cells))
        if share < options["least_free_share"]:
            record.flag(
                "little_free_sky",
                "warn",
                f"only {100 * share:.0f} % of the field of {unit} looks free of nebula; part of a smooth nebula may "
                "have been taken for sky",
                value=share,
                limit=options["least_free_share"],
            )
        orders = ", ".join(str(sky.surface.order) for sky in skies)
        _write(
            layout,
            unit,
            flat,
            background,
            f"sky subtracted: order {orders}; free sky {share:.3f}; cell {cell} px",
        )


def _channel_metrics(name, background, sky, cells):
    """Figures of one channel: its gradient before and after, level, order, and how well the sky is known."""
    before, angle = gradient(background)
    after, after_angle = _remaining_gradient(cells, sky.held_out)
    noise = sky.uncertainty(cells.x, cells.y)
    return {
        f"sky_e_s_{name}": float(np.median(background)),
        f"gradient_before_e_s_{name}": before,
        f"gradient_before_angle_deg_{name}": angle,
        f"gradient_after_e_s_{name}": after,
        f"gradient_after_angle_deg_{name}": after_angle,
        f"sky_order_{name}": sky.surface.order,
        f"sky_held_out_rms_e_s_{name}": list(sky.held_out_rms),
        f"sky_uncertainty_median_e_s_{name}": float(np.median(noise)),
        f"sky_uncertainty_max_e_s_{name}": float(noise.max()),
    }


def _remaining_gradient(cells, left):
    """Peak to peak over the field, and direction, of a plane through what the sky model leaves.

    ``left`` are residuals about models that were fitted without the cell in question; about the final model a
    plane would be 0 by construction.
    """
    use = np.isfinite(left)
    if use.sum() < 2 * CELLS_OF_A_PLANE:
        return None, None
    ny, nx = cells.shape
    u, v = (cells.x - 0.5 * (nx - 1)) / nx, (cells.y - 0.5 * (ny - 1)) / ny
    plane, _ = fit_surface(u[use], v[use], left[use], order=1, clip_sigma=3.0)
    _, along_x, along_y = plane.coefficients
    angle = float(np.degrees(np.arctan2(along_y / ny, along_x / nx))) if along_x or along_y else None
    return float(abs(along_x) + abs(along_y)), angle


def _darkest(cells):
    """The darkest tenth of the cells."""
    mean = cells.value.mean(axis=0)
    known = np.isfinite(mean)
    return known & (mean <= np.quantile(mean[known], 0.1)) if known.any() else known


def _write(layout, unit, flat, background, note):
    write_linear(
        layout.flat(unit),
        flat,
        extensions={"BACKGROUND": background},
        keywords={"FILTSET": (unit, "filter set")},
        history=[f"flatten: {note}"],
    )
