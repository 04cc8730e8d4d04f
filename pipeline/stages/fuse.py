"""Fuse: the stars and dust of the broadband with the gas of the narrow bands, in linear light.

    fused_c = broadband_c + sum_l (boost_l - 1) m_cl L_l

with L_l the line maps, denoised, and m_cl the colour of a line, whose luminance is that of the line's own share of
the broadband picture. A boost of 1 gives the broadband picture back, exactly. Other recipes use the same layers;
natural takes the line's share in the camera's own colours away, so that gas has the colours of its lines only.
"""

import re

import numpy as np

from pipeline import qa
from pipeline.bundles import LinearImage
from pipeline.errors import ConfigError
from pipeline.filter_curves import channel_responses, transmission_of
from pipeline.fitsio import write_linear
from pipeline.layers import read_anything, read_base, read_lines
from pipeline.numerics.bands import in_bands
from pipeline.numerics.colour import line_primaries, srgb_decode
from pipeline.numerics.combine_light import (
    auto_boosts,
    light_balance,
    line_colour,
    line_strength,
    put_together,
    trusted,
)
from pipeline.numerics.fill import enclosed, filled
from pipeline.numerics.levelled_stars import stars_of
from pipeline.numerics.spectrum import LINES
from pipeline.numerics.spread_sample import every_nth, usual
from pipeline.numerics.stack_stars import DETECTION_SIGMA, star_mask
from pipeline.numerics.star_size import measure_profile, reduced, reduction_factor
from pipeline.numerics.star_temperature import b_v_of, class_temperature, locus
from pipeline.numerics.starlet import denoise, smoothed
from pipeline.numerics.white_reference import (
    star_colours,
    white_of_class,
    white_of_ensemble,
    white_of_star,
    white_reference,
)
from pipeline.star_tables import stars_of_set

__all__ = ["run"]

LINES_ONLY = "lines only"
"""What the records call the base where no set shows stars and dust; no name of a filter set has a space."""

SCREEN_QUANTILE = 0.9995
"""Share of the broadband's pixels below the level at which recipe screen is saturated: the cores of stars."""

WHITE_STAR_FWHM = 2.0
"""Distance, in FWHM, within which a star is the one that the config names."""

STAR_SIGMA = 20.0
"""Starlight below this much of the noise leaves nothing in a line map that a boost could bring up."""

STAR_GROWTH = 1.5
"""Factor on the radius of the disc behind which gas is continued: remnants have rings, and the disc is filled from
its rim, which should be free of them."""

BAND_ROWS = 64
"""Rows of the picture that are put together at a time: they stay in the cache through all steps."""


def run(layout, unit, settings, *, filter_sets):
    """Fuse all ``filter_sets`` that have lights."""
    with qa.record(layout, "fuse", unit) as record:
        options, entries = settings["fuse"], settings["filter_sets"]
        _check(options)
        base = read_base(layout, entries, filter_sets, record)
        lines = read_lines(layout, entries, filter_sets, base, record)
        if base is None and not lines:
            base = read_anything(layout, filter_sets, record)
        if base is None:
            record.flag(
                "no_broadband",
                "warn",
                "there is no broadband or unfiltered set: the picture shows the light of the lines only, with stars "
                "in the colours of the lines",
            )
            scene, name = _nothing(lines), LINES_ONLY
            gains, stars = np.ones(3), None
        else:
            scene, name = base.image, base.name
            valid = scene.valid
            stars = _stars(layout, base, record)
            colours = star_colours(scene.value, scene.variance, valid, stars)
            white = _white(colours, _locus(base, settings), stars, options, record)
            gains = white.gains
            if options["star_reduction"] > 0:
                scene = _with_smaller_stars(scene, stars, options["star_reduction"], record)
        shown = {line.name: line_colour(_primaries(line, options), gains, line.response) for line in lines}
        strengths = {line.name: line_strength(line.flux, line.variance) for line in lines}
        boosts = _boosts(strengths, shown, scene, gains, options, record)
        fused = _fuse(scene, stars, lines, strengths, shown, boosts, gains, options)
        if base is None:
            # Stars shine in all lines at once: what makes the usual one white is known only now.
            white = white_reference(fused.value, fused.variance, fused.valid)
        if white.n_stars == 0:
            record.flag(
                "no_white_reference",
                "warn",
                "there are too few stars for a white reference: the channels are shown as they are",
            )
        _report(record, name, options, boosts, white)
        write_linear(
            layout.fused(),
            fused,
            keywords=_keywords(name, options, boosts, white),
            history=[f"fuse: {options['recipe']} of {name} and {', '.join(boosts) or 'no line'}"],
        )


def _check(options):
    """What the tables of keys cannot say about the options."""
    if options["white_class"] is not None and options["white_star_px"] is not None:
        raise ConfigError(
            "fuse.white_class, fuse.white_star_px: expected one of them at most, found both; what is white is either "
            "a class of stars or one star"
        )
    if options["white_class"] is not None:
        try:
            class_temperature(options["white_class"])
        except ValueError as error:
            raise ConfigError(f"fuse.white_class: {error}") from error
    if options["line_contrast"] > 0 and options["denoise_sigma"] == 0:
        raise ConfigError(
            "fuse.line_contrast: expected fuse.denoise_sigma above 0 with it, found 0; without a floor, contrast "
            "would raise noise"
        )


def _stars(layout, base, record):
    """Stars of the base: those that were found on its stack, where it is one filter set."""
    if base.one_camera:
        stars = stars_of_set(layout, base.name, DETECTION_SIGMA, record)
        if stars is not None:
            return stars
    return stars_of(base.image.value, base.image.valid)


def _locus(base, settings):
    """Colours of black bodies in the base; None where its channels are not those of one colour camera."""
    if not base.one_camera:
        return None
    transmission = transmission_of(settings["filter_sets"][base.name])
    responses = channel_responses(base.image.channels, settings["camera"]["response"])
    return locus([(transmission, response) for response in responses])


def _white(colours, camera, stars, options, record):
    """The :class:`WhiteReference` that the config asks for; that of the ensemble where it cannot be had."""
    wanted, place = options["white_class"], options["white_star_px"]
    ensemble = white_of_ensemble(colours, camera)
    if wanted is not None:
        white = white_of_class(colours, class_temperature(wanted), camera)
        if white is not None:
            return white
        record.flag(
            "no_white_class",
            "warn",
            f"the colours of the stars do not tell what {wanted} looks like (too few stars, or curves of camera and "
            "filter that do not fit them): the usual star is white instead",
        )
    if place is not None:
        white = white_of_star(colours, *place, reach_px=WHITE_STAR_FWHM * stars.typical_fwhm, locus=camera)
        if white is not None:
            return white
        record.flag(
            "no_white_star",
            "warn",
            f"there is no isolated, unclipped star at ({place[0]:g}, {place[1]:g}): the usual star is white instead",
        )
    return ensemble


def _with_smaller_stars(scene, stars, amount, record):
    """The scene with its stars reduced; as it is where their profile is not known."""
    valid = scene.valid
    profile = measure_profile(scene.value.mean(axis=0), valid.all(axis=0), stars)
    if profile is None:
        record.flag(
            "stars_not_reduced",
            "warn",
            "there are too few isolated stars to tell their profile, so none is reduced",
        )
        return scene
    record.metrics({"star_fwhm_px": profile.fwhm_px, "star_beta": profile.beta})
    value = np.where(valid, scene.value, np.float32(0.0))
    factor = reduction_factor(value.mean(axis=0), stars, profile, amount=amount, noise=stars.noise)
    value = reduced(value, stars, factor, noise=stars.noise)
    return LinearImage(value, scene.variance * factor**2, scene.coverage)


def _nothing(lines):
    """A dark scene, covered where any line is known."""
    known = np.any([np.isfinite(line.variance) for line in lines], axis=0)
    dark = np.zeros((3, *known.shape), dtype=np.float32)
    return LinearImage(dark, dark.copy(), np.repeat(known[None].astype(np.float32), 3, axis=0))


def _primaries(line, options):
    """(3,) linear display colour of a line: the one of the config, or that of its wavelength."""
    purity, given = options["line_purity"], options["line_colours"].get(line.name)
    if given is None:
        return line_primaries(LINES[line.name].components, purity=purity)
    if not re.fullmatch(r"#[0-9a-fA-F]{6}", given) or given == "#000000":
        raise ConfigError(
            f'fuse.line_colours.{line.name}: expected a colour like "#00a8c8", not black, found {given!r}'
        )
    rgb = srgb_decode(np.array([int(given[i : i + 2], 16) for i in (1, 3, 5)]) / 255)
    return purity * rgb / rgb.max() + (1.0 - purity)


def _boosts(strengths, colours, scene, gains, options, record):
    """Dict line -> boost, in the order of ``strengths``: of the config, or chosen."""
    given = options["boost"]
    for name in sorted(set(given) - set(colours)):
        record.flag("boost_unused", "warn", f"fuse.boost names {name}, of which there is no map")
    balance = light_balance(gains)
    brightness = {name: float(balance @ colour) for name, colour in colours.items()}
    noise = _brightness_noise(scene, balance)
    if noise == 0.0 and strengths:
        # Without a broadband the noise of the picture is that of the lines.
        noise = min(strengths[name].noise * brightness[name] for name in strengths)
    chosen = auto_boosts(strengths, brightness, noise=noise, gas_level=options["gas_level"])
    boosts = {name: float(given.get(name, chosen[name])) for name in strengths}
    for name, boost in boosts.items():
        record.metric(f"line_s_n_{name}", strengths[name].bright / strengths[name].noise)
        if name in given:
            continue
        if strengths[name].detected:
            message = f"{name} is boosted {boost:.1f} times, chosen from its strength and noise"
        else:
            message = f"no {name} stands out of the noise, so it is not boosted"
        record.flag("boost_chosen", "info", message, boost)
    return boosts


def _brightness_noise(scene, balance):
    """Noise per pixel of the brightness of the scene; 0 without a scene."""
    usual = [
        np.median(plane[good]) if good.any() else 0.0
        for plane, good in zip(every_nth(scene.variance), every_nth(scene.coverage) > 0, strict=True)
    ]
    return float(np.sqrt(np.sum(balance**2 * np.array(usual))))


def _fuse(scene, stars, lines, strengths, colours, boosts, gains, options):
    """The fused LinearImage."""
    recipe, maps = options["recipe"], []
    own_share = 0.0 if recipe == "mix" or stars is None else 1.0
    cores = _star_cores(scene, stars, strengths, colours, boosts)
    contrast = _contrast(scene, stars, options["line_contrast"])
    for line in lines:
        if recipe == "natural":
            added = boosts[line.name] * colours[line.name] - line.response
        else:
            added = (boosts[line.name] - own_share) * colours[line.name]
        if not added.any():
            continue
        known = np.isfinite(line.variance)
        # Gas goes on behind stars, and behind clipped cores, where a line map has no value. What the separation
        # filled is as good as its rim: by its large variance it would fade, and the star stand in a hole of gas.
        hidden = cores | line.filled | enclosed(~known)
        flux = filled(line.flux, hidden)
        noise = np.where(hidden, np.float32(usual(line.variance)), line.variance)
        clean = denoise(flux, noise, sigma=options["denoise_sigma"], contrast=contrast)
        maps.append((trusted(clean, noise), line.variance, added))
    white = np.inf
    if recipe == "screen" and stars is not None:
        seen = every_nth(scene.coverage) > 0
        white = float(np.quantile(every_nth(scene.value)[seen], SCREEN_QUANTILE))
    value, variance = np.empty(scene.shape, np.float32), np.empty(scene.shape, np.float32)

    def band(start, stop):
        value[:, start:stop], variance[:, start:stop] = put_together(
            *_layers(scene, maps, (start, stop)),
            recipe=recipe, gains=gains, white=white, share=options["mix_share"],
        )  # fmt: skip

    # The colour of the picture about a place, which this recipe asks for, goes beyond a band.
    in_bands(band, scene.shape[1], rows=scene.shape[1] if recipe == "luminance" else BAND_ROWS)
    return LinearImage(value, variance, scene.coverage)


def _layers(scene, maps, rows):
    """Base and gas of some rows with their variances, (3, rows, nx) float32 each; 0 where nothing is known.

    ``maps`` has, for each line, its flux and variance and what is added of it to each channel.
    """
    rows = np.s_[:, slice(*rows)]
    seen = scene.coverage[rows] > 0
    base, spread = (np.where(seen, plane[rows], np.float32(0.0)) for plane in (scene.value, scene.variance))
    gas, gas_spread = np.zeros_like(base), np.zeros_like(base)
    for flux, variance, shares in maps:
        known = np.where(np.isfinite(variance[rows[1]]), variance[rows[1]], np.float32(0.0))
        for c, share in enumerate(shares):
            gas[c] += np.float32(share) * flux[rows[1]]
            # The line was measured with help of the broadband, a correlation that is left out here: it is negative, so
            # this errs on the safe side.
            gas_spread[c] += np.float32(share**2) * known
    return base, spread, gas, gas_spread


def _contrast(scene, stars, amount):
    """Contrast to add to the gas, a number or (ny, nx): none at stars, whose remnants in a line map are no gas."""
    if amount == 0 or stars is None or not len(stars):
        return amount
    mask = star_mask(
        stars, scene.shape[1:], surface_brightness=STAR_SIGMA / 4 * stars.noise, growth=STAR_GROWTH
    )
    return np.float32(amount) * (np.float32(1.0) - smoothed(mask, 2))


def _star_cores(scene, stars, strengths, colours, boosts):
    """(ny, nx) bool: where the light of a star outshines the brightest gas.

    What a star leaves in a line map would be boosted into a coloured core; gas would not be seen there.
    """
    shape = scene.shape[1:]
    gas = [
        boosts[name] * float(np.mean(colours[name])) * strength.bright for name, strength in strengths.items()
    ]
    if stars is None or not len(stars) or not gas:
        return np.zeros(shape, dtype=bool)
    limit = max([*gas, STAR_SIGMA * stars.noise])
    return star_mask(stars, shape, surface_brightness=limit, growth=STAR_GROWTH)


def _report(record, name, options, boosts, white):
    record.metrics({"base": name, "recipe": options["recipe"], "white_stars": white.n_stars})
    if np.isfinite(white.temperature_k):
        record.metric("white_temperature_K", white.temperature_k)
        record.metric("white_b_v", float(b_v_of(white.temperature_k)))
        if np.isfinite(white.temperature_error_k):
            record.metric("white_temperature_error_K", white.temperature_error_k)
    record.metrics({f"boost_{line}": boost for line, boost in boosts.items()})
    for index, channel in enumerate("RGB"):
        record.metric(f"white_gain_{channel}", float(white.gains[index]))
        record.metric(f"white_gain_error_{channel}", float(white.error[index]))


def _keywords(name, options, boosts, white):
    keywords = {"RECIPE": (options["recipe"], "how the layers were put together")}
    keywords["BASE"] = (name, "filter set that shows stars and dust")
    for index, channel in enumerate("RGB"):
        keywords[f"WHITE_{channel}"] = (float(white.gains[index]), "factor that makes the usual star white")
    for index, (line, boost) in enumerate(boosts.items(), start=1):
        keywords[f"LINE{index}"] = (line, "line added")
        keywords[f"BOOST{index}"] = (boost, f"boost of {line}")
    return keywords
