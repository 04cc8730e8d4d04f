"""Photographs for the page: scaled down, as data URIs; every filter set's stack through the same rendering."""

import base64
import io

import numpy as np
from PIL import Image, UnidentifiedImageError

from pipeline.errors import InputError
from pipeline.report_page.drawing import Drawing

__all__ = ["jpeg_drawing", "photograph"]

JPEG_QUALITY = 88
"""No visible blocks in a dark sky at this quality, at a fifth of the size of PNG."""


def photograph(path, *, width, quality=JPEG_QUALITY, alt, caption):
    """A picture file, scaled to at most `width` pixels.

    Raises
    ------
    InputError
        If it is not a readable picture.
    """
    try:
        with Image.open(path) as image:
            image.load()
            profile = image.info.get("icc_profile")
            picture = image.convert("RGB")
    except (OSError, UnidentifiedImageError, SyntaxError, ValueError) as error:
        raise InputError(f"{path}: not a readable picture ({error})") from error
    return _drawing(picture, width, quality, profile, alt, caption)


def jpeg_drawing(display, *, width, quality=JPEG_QUALITY, alt, caption):
    """A display-ready array, (ny, nx, 3) uint8 or (ny, nx, 3) float in 0 .. 1, as a :class:`Drawing`."""
    display = np.asarray(display)
    if display.dtype != np.uint8:
        display = np.round(np.clip(np.nan_to_num(display), 0, 1) * 255).astype(np.uint8)
    return _drawing(Image.fromarray(np.ascontiguousarray(display), "RGB"), width, quality, None, alt, caption)


def _drawing(picture, width, quality, profile, alt, caption):
    if picture.width > width:
        height = max(1, round(picture.height * width / picture.width))
        picture = picture.resize((width, height), Image.Resampling.LANCZOS)
    buffer = io.BytesIO()
    # Full colour resolution: halved chroma smears the colours of small stars.
    picture.save(buffer, "JPEG", quality=quality, subsampling=0, optimize=True, icc_profile=profile)
    uri = "data:image/jpeg;base64," + base64.b64encode(buffer.getvalue()).decode()
    return Drawing(uri, None, picture.width, picture.height, alt, caption)


def filter_set_picture(filter_set, settings, *, width):
    """Flattened stack of a filter set through the same rules as every other one."""
    from pipeline.fitsio import read_image
    v = read_image(filter_set.flat)
    v = v[:, :, :] if v.ndim == 3 else v[None]
    lo, hi = np.nanpercentile(v, (30, 99.7))
    d = np.arcsinh(np.clip((v - lo) / (hi - lo), 0, 1) * 10) / np.arcsinh(10)
    d = np.repeat(d, 3, axis=0) if d.shape[0] == 1 else d
    return jpeg_drawing(np.moveaxis(d, 0, -1), width=width, alt=f"{filter_set.name}", caption=f"{filter_set.name}")
