"""Layers on disc for the tests of fuse and render: stars, two lines and dust on a small field, with known truth."""

from dataclasses import dataclass

import numpy as np
from scipy import ndimage

from pipeline.bundles import LinearImage
from pipeline.fitsio import write_fits, write_linear
from pipeline.settings.tables import all_keys

SHAPE = (192, 256)
SIGMA = np.array([0.02, 0.015, 0.02])[:, None, None]  # noise of the broadband per channel, e-/s
LINE_SIGMA = 0.02
RESPONSES = {"Ha": np.array([1.0, 0.13, 0.04]), "OIII": np.array([0.06, 1.0, 0.59])}
WAVELENGTHS = {"Ha": 656.279, "OIII": 500.684}
STAR_RATIO = np.array([0.8, 1.0, 0.6])  # of the usual star
ENTRY = {"filter_names": [], "lines": [], "transmission": None, "line_throughput": {}, "passbands_nm": []}
SETS = {
    "wide": {**ENTRY, "role": "broadband", "passbands_nm": [[400, 540], [600, 690]]},
    "duo": {**ENTRY, "role": "dualband", "passbands_nm": [[495.7, 505.7], [651.3, 661.3]]},
}


@dataclass
class Layers:
    """What was written.

    Attributes
    ----------
    broadband : LinearImage
    lines : dict line -> (ny, nx) flux with noise and, at stars, remnants
    truth : dict line -> (ny, nx) flux
    x, y : positions of the stars
    bright : (n,) bool, stars that stand out by far
    """

    broadband: LinearImage
    lines: dict
    truth: dict
    x: np.ndarray
    y: np.ndarray
    bright: np.ndarray


def make_layers(*, seed=1, n_stars=60, remnant=0.05):
    """Stars of scattered colour; H-alpha on the left, [O III] in the middle, faint dust on the right.

    ``remnant`` is the share of a star's green light that is left in the line maps, of either sign.
    """
    rng = np.random.default_rng(seed)
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]]
    truth = {
        "Ha": 0.30 * np.exp(-0.5 * (((x - 70) / 28) ** 2 + ((y - 90) / 35) ** 2)),
        "OIII": 0.20 * np.exp(-0.5 * (((x - 120) / 25) ** 2 + ((y - 110) / 25) ** 2)),
    }
    dust = 0.04 * np.exp(-0.5 * (((x - 200) / 25) ** 2 + ((y - 60) / 30) ** 2))
    value = np.array([0.6, 1.0, 1.5])[:, None, None] * dust
    for line, flux in truth.items():
        value += RESPONSES[line][:, None, None] * flux
    lines = {name: flux.copy() for name, flux in truth.items()}
    star_x, star_y = rng.uniform(8, SHAPE[1] - 8, n_stars), rng.uniform(8, SHAPE[0] - 8, n_stars)
    peaks = 10 ** rng.uniform(-0.5, 1.5, n_stars)
    for sx, sy, peak in zip(star_x, star_y, peaks, strict=True):
        profile = peak * (1 + ((x - sx) ** 2 + (y - sy) ** 2) / 2.6**2) ** -3.0
        warmth = rng.normal(0, 0.12)
        value += (STAR_RATIO * np.exp(warmth * np.array([1, 0, -1])))[:, None, None] * profile
        for line in lines.values():
            line += remnant * rng.normal() * profile
    value = value + SIGMA * rng.normal(size=value.shape)
    for line in lines.values():
        line += LINE_SIGMA * rng.normal(size=SHAPE)
    broadband = LinearImage(
        value.astype(np.float32), np.broadcast_to(SIGMA**2, value.shape).astype(np.float32),
        np.full(value.shape, 12.0, np.float32),
    )  # fmt: skip
    return Layers(broadband, lines, truth, star_x, star_y, peaks > 3.0)


def write_broadband(layout, layers, name="wide"):
    """The flattened broadband set and the continuum that came of it."""
    write_linear(layout.flat(name), layers.broadband)
    write_linear(layout.continuum(), layers.broadband, keywords={"CONTSET": (name, "continuum set")})


def write_lines(layout, layers, *, channels="RGB", responses=RESPONSES, variance=LINE_SIGMA**2, filled=False):
    """The line maps, as the stage lines leaves them."""
    for name, flux in layers.lines.items():
        keywords = {"LINE": (name, ""), "LINEWAVE": (WAVELENGTHS[name], ""), "SOLVED": (True, "")}
        for channel, response in zip(channels, responses[name], strict=False):
            keywords[f"BRESP_{channel}"] = (float(response), "")
        write_fits(
            layout.line(name), flux.astype(np.float32), keywords=keywords,
            extensions={
                "VARIANCE": np.broadcast_to(np.float32(variance), SHAPE),
                "FILLED": np.broadcast_to(np.uint8(filled), SHAPE),
            },
        )  # fmt: skip


def write_dual_band(layout, layers, name="duo"):
    """A flattened dual-band set, of which only that it exists counts here."""
    planes = np.stack([layers.lines["Ha"], layers.lines["OIII"], layers.lines["OIII"]]).astype(np.float32)
    write_linear(
        layout.flat(name), LinearImage(planes, np.full_like(planes, LINE_SIGMA**2), np.ones_like(planes))
    )


def picture_settings(filter_sets=None, **changes):
    """Complete settings of fuse and render; ``fuse__boost={...}`` changes a key."""
    settings = {"fuse": {}, "render": {}, "target": {"name": "Test field"}, "camera": {"response": None}}
    for key in all_keys():
        if key.section in ("fuse", "render"):
            settings[key.section][key.name] = key.default
    for path, value in changes.items():
        section, name = path.split("__")
        settings[section][name] = value
    settings["filter_sets"] = SETS if filter_sets is None else filter_sets
    return settings


def smooth(plane):
    """Mean over some 50 pixels, to compare gas below the noise of single ones."""
    return ndimage.gaussian_filter(plane.astype(np.float64), 2.0)
