"""Flatten: take the sky's glow off a stack, and nothing of the nebula.

Cells of free sky are found on those of all filter sets together, since gas shows best through one filter and
dust through another; then each channel gets the simplest surface that predicts its free cells. The surface also
sets the zero: after this stage the sky is 0.
"""

import numpy as np

from pipeline import qa
from pipeline.bundles import LinearImage
from pipeline.filter_curves import channel_responses, owner_channel
from pipeline.fitsio import read_keywords, stored_linear, write_linear
from pipeline.grid_keywords import finer_of, grid_keywords
from pipeline.numerics.bands import in_bands
from pipeline.numerics.crowded_sky import crowded_sky
from pipeline.numerics.free_cells import cells_near, find_free_cells
from pipeline.numerics.sky_model import fit_sky
from pipeline.numerics.sky_remainder import fit_remainder
from pipeline.numerics.spectrum import LINES
from pipeline.numerics.spread_sample import every_nth
from pipeline.numerics.surface import fit_surface
from pipeline.settings.filters import CONTINUUM_ROLES, lines_of
from pipeline.sky_tables import read_sky_table

__all__ = ["find_skies", "flatten", "gradient", "run"]

CROWDED = 0.2
"""Share of cells free of all nebula below which kinds of light are told apart. On simulated nebulae both ways are
equally good there; below, this one is better by half, above, the plain one."""

BAND_ROWS = 64
"""Rows that are flattened at a time: they stay in the cache."""

ROUNDS_OF_A_BENT_SKY = 3
"""Surfaces and the cells near them are found in turns; they change little after the second."""

CELLS_OF_A_PLANE = 3
"""Cells that determine a plane."""


def flatten(image, skies, remainder=None):
    """Subtract the sky of each channel.

    Parameters
    ----------
    image : LinearImage
    skies : list of Sky, one a channel
    remainder : (C, ny, nx) sky besides, or None

    Returns
    -------
    flat : LinearImage, sky 0 where covered and 0 elsewhere; variance as before, the sky model's own
        uncertainty is common to all pixels and reported apart
    background : (C, ny, nx) float32, what was subtracted
    """
    value, background = np.empty_like(image.value), np.empty(image.shape, dtype=np.float32)

    def band(start, stop):
        for c, sky in enumerate(skies):
            rows = np.s_[c, start:stop]
            background[rows] = sky.surface.on_grid(image.shape[1:], rows=(start, stop))
            if remainder is not None:
                background[rows] += remainder[rows]
            np.subtract(image.value[rows], background[rows], out=value[rows])
            np.copyto(value[rows], 0.0, where=image.coverage[rows] <= 0)

    in_bands(band, image.shape[1], rows=BAND_ROWS)
    return LinearImage(value, image.variance, image.coverage, image.rejected), background


def find_skies(unit, tables, roles, owners, *, max_order, clip_sigma):
    """Skies of the channels of filter set ``unit``.

    Where hardly any cell is free of all nebula, kinds of light are told apart (see :mod:`crowded_sky`).

    Parameters
    ----------
    unit : name of a filter set
    tables : dict name -> Cells, of all sets with data
    roles : dict name -> role
    owners : dict name -> channels that show a line best; of sets that carry lines
    max_order, clip_sigma : highest order of the surface, and excess that marks nebula

    Returns
    -------
    skies : list of Sky
    free : (gy, gx) bool, cells without any nebula
    shares : dict of float, if kinds of light were told apart: share of cells without each; else None
    """
    cells = tables[unit]
    known = np.isfinite(cells.value).all(axis=0)
    free = find_free_cells(list(tables.values()), max_order=max(max_order, 1), clip_sigma=clip_sigma)
    if (free & known).sum() < CROWDED * known.sum() and owners:
        continuum = unit if roles[unit] in CONTINUUM_ROLES else _first_of(tables, roles)
        narrow = sorted(owners)
        places = [(narrow.index(name), c) for name in narrow for c in owners[name]]
        found = crowded_sky(
            tables.get(continuum), [tables[name] for name in narrow], places,
            max_order=max_order, clip_sigma=clip_sigma,
        )  # fmt: skip
        if found is not None and (unit == continuum or unit in narrow):
            skies = found.continuum if unit == continuum else found.narrow[narrow.index(unit)]
            return skies, free, found.free_share
    if not free.any():
        # Better a constant from the darkest cells than no zero at all; a flag says so.
        free = _darkest(cells)
    return fit_sky(cells, free, max_order=max_order), free, None


def _first_of(tables, roles):
    """The set that shows dust best: broadband before unfiltered; None without either."""
    there = [name for role in CONTINUUM_ROLES for name in sorted(tables) if roles[name] == role]
    return there[0] if there else None


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
    """Flatten the stack of filter set ``unit``; the cells of all ``filter_sets`` help to find free sky."""
    options = settings["flatten"]
    with qa.record(layout, "flatten", unit) as record:
        image = stored_linear(layout.stack(unit))
        record.input(layout.stack(unit))
        if not image.has_data:
            _write(
                layout, unit, image, np.zeros_like(image.value), "nothing to flatten: no frame contributes"
            )
            record.metric("free_sky_fraction", 0.0)
            record.flag(
                "no_data", "fail", f"the stack of {unit} holds no data, so there is nothing to flatten"
            )
            return
        surveyed = _skies(layout, unit, filter_sets, record)
        tables = {name: sky.cells for name, sky in surveyed.items()}
        channels = {name: sky.channel_names for name, sky in surveyed.items()}
        cells, cell = tables[unit], surveyed[unit].cell_px
        entries = settings["filter_sets"]
        skies, free, shares = find_skies(
            unit,
            tables,
            {name: entries[name]["role"] for name in tables},
            _owners(channels, entries, settings["camera"]["response"]),
            max_order=options["max_order"],
            clip_sigma=options["object_sigma"],
        )
        remainder = None
        if options["remainder"] == "spline":
            if shares is None:
                skies, remainder = _bent_sky(cells, skies, options)
            record.metric("sky_remainder_used", remainder is not None)
        flat, background = flatten(image, skies, remainder)
        known = np.isfinite(cells.value).all(axis=0)
        share = float((free & known).sum() / max(known.sum(), 1))
        record.metrics({"free_sky_fraction": share, "cell_px": cell, "filter_sets_used": len(tables)})
        record.metric(
            "sky_found_by", "cells free of nebula" if shares is None else "cells free of one light each"
        )
        for light, light_share in (shares or {}).items():
            record.metric(f"cells_without_{light}", light_share)
        for c, name in enumerate(image.channels):
            record.metrics(_channel_metrics(name, background[c], skies[c], cells))
            if remainder is not None:
                record.metric(f"sky_remainder_e_s_{name}", float(np.ptp(remainder[c])))
        if share < options["least_free_share"]:
            record.flag(
                "little_free_sky",
                "warn",
                f"only {100 * share:.0f} % of the field of {unit} looks free of nebula; part of a smooth nebula may "
                "have been taken for sky",
                value=share,
                limit=options["least_free_share"],
            )
        if shares is not None:
            record.flag(
                "sky_by_kinds_of_light", "info",
                f"{100 * share:.0f} % of the field of {unit} is free of all nebula; the sky was found from cells that "
                "are free of one line or of the dust at a time",
            )  # fmt: skip
        orders = ", ".join(str(sky.surface.order) for sky in skies)
        orders += "" if remainder is None else " and a spline"
        _write(
            layout,
            unit,
            flat,
            background,
            f"sky subtracted: order {orders}; free sky {share:.3f}; cell {cell} px",
        )


def _bent_sky(cells, skies, options):
    """Surfaces and the spline on top of them, or None, of a sky that bends: the cells where it does so are near to the surfaces,
    not on them.
    """
    for _ in range(ROUNDS_OF_A_BENT_SKY):
        surfaces = [sky.surface for sky in skies]
        near = cells_near(cells, surfaces, clip_sigma=options["object_sigma"])
        if near.sum() <= CELLS_OF_A_PLANE:
            return skies, None
        skies = fit_sky(cells, near, max_order=options["max_order"])
    return skies, fit_remainder(cells, near, skies)


def _skies(layout, unit, filter_sets, record):
    """Set name -> SkyTable of ``unit`` and of the others that have data on the same grid, ``unit`` first."""
    skies = {}
    for name in [unit, *(other for other in filter_sets if other != unit)]:
        path = layout.sky(name)
        if name != unit and not path.is_file():
            continue
        record.input(path)
        sky = read_sky_table(path)
        if name == unit or (sky.cells is not None and sky.cells.shape == skies[unit].cells.shape):
            skies[name] = sky
    return skies


def _owners(channels, entries, response_path):
    """Filter set -> channels that show a line best, of the sets that carry lines."""
    owners = {}
    for name in sorted(channels):
        lines = [line for line in lines_of(entries[name]) if line in LINES]
        if lines:
            responses = channel_responses(channels[name], response_path)
            found = {owner_channel(line, entries[name], responses) for line in lines} - {None}
            owners[name] = sorted(found)
    return {name: found for name, found in owners.items() if found}


def _channel_metrics(name, background, sky, cells):
    """Figures of one channel: its gradient before and after, level, order, and how well the sky is known."""
    before, angle = gradient(background)
    after, after_angle = _remaining_gradient(cells, sky.held_out)
    noise = sky.uncertainty(cells.x, cells.y)
    return {
        f"sky_e_s_{name}": float(np.median(every_nth(background))),
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
        keywords={
            "FILTSET": (unit, "filter set"),
            **grid_keywords(finer_of(read_keywords(layout.stack(unit)))),
        },
        history=[f"flatten: {note}"],
    )
