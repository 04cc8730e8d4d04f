"""Render: the fused linear light as a picture for the eye, and the comparison sheet of all filter sets."""

from concurrent.futures import ThreadPoolExecutor

import numpy as np

from pipeline import qa
from pipeline.colour_profile import linear_profile, srgb_profile
from pipeline.comparison_sheet import Panel, compose, fit_blocks
from pipeline.errors import InputError
from pipeline.fitsio import read_image, read_keywords, stored_image
from pipeline.numerics.bands import in_bands
from pipeline.numerics.colour import srgb_decode
from pipeline.numerics.detail_window import richest_window
from pipeline.numerics.fill import enclosed, filled
from pipeline.numerics.spread_sample import every_nth
from pipeline.numerics.stretch import find_stretch, render_for_display
from pipeline.numerics.white_reference import white_reference
from pipeline.picture_files import as_image, write_png, write_tiff

__all__ = ["covered_box", "run"]

WELL_COVERED = 0.5
"""Share of the usual number of frames below which a pixel at the border is too noisy to be shown."""

LOOK_STEP = 4
"""Every so many rows and columns tell where the frames of a filter set reach: to four pixels, inwards."""

LEAST_LEFT = 0.9
"""A filter set whose borders would cost more than the other part of the picture covers part of the field only; what it does
not reach is shown without it."""

WHITE_PX = 2048
"""Side of the part of a filter set's field whose stars balance its picture on the comparison sheet."""

BAND_ROWS = 64
"""Rows that are balanced at a time: they stay in the cache."""

ROLES = {
    "unfiltered": "unfiltered",
    "broadband": "broadband",
    "dualband": "dual-band",
    "narrowband": "narrowband",
}
"""Roles of filter sets in the order of the comparison sheet, as they are called there."""


def run(layout, unit, settings, *, filter_sets):
    """Render the fused picture, and beside it each of ``filter_sets`` by the same rules."""
    with qa.record(layout, "render", unit) as record:
        options = settings["render"]
        header, coverage = read_keywords(layout.fused()), stored_image(layout.fused(), "COVERAGE")
        record.input(layout.fused())
        gains = np.array([float(header[f"WHITE_{channel}"]) for channel in "RGB"])
        box = covered_box(_well_covered(coverage), options["crop_coverage"])
        for name in filter_sets:
            box = _within(box, layout.flat(name), options["crop_coverage"])
        value, valid = _complete(read_image(layout.fused())[:, *box], coverage[:, *box] > 0, gains)
        del coverage
        shape = valid.shape
        stretch = _stretch(value, valid, options)
        display = render_for_display(value, valid, stretch, saturation=options["saturation"])
        text = _description(settings["target"]["name"], header)
        # Scaling and packing use one core: the panels are made meanwhile.
        with ThreadPoolExecutor(1) as pool:
            written = pool.submit(_write_pictures, layout, display, text, options)
            _report(record, display, valid, stretch)
            detail = richest_window(value, _detail_shape(valid.shape, options))
            fused = _panel("fused", _recipe(header), value, valid, detail, options)
            del value, valid, display
            others = _filter_set_panels(layout, settings, filter_sets, box, detail, record)
            written.result()
        sheet = compose(
            [*others, fused],
            width=options["comparison_pixels"],
            box=_shares(detail, shape),
            caption=f"{settings['target']['name']}. All by the same rules: each picture's usual star is white, sky at "
            f"{options['sky_level']:g}, softening at {options['softening_sigma']:g} times each picture's own noise.",
        )
        write_png(layout.comparison(), sheet, f"{text}; sRGB")
        record.metric("panels", len(others) + 1)


def covered_box(covered, share):
    """Slices of the rows and columns that remain when border rows and columns are cut off.

    The border line with the least cover goes first, until each of the four is covered over at least ``share`` of
    its length inside the box. Everything is kept if nothing would remain.

    Parameters
    ----------
    covered : (ny, nx) bool
    share : 0 to 1

    Returns
    -------
    slice of rows, slice of columns
    """
    ny, nx = covered.shape
    if covered.all():
        return slice(0, ny), slice(0, nx)
    total = np.zeros((ny + 1, nx + 1), dtype=np.int64)
    total[1:, 1:] = covered.cumsum(axis=0, dtype=np.int64).cumsum(axis=1)
    y0, y1, x0, x1 = 0, ny, 0, nx
    while y0 < y1 and x0 < x1:

        def part(a, b, c, d):
            return (total[b, d] - total[a, d] - total[b, c] + total[a, c]) / ((b - a) * (d - c))

        sides = (
            part(y0, y0 + 1, x0, x1), part(y1 - 1, y1, x0, x1), part(y0, y1, x0, x0 + 1), part(y0, y1, x1 - 1, x1),
        )  # fmt: skip
        worst = int(np.argmin(sides))
        if sides[worst] >= share:
            return slice(y0, y1), slice(x0, x1)
        y0, y1, x0, x1 = y0 + (worst == 0), y1 - (worst == 1), x0 + (worst == 2), x1 - (worst == 3)
    return slice(0, ny), slice(0, nx)


def _well_covered(coverage):
    """(ny, nx) bool: enough frames in all channels; patches inside the field, like clipped cores, count as covered."""
    least = np.minimum(np.minimum(coverage[0], coverage[-1]), coverage[len(coverage) // 2])
    some = every_nth(least) if (every_nth(least) > 0).any() else least
    usual = np.median(some[some > 0]) if (some > 0).any() else 0.0
    poor = (least <= 0) | (least < WELL_COVERED * usual)
    return ~(poor & ~enclosed(poor))


def _within(box, path, share):
    """The box without the borders at which a filter set has hardly any frames: few of them cannot outvote a particle hit."""
    try:
        coverage = stored_image(path, "COVERAGE")[:, ::LOOK_STEP, ::LOOK_STEP]
    except InputError:
        # It will have no panel either, which is said there.
        return box
    seen = _well_covered(coverage)
    if not seen.any():
        return box
    inner = tuple(
        slice(
            max(full.start, LOOK_STEP * own.start),
            full.stop if own.stop == size else min(full.stop, LOOK_STEP * (own.stop - 1) + 1),
        )
        for full, own, size in zip(box, covered_box(seen, share), seen.shape, strict=True)
    )
    area, left = (max(0, y.stop - y.start) * max(0, x.stop - x.start) for y, x in (box, inner))
    return inner if left >= LEAST_LEFT * area else box


def _complete(value, valid, gains):
    """White-balanced planes without holes, and where they show the sky.

    Clipped cores of stars have no value in some channels or all. There the colour is that of the hole's rim,
    and the brightness at least the rim's, more where a channel that is not clipped tells so.
    """
    everywhere = valid.all(axis=0)
    hole = enclosed(~everywhere)
    balanced, factors = np.empty_like(value), gains[:, None, None].astype(np.float32)

    def band(start, stop):
        rows = np.s_[:, start:stop]
        balanced[rows] = np.where(valid[rows], value[rows] * factors, np.float32(0.0))

    in_bands(band, value.shape[1], rows=BAND_ROWS)
    if not hole.any():
        return balanced, everywhere
    # All that follows is about the pixels of holes, a tiny part of the field.
    rim = np.stack([filled(plane, hole)[hole] for plane in balanced])
    told = valid[:, hole] & (rim > 0)
    factor = np.divide(balanced[:, hole], rim, out=np.ones_like(rim), where=told).max(axis=0)
    brighter, untold = np.ones(hole.shape, dtype=np.float32), hole.copy()
    brighter[hole], untold[hole] = np.maximum(factor, 1.0), ~told.any(axis=0)
    balanced[:, hole] = rim * filled(brighter, untold)[hole]
    return balanced, everywhere | hole


def _report(record, display, valid, stretch):
    # A sample knows these shares to 0.003 % of the pixels; all of them would take longer than the tone curve.
    shown, use = every_nth(np.moveaxis(display, -1, 0)), every_nth(valid)
    brightness = shown[:, use].mean(axis=0) if use.any() else shown.mean(axis=0)
    black, white = 0.5 / 255, 1 - 0.5 / 255
    record.metrics(
        {
            "width_px": display.shape[1],
            "height_px": display.shape[0],
            "picture_median_level": float(np.median(brightness)),
            "sky_display_level": stretch.sky_level,
            "black_fraction": float(np.mean(brightness <= black)),
            "white_fraction": float(np.mean(brightness >= white)),
            "sky_noise_e_s": stretch.sigma,
            "softening_e_s": stretch.soft,
            "white_level_e_s": stretch.white,
        }
    )
    for channel, level in zip("RGB", stretch.sky, strict=True):
        record.metric(f"sky_subtracted_e_s_{channel}", float(level))


def _recipe(header):
    gas = [f"{line} x {boost:.1f}" for line, boost in _boosts(header)]
    return f"{header['RECIPE']}: {header['BASE']} and {', '.join(gas) or 'no line'}"


def _description(target, header):
    gas = ", ".join(f"{line} x {boost:.1f}" for line, boost in _boosts(header))
    return f"{target}; stars and dust: {header['BASE']}; gas: {gas or 'none'}; recipe {header['RECIPE']}"


def _boosts(header):
    """[(line, boost)] as the stage fuse wrote them."""
    return [(header[f"LINE{i}"], float(header[f"BOOST{i}"])) for i in range(1, 10) if f"LINE{i}" in header]


def _write_pictures(layout, display, text, options):
    """The picture in 16 bits, and the preview."""
    _write_deep(layout.fused_tiff(), display, text, options["encoding"])
    write_png(layout.preview(), as_image(display), f"{text}; sRGB", longest=options["preview_pixels"])


def _write_deep(path, display, text, encoding):
    if encoding == "linear":
        linear = srgb_decode(display).astype(np.float32)
        write_tiff(path, linear, f"{text}; sRGB primaries, linear", profile=linear_profile())
    else:
        write_tiff(path, display, f"{text}; sRGB", profile=srgb_profile())


def _stretch(value, valid, options):
    return find_stretch(
        value,
        valid,
        sky_level=options["sky_level"],
        softening_sigma=options["softening_sigma"],
        white_quantile=options["white_quantile"],
    )


def _detail_shape(shape, options):
    """(rows, columns) of the detail: as many pixels as its panel has, but no more than a third of the field."""
    columns = max(1, min(options["comparison_pixels"], shape[1] // 3))
    return max(1, min(round(columns * shape[0] / shape[1]), shape[0])), columns


def _shares(window, shape):
    """(left, top, right, bottom) of a window as shares of the sides of the field."""
    rows, columns = window
    return columns.start / shape[1], rows.start / shape[0], columns.stop / shape[1], rows.stop / shape[0]


def _filter_set_panels(layout, settings, filter_sets, box, detail, record):
    """A :class:`Panel` for each filter set with data, in the order of the roles."""
    entries, panels = settings["filter_sets"], []
    for role, called in ROLES.items():
        for name in (name for name in filter_sets if entries[name]["role"] == role):
            record.input(layout.flat(name))
            try:
                value, coverage = read_image(layout.flat(name)), stored_image(layout.flat(name), "COVERAGE")
            except InputError as error:
                record.flag("no_panel", "warn", f"{name} is not on the comparison sheet: {error}")
                continue
            value, known = value[:, *box], coverage[:, *box] > 0
            value, valid = _complete(value, known, _own_white(value, known))
            if not valid.any():
                continue
            value = np.broadcast_to(value, (3, *valid.shape))
            panels.append(_panel(name, called, value, valid, detail, settings["render"]))
    return panels


def _own_white(value, known):
    """White gains of a filter set, from the stars in the middle of its field."""
    if len(value) == 1:
        return np.ones(1)
    ny, nx = known.shape[1:]
    middle = tuple(slice(max(0, (side - WHITE_PX) // 2), (side + WHITE_PX) // 2) for side in (ny, nx))
    part, use = value[:, *middle], known[:, *middle]
    # The brightest stars count whatever their errors.
    return white_reference(part, np.zeros_like(part), use).gains


def _panel(title, subtitle, value, valid, detail, options):
    """One column of the comparison sheet: each part stretched by the noise of its own pixels."""
    small = fit_blocks(value, options["comparison_pixels"])
    small_valid = fit_blocks(valid[None], options["comparison_pixels"])[0] > 0.99  # of a block
    overview = render_for_display(
        small, small_valid, _stretch(small, small_valid, options), saturation=options["saturation"]
    )
    part = render_for_display(
        value[:, *detail], valid[detail], _stretch(value, valid, options), saturation=options["saturation"]
    )
    return Panel(title, subtitle, overview, part)
