"""Small raw frames with known camera and light, written as capture programs write them."""

import numpy as np
from astropy.io import fits

from pipeline.numerics.cfa import Cfa

GAIN_E = 0.8
"""Electrons per ADU."""

READ_NOISE_E = 3.2
OFFSET_ADU = 500
SHAPE = (96, 128)

COLOURS = {"R": 0.5, "G": 1.0, "B": 0.7, "L": 1.0}
"""Relative strength of the light in each colour."""

SETTINGS = {
    "input": {"folders": [], "masters": [], "ignore": [], "overrides": []},
    "site": {"longitude_deg": None, "utc_offset_h": None},
    "camera": {
        "electrons_per_adu": None,
        "read_noise_e": None,
        "saturation_adu": None,
        "cfa_pattern": None,
        "pedestal_adu": None,
        "response": None,
    },
    "filter_sets": {"wide": {"filter_names": ["Wide", "Town Cut"]}, "duo": {"filter_names": ["Duo-10"]}},
    "calibration": {
        "temperature_tolerance_c": 2.0,
        "exposure_tolerance": 0.02,
        "largest_dark_scaling": 5.0,
        "rotation_tolerance_deg": 3.0,
        "clip_sigma": 4.0,
        "hot_sigma": 12.0,
        "flat_deviation": 0.25,
        "gain_disagreement": 0.15,
    },
    "run": {"seed": 1, "memory_gb": 1.0},
}


def settings(folder, **sections):
    """Complete settings for frames in ``folder``; whole sections may be given updates."""
    made = {name: dict(section) for name, section in SETTINGS.items()}
    made["input"]["folders"] = [str(folder)]
    for name, changes in sections.items():
        made[name].update(changes)
    return made


def light_map(pattern, shape=SHAPE):
    """(ny, nx) relative light of each pixel by its colour."""
    cfa = Cfa(pattern)
    return np.array([COLOURS[channel] for channel in cfa.channels])[cfa.index_map(*shape)]


def exposure(rng, electrons=0.0, *, pattern="RGGB", shape=SHAPE, thermal=0.0, bad=None):
    """(ny, nx) uint16: light of ``electrons`` (number or map) on the brightest colour, noise, offset, rounding."""
    mean = electrons * light_map(pattern, shape) + thermal
    collected = rng.poisson(mean) + rng.normal(0, READ_NOISE_E, shape)
    adu = np.rint(collected / GAIN_E + OFFSET_ADU)
    if bad is not None:
        adu = np.where(bad, adu + 8000, adu)
    return np.clip(adu, 0, 65535).astype(np.uint16)


def write(path, frame, **keywords):
    """Write a frame; keywords replace the usual ones, None takes one out; "_" stands for "-" in their names."""
    header = {
        "IMAGETYP": "Light Frame",
        "FILTER": "Wide",
        "EXPTIME": 60.0,
        "DATE-OBS": "2031-05-02T21:00:00.000",
        "CCD-TEMP": -10.0,
        "GAIN": 100,
        "OFFSET": 30,
        "XBINNING": 1,
        "YBINNING": 1,
        "BAYERPAT": "RGGB",
        "EGAIN": GAIN_E,
    }
    header.update({key.replace("_", "-"): value for key, value in keywords.items()})
    path.parent.mkdir(parents=True, exist_ok=True)
    hdu = fits.PrimaryHDU(frame)
    for key, value in header.items():
        if value is not None:
            hdu.header[key] = value
    hdu.writeto(path)
    return path
