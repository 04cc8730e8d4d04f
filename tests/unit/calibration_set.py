"""Folders of small frames with their calibration, taken through inventory and masters."""

import json

import numpy as np

from pipeline.layout import Layout
from pipeline.plan import load_session
from pipeline.stages import inventory, masters
from tests.unit.raw_frames import SHAPE, exposure, settings, write

THERMAL_E_S = 0.5
"""Electrons per second and pixel; strong, so that what is done with it shows."""

GLOW_E_S = 2.0
"""Of the amplifier in the corner of the first pixel, which no constant could stand for."""


def thermal_map(shape=SHAPE):
    """(ny, nx) electrons per second."""
    y, x = np.indices(shape)
    return THERMAL_E_S + GLOW_E_S * np.exp(-np.hypot(x, y) / 30)


def vignetting(shape=SHAPE):
    """(ny, nx) relative illumination, 1 in the middle and 0.6 in the corners, with a dust shadow."""
    y, x = np.indices(shape)
    ny, nx = shape
    light = 1 - 0.4 * ((x - nx / 2) ** 2 + (y - ny / 2) ** 2) / ((nx / 2) ** 2 + (ny / 2) ** 2)
    return light * (1 - 0.15 * (np.hypot(x - 90, y - 30) < 6))


def write_bias(folder, rng, n, *, pattern="RGGB"):
    keywords = {"IMAGETYP": "Bias", "EXPTIME": 0.0, "FILTER": None, "BAYERPAT": _card(pattern)}
    for k in range(n):
        write(folder / f"bias_{k}.fits", exposure(rng, pattern=pattern), **keywords)


def write_darks(folder, rng, n, exposure_s, *, kind="Dark Frame", pattern="RGGB"):
    keywords = {"IMAGETYP": kind, "EXPTIME": exposure_s, "FILTER": None, "BAYERPAT": _card(pattern)}
    for k in range(n):
        frame = exposure(rng, thermal=exposure_s * thermal_map(), pattern=pattern)
        write(folder / f"{kind.replace(' ', '')}_{exposure_s:g}_{k}.fits", frame, **keywords)


def write_flats(folder, rng, levels, *, pattern="RGGB", response=1.0, **keywords):
    for k, level in enumerate(levels):
        frame = exposure(rng, level * vignetting() * response, pattern=pattern)
        write(
            folder / f"flat_{k}.fits",
            frame,
            IMAGETYP="Flat",
            EXPTIME=1.0,
            BAYERPAT=_card(pattern),
            **keywords,
        )


def write_lights(folder, rng, n, rate_e_s, *, exposure_s=60.0, pattern="RGGB", **keywords):
    """Lights of a sky of ``rate_e_s`` on the brightest colour."""
    for k in range(n):
        light = rate_e_s * exposure_s * vignetting()
        frame = exposure(rng, light, pattern=pattern, thermal=exposure_s * thermal_map())
        write(folder / f"light_{k}.fits", frame, EXPTIME=exposure_s, BAYERPAT=_card(pattern), **keywords)


def prepared(tmp_path, **sections):
    """Run inventory and masters; return layout, the only session, and the settings."""
    options = settings(tmp_path / "frames", **sections)
    layout = Layout(tmp_path / "out")
    inventory.run(layout, "frames", options)
    names = [entry["name"] for entry in json.loads(layout.inventory().read_text())["masters"]]
    for name in sorted(names, key=lambda name: name.startswith("flat")):
        masters.run(layout, name, options)
    (path,) = layout.root.glob("sessions/*/session.json")
    return layout, load_session(path), options


def _card(pattern):
    """Mono cameras write no colour pattern."""
    return None if pattern == "mono" else pattern
