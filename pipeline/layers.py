"""The layers of the picture, as they lie in the files: what shows stars and dust, and the maps of the lines."""

from dataclasses import dataclass, replace

import numpy as np

from pipeline.bundles import LinearImage
from pipeline.errors import StageError
from pipeline.fitsio import read_image, read_keywords, stored_image
from pipeline.line_files import HALOES
from pipeline.settings.filters import CONTINUUM_ROLES, lines_of, passbands_of

__all__ = ["Base", "LineLayer", "read_anything", "read_base", "read_lines"]


@dataclass(frozen=True)
class Base:
    """What shows stars and dust.

    Attributes
    ----------
    image : LinearImage with channels R, G, B
    name : filter set, or several joined by "+"
    channel_sets : filter set that each channel comes from
    one_camera : True if the channels are those of one colour camera behind one filter
    """

    image: LinearImage
    name: str
    channel_sets: tuple
    one_camera: bool = False


@dataclass(frozen=True)
class LineLayer:
    """Map of a line.

    Attributes
    ----------
    name : of the line
    flux, variance : (ny, nx); variance NaN where unknown
    filled : (ny, nx) bool, flux interpolated behind what a star left
    wavelength_nm : of the line
    response : (3,) what the base's channels see of it, per unit of flux
    """

    name: str
    flux: np.ndarray
    variance: np.ndarray
    filled: np.ndarray
    wavelength_nm: float
    response: np.ndarray


def read_base(layout, entries, filter_sets, record):
    """The :class:`Base`, or None where there is no broadband or unfiltered set with data.

    The set that the line separation took for the continuum comes first, for the responses of the line maps are
    its. Mono sets become colours in the order of their passbands.
    """
    channels = {}
    for role in CONTINUUM_ROLES:
        for name in (name for name in filter_sets if entries[name]["role"] == role):
            record.input(layout.flat(name))
            coverage = stored_image(layout.flat(name), "COVERAGE")
            if (coverage > 0).any():
                channels[name] = len(coverage)
            else:
                record.flag(
                    "set_without_data", "warn", f"filter set {name} has no usable light and is left out"
                )
    if not channels:
        return None
    first = _continuum_set(layout)
    names = sorted(channels, key=lambda name: (channels[name] != 3, name != first))
    if channels[names[0]] == 3:
        image = _read(layout.flat(names[0]))
        if names[0] == first:
            image = _without_haloes(image, layout)
        return Base(image, names[0], (names[0],) * 3, one_camera=True)
    role = entries[names[0]]["role"]
    images = {name: _read(layout.flat(name)) for name in names if entries[name]["role"] == role}
    return _from_mono(images, entries, record)


def read_anything(layout, filter_sets, record):
    """For want of a base and of lines: any set with light, as it is."""
    for name in filter_sets:
        image = _read(layout.flat(name))
        if image.has_data:
            record.flag(
                "single_set",
                "warn",
                f"there is neither a broadband nor a line map: the picture shows filter set {name} as it is",
            )
            return Base(image if len(image.channels) == 3 else _planes([image] * 3), name, (name,) * 3)
    raise StageError("no filter set has a usable light, so there is nothing to show")


def read_lines(layout, entries, filter_sets, base, record):
    """List of :class:`LineLayer`, of the lines that could be solved."""
    layers = []
    for name in dict.fromkeys(line for known in filter_sets for line in lines_of(entries[known])):
        path = layout.line(name)
        if not path.is_file():
            continue
        record.input(path)
        header = read_keywords(path)
        variance = read_image(path, "VARIANCE")
        if not header["SOLVED"] or not np.isfinite(variance).any():
            record.flag("line_missing", "warn", f"{name} could not be separated and is not in the picture")
            continue
        wavelength = float(header["LINEWAVE"])
        response = np.zeros(3) if base is None else _response(header, wavelength, base, entries, layout)
        filled = read_image(path, "FILLED") > 0
        layers.append(LineLayer(name, read_image(path), variance, filled, wavelength, response))
    return layers


def _read(path):
    """The images of a file that the picture needs; those of what was rejected and subtracted stay there."""
    return LinearImage(read_image(path), read_image(path, "VARIANCE"), stored_image(path, "COVERAGE"))


def _without_haloes(image, layout):
    """The image without the discs round bright stars that were found when the continuum was measured."""
    if not read_keywords(layout.continuum()).get("HALODISC", False):
        return image
    return replace(image, value=image.value - read_image(layout.continuum(), HALOES))


def _continuum_set(layout):
    path = layout.continuum()
    return str(read_keywords(path).get("CONTSET", "")) if path.is_file() else ""


def _response(header, wavelength, base, entries, layout):
    """What each channel of the base sees of a line; the header gives it for the set that measured the continuum."""
    if "BRESP_R" in header:
        return np.array([float(header[f"BRESP_{channel}"]) for channel in "RGB"])
    seen, measured = float(header.get("BRESP_L", 0.0)), _continuum_set(layout)
    response = []
    for name in base.channel_sets:
        bands = passbands_of(entries[name])
        passes = bands is None or any(low <= wavelength <= high for low, high in bands)
        # The same sensor behind another filter: what it sees of the line if the filter passes it, nothing if not.
        response.append(seen if name == measured or passes else 0.0)
    return np.array(response)


def _from_mono(images, entries, record):
    """Mono sets as colours in the order of their passbands: longest red, shortest blue, green from between or both."""
    centres = {}
    for name in images:
        bands = passbands_of(entries[name])
        if bands:
            centres[name] = float(np.mean(bands))
    names = sorted(centres, key=lambda name: (-centres[name], name))
    if len(names) < 2:
        name = next(iter(images))
        record.flag(
            "grey_picture", "warn", f"{name} is the only mono set of its kind: stars and dust are grey"
        )
        return Base(_planes([images[name]] * 3), name, (name,) * 3)
    red, blue = images[names[0]], images[names[-1]]
    middle = names[len(names) // 2] if len(names) > 2 else names[0]
    green = images[middle]
    if len(names) == 2:
        green = LinearImage(
            0.5 * (red.value + blue.value),
            0.25 * (red.variance + blue.variance),
            np.minimum(red.coverage, blue.coverage),
        )
        record.flag(
            "two_colours",
            "warn",
            f"there are only two mono sets, {names[0]} for red and {names[1]} for blue: green is their mean, so "
            "colours are not natural",
        )
    else:
        record.flag(
            "colours_by_passband",
            "info",
            f"mono sets are shown by their passbands: {names[0]} red, {middle} green, {names[-1]} blue",
        )
    return Base(_planes([red, green, blue]), "+".join(names), (names[0], middle, names[-1]))


def _planes(images):
    """Mono images as the channels of one."""
    return LinearImage(
        *(
            np.concatenate([getattr(image, part) for image in images])
            for part in ("value", "variance", "coverage")
        )
    )
