"""Frames on disk: ordinary FITS files of unsigned 16-bit numbers, and the files that nobody can use."""

from datetime import timedelta
from pathlib import Path

import numpy as np
from astropy.io import fits

__all__ = ["calibration_path", "light_path", "write_bad_files", "write_frame"]

IMAGE_TYPES = {"light": "LIGHT", "bias": "BIAS", "dark": "DARK", "flat": "FLAT", "darkflat": "DARKFLAT"}
"""IMAGETYP by kind of frame, as commonly spelt."""


def light_path(scene, light):
    """Path of a light below the output folder."""
    folder = scene.folders.light.format(night=light.night, filter=light.filter_name)
    return Path(folder) / f"light_{light.filter_name}_{light.number:03d}.fits"


def calibration_path(scene, kind, night, filter_name, number):
    """Path of a calibration frame below the output folder."""
    folder = getattr(scene.folders, kind).format(night=night, filter=filter_name)
    return Path(folder) / f"{kind}_{number:03d}.fits"


def write_frame(path, frame, scene, *, kind, exposure_s, start_utc, filter_name=None, without=()):
    """Write one frame with the usual keywords; ``without`` names keywords to leave out."""
    camera, optics = scene.camera, scene.optics
    cards = {
        "IMAGETYP": (IMAGE_TYPES[kind], "kind of frame"),
        "EXPTIME": (exposure_s, "[s] exposure"),
        "DATE-OBS": (start_utc.isoformat(timespec="milliseconds"), "start, UTC"),
        "INSTRUME": (camera.name, ""),
        "TELESCOP": (optics.name, ""),
        "GAIN": (camera.gain_setting, "camera setting"),
        "OFFSET": (camera.offset_setting, "camera setting"),
        "EGAIN": (camera.electrons_per_adu, "[e-/adu]"),
        "CCD-TEMP": (camera.temperature_c, "[degC]"),
        "SET-TEMP": (camera.temperature_c, "[degC]"),
        "XPIXSZ": (optics.pixel_um, "[um]"),
        "YPIXSZ": (optics.pixel_um, "[um]"),
        "XBINNING": (1, ""),
        "YBINNING": (1, ""),
        "FOCALLEN": (optics.focal_length_mm, "[mm] nominal"),
        "SITELAT": (scene.site.latitude_deg, "[deg]"),
        "SITELONG": (scene.site.longitude_deg, "[deg] east positive"),
    }
    if scene.image.cfa != "mono":
        cards.update(
            BAYERPAT=(scene.image.cfa, "colour of the pixels"),
            XBAYROFF=(0, "x offset of the pattern"),
            YBAYROFF=(0, "y offset of the pattern"),
        )
    cards["ROWORDER"] = ("TOP-DOWN", "order of the rows")
    if kind == "light":
        cards["OBJECT"] = (scene.name, "")
    if filter_name is not None:
        cards["FILTER"] = (scene.filters[filter_name].header_name, "")
    unit = fits.PrimaryHDU(frame)
    for key, card in cards.items():
        if key not in without:
            unit.header[key] = card
    path = Path(path)
    path.parent.mkdir(parents=True, exist_ok=True)
    # The standard way notes the time of writing in a comment, which would make every file differ.
    unit.add_checksum(when=start_utc.isoformat(timespec="seconds"))
    unit.writeto(path, overwrite=True)


def write_bad_files(out, scene, frame, light):
    """Six files of a kind that every folder collects in time.

    Parameters
    ----------
    out : output folder
    frame, light : a good light to spoil

    Returns
    -------
    dict: path below ``out`` -> what is wrong
    """
    folder = light_path(scene, light).parent
    common = dict(kind="light", exposure_s=scene.exposure_s, filter_name=light.filter_name)
    start = light.start_utc + timedelta(hours=4)

    def place(name):
        path = Path(out) / folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        return path

    write_frame(place("light_cut_short.fits"), frame, scene, start_utc=start, **common)
    whole = place("light_cut_short.fits").read_bytes()
    place("light_cut_short.fits").write_bytes(whole[: int(0.6 * len(whole))])
    place("light_empty.fits").write_bytes(b"")
    place("light_notes.fits").write_text("Clouds came in at eleven, packed up.\n")
    write_frame(place("light_black.fits"), np.zeros_like(frame), scene, start_utc=start, **common)
    write_frame(place("light_subframe.fits"), frame[: frame.shape[0] // 2], scene, start_utc=start, **common)
    loose = Path(out) / f"night_{light.night}_loose" / "capture_0001.fits"
    write_frame(loose, frame, scene, start_utc=start, without=("FILTER",), **common)
    names = {
        "light_cut_short.fits": "truncated",
        "light_empty.fits": "empty",
        "light_notes.fits": "text",
        "light_black.fits": "zeros",
        "light_subframe.fits": "other size",
    }
    listed = {str(folder / name): what for name, what in names.items()}
    listed[str(loose.relative_to(out))] = "missing FILTER"
    return listed
