"""Nights of synthetic raw colour frames, made on the spot: sky, stars, noise, vignetting and a dark."""

from pathlib import Path

import numpy as np
from astropy.io import fits
from scipy import ndimage

__all__ = ["EXPOSURE_S", "make_calibration", "make_night"]

EXPOSURE_S, GAIN, READ_NOISE_E, PEDESTAL_ADU = 60.0, 0.8, 3.0, 500
SKY_E = np.array([500.0, 900.0, 600.0])
"""Electrons of an exposure in R, G, B: a suburban sky through a broadband filter."""

STARS_PER_MPX = 90
"""A moderately rich field at 1.5 m focal length; no source."""

STAMP_PX = 12
"""Half width on which a star is drawn: four times the widest FWHM."""


def make_calibration(folder, shape, *, n=3):
    """``n`` darks and flats."""
    rng = np.random.default_rng(1)
    for k in range(n):
        dark = PEDESTAL_ADU + rng.normal(0, READ_NOISE_E / GAIN, shape)
        _write(folder / "dark" / f"dark_{k}.fits", dark, "DARK", EXPOSURE_S)
        level = 20000 * _vignetting(shape)
        flat = PEDESTAL_ADU + level + np.sqrt(level / GAIN) * rng.normal(size=shape)
        _write(folder / "flat" / f"flat_{k}.fits", flat, "FLAT", 1.0)


def make_night(folder, shape, n, *, night, seed):
    """``n`` dithered and slightly turned lights of one night; returns their paths."""
    rng = np.random.default_rng(seed)
    sky = np.random.default_rng(99)
    ny, nx = shape
    count = int(STARS_PER_MPX * ny * nx / 1e6)
    stars = np.column_stack(
        [sky.uniform(0, nx, count), sky.uniform(0, ny, count), 10 ** sky.uniform(3.0, 5.3, count)]
    )
    cell = np.array([[0, 1], [1, 2]])
    colour = np.tile(cell, (-(-ny // 2), -(-nx // 2)))[:ny, :nx]
    vignetting = _vignetting(shape)
    paths = []
    for k in range(n):
        angle, (dx, dy) = np.radians(rng.uniform(-0.3, 0.3)), rng.uniform(-15, 15, 2)
        sigma = rng.uniform(2.8, 3.6) / 2.3548
        image = SKY_E[colour].astype(np.float32)
        x0, y0 = stars[:, 0] - nx / 2, stars[:, 1] - ny / 2
        x = np.cos(angle) * x0 - np.sin(angle) * y0 + nx / 2 + dx
        y = np.sin(angle) * x0 + np.cos(angle) * y0 + ny / 2 + dy
        for a, b, flux in zip(x, y, stars[:, 2], strict=True):
            left, top = int(a) - STAMP_PX, int(b) - STAMP_PX
            if left < 0 or top < 0 or left + 2 * STAMP_PX >= nx or top + 2 * STAMP_PX >= ny:
                continue
            u = np.exp(-0.5 * ((np.arange(left, left + 2 * STAMP_PX) - a) / sigma) ** 2)
            v = np.exp(-0.5 * ((np.arange(top, top + 2 * STAMP_PX) - b) / sigma) ** 2)
            image[top : top + 2 * STAMP_PX, left : left + 2 * STAMP_PX] += (
                flux / (2 * np.pi * sigma**2) * np.outer(v, u)
            )
        image *= vignetting
        # Normal noise of the photons' and the amplifier's variance: at these counts as good as Poisson's, and faster.
        image += np.sqrt(image + READ_NOISE_E**2) * rng.standard_normal(shape, dtype=np.float32)
        path = folder / night / f"light_{k:03d}.fits"
        _write(
            path, image / GAIN + PEDESTAL_ADU, "LIGHT", EXPOSURE_S, f"{night}T22:{k % 60:02d}:{k // 60:02d}"
        )
        paths.append(path)
    return paths


def _vignetting(shape):
    y, x = (np.linspace(-1, 1, n) for n in shape)
    return ndimage.gaussian_filter(1 - 0.15 * (x[None, :] ** 2 + y[:, None] ** 2), 1).astype(np.float32)


def _write(path, adu, kind, exposure, start="2031-05-02T21:00:00"):
    header = fits.Header(
        {
            "IMAGETYP": kind, "EXPTIME": exposure, "DATE-OBS": start, "BAYERPAT": "RGGB", "EGAIN": GAIN, "RDNOISE": READ_NOISE_E,
            "GAIN": 100, "CCD-TEMP": -10.0, "XBINNING": 1, "YBINNING": 1,
        }
    )  # fmt: skip
    if kind in ("LIGHT", "FLAT"):
        header["FILTER"] = "None"
    Path(path).parent.mkdir(parents=True, exist_ok=True)
    fits.writeto(path, np.clip(np.rint(adu), 0, 65535).astype(np.uint16), header, overwrite=True)
