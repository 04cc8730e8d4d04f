"""Photographs for the page: scaled down, as data URIs; every filter set's stack through the same rendering."""

import base64
import io

import numpy as np
from PIL import Image, UnidentifiedImageError

from pipeline.errors import InputError
from pipeline.fitsio import read_linear
from pipeline.numerics.stretch import find_stretch, render_for_display
from pipeline.numerics.white_reference import white_reference
from pipeline.report_page.drawing import Drawing

__all__ = ["filter_set_picture", "jpeg_drawing", "photograph"]

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
    """Flattened stack of a filter set, through the same rules as the picture and as every other set.

    Parameters
    ----------
    filter_set : evidence of a filter set, with its flattened stack
    settings : complete settings; section "render" counts
    width : pixels

    Raises
    ------
    InputError
        If the stack cannot be read.
    """
    image, options = read_linear(filter_set.flat), settings["render"]
    grey = len(image.channels) == 1
    value = np.repeat(image.value, 3, axis=0) if grey else image.value
    if not grey:
        white = white_reference(image.value, image.variance, image.valid)
        value = value * white.gains[:, None, None].astype(np.float32)
    covered = image.valid.any(axis=0)
    stretch = find_stretch(
        value, covered, sky_level=options["sky_level"], softening_sigma=options["softening_sigma"],
        white_quantile=options["white_quantile"],
    )  # fmt: skip
    display = render_for_display(value, covered, stretch, saturation=options["saturation"])
    what = f"{filter_set.name}: flattened stack, its own white balance and noise, the tone curve of the picture above."
    return jpeg_drawing(display, width=width, alt=f"Flattened stack of filter set {filter_set.name}", caption=what)
