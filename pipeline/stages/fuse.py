"""Fuse: the stars and dust of the broadband with the gas of the narrow bands, in linear light.

    fused_c = broadband_c + sum_l (boost_l - 1) m_cl L_l

with L_l the line maps, denoised, and m_cl the colour of a line, whose luminance is that of the line's own share of the
broadband picture. A boost of 1 gives the broadband picture back, exactly.
"""

import re

import numpy as np

from pipeline import qa
from pipeline.bundles import LinearImage
from pipeline.errors import ConfigError, StageError
from pipeline.fitsio import read_image, read_keywords, read_linear, write_linear
from pipeline.numerics.colour import line_primaries, srgb_decode
from pipeline.numerics.combine_light import auto_boost, line_colour, put_together
from pipeline.numerics.starlet import denoise
from pipeline.numerics.white_reference import WhiteReference, white_reference
from pipeline.settings.filters import lines_of, passbands_of

__all__ = ["run"]

BASE_ROLES = ("broadband", "unfiltered")
"""Filter sets that can show stars and dust, the better first."""


def run(layout, unit, settings, *, filter_sets):
    """Fuse all ``filter_sets`` that have lights."""
    with qa.record(layout, "fuse", unit) as record:
        options, entries = settings["fuse"], settings["filter_sets"]
        base, how = _base(layout, entries, filter_sets, record)
        lines = _lines(layout, entries, filter_sets, record)
        if base is None and not lines:
            base, how = _anything(layout, filter_sets, record)
        if base is None:
            shape = next(iter(lines.values()))["flux"].shape
            base = _empty(shape)
            record.flag(
                "no_broadband",
                "warn",
                "No broadband or unfiltered set: the picture shows the light of the lines only, stars included.",
            )
        white = (
            white_reference(base.value, base.variance, base.valid)
            if how is not None
            else WhiteReference(np.ones(3), np.full(3, np.nan), 0)
        )
        if how is not None and white.n_stars == 0:
            record.flag(
                "no_white_reference",
                "warn",
                "Too few stars for a white reference: the channels are shown as they are.",
            )
        value, variance, used = _add_lines(base, lines, white, options, record)
        # Gas shows where both were observed; the picture is where the broadband is, or the lines if there is none.
        coverage = base.coverage if how is not None else _line_coverage(lines)
        fused = LinearImage(
            value.astype(np.float32), variance.astype(np.float32), coverage.astype(np.float32)
        )
        keywords = {
            "RECIPE": (options["recipe"], "recipe of the fusion"),
            "BASE": (how or "lines only", "what shows stars and dust"),
        }
        for index, channel in enumerate("RGB"):
            keywords[f"WHITE_{channel}"] = (float(white.gains[index]), "white balance gain")
        for name, boost in used.items():
            keywords[f"BOOST_{name}"[:8]] = (boost, f"boost of {name}")
        write_linear(
            layout.fused(),
            fused,
            keywords=keywords,
            history=[f"fuse: {options['recipe']} of {how} and {', '.join(used) or 'no line'}"],
        )
        record.metrics({f"boost_{name}": boost for name, boost in used.items()})
        record.metrics(
            {"base": how or "lines only", "recipe": options["recipe"], "white_stars": white.n_stars}
        )
        for index, channel in enumerate("RGB"):
            record.metrics(
                {
                    f"white_gain_{channel}": float(white.gains[index]),
                    f"white_gain_error_{channel}": float(white.error[index]),
                }
            )


def _base(layout, entries, filter_sets, record):
    """(LinearImage of 3 planes or None, its description): the picture of stars and dust."""
    for role in BASE_ROLES:
        named = [name for name in filter_sets if entries[name]["role"] == role]
        images = {}
        for name in named:
            image = read_linear(layout.flat(name))
            record.input(layout.flat(name))
            if image.valid.any():
                images[name] = image
            else:
                record.flag(
                    "set_without_data",
                    "warn",
                    f"Filter set {name} has no usable light and is left out of the picture.",
                )
        colour = [name for name in images if len(images[name].channels) == 3]
        if colour:
            return images[colour[0]], colour[0]
        if images:
            return _from_mono(images, entries, record)
    return None, None


def _from_mono(images, entries, record):
    """Mono sets as colours in the order of their passbands: longest red, shortest blue, green from between or both."""
    centres = {}
    for name in images:
        bands = passbands_of(entries[name])
        if bands:
            centres[name] = float(np.mean(bands))
    names = sorted(centres, key=centres.get, reverse=True)
    if len(names) < 2:
        name = next(iter(images))
        record.flag("grey_picture", "warn", f"{name} is the only mono set of its kind: the picture is grey.")
        return _stacked([images[name]] * 3), name
    red, blue = images[names[0]], images[names[-1]]
    if len(names) == 2:
        green = LinearImage(
            0.5 * (red.value + blue.value),
            0.25 * (red.variance + blue.variance),
            np.minimum(red.coverage, blue.coverage),
        )
        record.flag(
            "two_colours",
            "warn",
            f"Only two mono sets ({names[0]}, {names[1]}): green is their mean, so colours are not natural.",
        )
    else:
        green = images[names[len(names) // 2]]
    return _stacked([red, green, blue]), "+".join(names)


def _stacked(images):
    return LinearImage(
        *(
            np.concatenate([getattr(image, part) for image in images])
            for part in ("value", "variance", "coverage")
        )
    )


def _anything(layout, filter_sets, record):
    """Without base or lines: any set with light, as it is."""
    for name in filter_sets:
        image = read_linear(layout.flat(name))
        if image.valid.any():
            record.flag(
                "single_set",
                "warn",
                f"Neither a broadband nor a line map: the picture shows filter set {name} as it is.",
            )
            return (image if len(image.channels) == 3 else _stacked([image] * 3)), name
    raise StageError("no filter set has a usable light, so there is nothing to show")


def _empty(shape):
    nothing = np.zeros((3, *shape), dtype=np.float32)
    return LinearImage(nothing, nothing.copy(), nothing.copy())


def _lines(layout, entries, filter_sets, record):
    """Line name -> its map, variance, wavelength and broadband response, for lines that could be solved."""
    names = dict.fromkeys(line for name in filter_sets for line in lines_of(entries[name]))
    found = {}
    for name in names:
        path = layout.line(name)
        if not path.is_file():
            continue
        record.input(path)
        header = read_keywords(path)
        if not header.get("SOLVED", True):
            record.flag("line_missing", "warn", f"{name} could not be separated and is not in the picture.")
            continue
        response = [header.get(f"BRESP_{channel}", header.get("BRESP_L", 0.0)) for channel in "RGB"]
        found[name] = {
            "flux": read_image(path),
            "variance": read_image(path, "VARIANCE"),
            "wavelength_nm": float(header["LINEWAVE"]),
            "response": np.array(response, dtype=np.float64),
        }
    return found


def _add_lines(base, lines, white, options, record):
    """(value, variance, {line: boost})"""
    gas, variance, used = np.zeros_like(base.value), np.array(base.variance, dtype=np.float64), {}
    noise = _brightness_noise(base, white.gains)
    for name, line in lines.items():
        primaries = _primaries(name, line["wavelength_nm"], options)
        response = line["response"] if base.valid.any() else np.zeros(3)
        colour = line_colour(primaries, white.gains, response)
        known = np.isfinite(line["variance"])
        if not known.any():
            continue
        clean = denoise(line["flux"], line["variance"], sigma=options["denoise_sigma"])
        line_noise = float(np.sqrt(np.median(line["variance"][known])))
        boost = options["boost"].get(name)
        if boost is None:
            scale = noise if noise > 0 else line_noise * float(np.mean(colour * white.gains)) / 3
            boost = auto_boost(clean, line_noise, colour, white.gains, scale, options["gas_level"])
            record.flag(
                "boost_chosen",
                "info",
                f"{name} is boosted {boost:.1f} times, chosen from its strength and noise.",
                boost,
            )
        added = (boost - 1.0) if response.any() else boost
        gas += (added * colour)[:, None, None].astype(np.float32) * np.where(known, clean, 0.0)
        # The line was measured with help of the broadband, a correlation that is left out here: it is negative, so
        # this errs on the safe side.
        variance += (added * colour)[:, None, None] ** 2 * np.where(known, line["variance"], 0.0)
        used[name] = float(boost)
    if options["recipe"] == "sum":
        return base.value + gas, variance, used
    bright = float(np.quantile(base.value[base.valid], 0.9995)) if base.valid.any() else 1.0
    value = put_together(
        base.value, gas, recipe=options["recipe"], white=max(bright, 1e-12), share=options["mix_share"]
    )
    return value, variance, used


def _primaries(name, wavelength_nm, options):
    """Linear display colour of a line: the one of the config, or that of its wavelength."""
    given = options["line_colours"].get(name)
    if given is None:
        return line_primaries(wavelength_nm, purity=options["line_purity"])
    if not re.fullmatch(r"#[0-9a-fA-F]{6}", given):
        raise ConfigError(f'fuse.line_colours.{name}: expected a colour like "#00a8c8", found {given!r}')
    rgb = srgb_decode(np.array([int(given[i : i + 2], 16) for i in (1, 3, 5)]) / 255)
    rgb = rgb / max(rgb.max(), 1e-6)
    return options["line_purity"] * rgb + (1 - options["line_purity"])


def _brightness_noise(base, gains):
    """Noise per pixel of the mean of the white-balanced channels; 0 without a base."""
    if not base.valid.any():
        return 0.0
    usual = np.array(
        [np.median(v[good]) if good.any() else 0.0 for v, good in zip(base.variance, base.valid, strict=True)]
    )
    return float(np.sqrt(np.sum(gains**2 * usual)) / 3.0)


def _line_coverage(lines):
    known = np.all([np.isfinite(line["variance"]) for line in lines.values()], axis=0)
    return np.repeat(known[None].astype(np.float32), 3, axis=0)
