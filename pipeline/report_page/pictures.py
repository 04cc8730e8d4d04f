"""Photographs for the page: scaled down, as data URIs; every filter set's stack through the same rules."""

import base64
import io

import numpy as np
from PIL import Image, UnidentifiedImageError
from scipy import ndimage

from pipeline.errors import InputError
from pipeline.fitsio import read_image
from pipeline.numerics.fill import filled
from pipeline.numerics.stretch import find_stretch, render_for_display
from pipeline.report_page.blocks import block_mean
from pipeline.report_page.drawing import Drawing

__all__ = ["filter_set_picture", "photograph"]

JPEG_QUALITY = 88
"""No visible blocks in a dark sky at this quality, at a fifth of the size of PNG."""


def photograph(path, *, width, alt, caption):
    """A picture file, scaled to at most ``width`` pixels, as a :class:`Drawing`.

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
    return _drawing(picture, width, profile, alt, caption)


def filter_set_picture(path, gains, options, *, width, alt, caption):
    """The flattened stack of a filter set, rendered by the rules of the fused picture.

    The rules are the same for all sets: white gains, brightness of the sky, softening in units of the noise,
    saturation. What they give (the level shown as white, say) follows from each stack.

    Parameters
    ----------
    path : the flattened stack, 1 or 3 channels
    gains : (3,) white gains of R, G, B
    options : section "render" of the config
    width : pixels, at most

    Returns
    -------
    Drawing, or None if the stack holds no data

    Raises
    ------
    InputError
        If the stack cannot be read.
    """
    value, covered = _shrunk(path, width)
    valid = covered.any(axis=0)
    if not valid.any():
        return None
    colour = value.shape[0] == len(gains)
    planes = [_closed(plane, use, valid) for plane, use in zip(value, covered, strict=True)]
    rgb = np.stack(
        [plane * gain for plane, gain in zip(planes, gains, strict=True)] if colour else planes * len(gains)
    )
    stretch = find_stretch(
        rgb,
        valid,
        sky_level=options["sky_level"],
        softening_sigma=options["softening_sigma"],
        white_quantile=options["white_quantile"],
    )
    display = render_for_display(rgb.astype(np.float32), valid, stretch, saturation=options["saturation"])
    picture = Image.fromarray(np.rint(display * 255).astype(np.uint8))
    return _drawing(picture, width, None, alt, caption)


def _shrunk(path, width):
    """(value, covered) of an image in blocks so large that it is still at least ``width`` pixels wide."""
    coverage = read_image(path, "COVERAGE")
    value = read_image(path)
    coverage, value = (cube[None] if cube.ndim == 2 else cube for cube in (coverage, value))
    block = max(1, value.shape[2] // width)
    mean = block_mean(value, block, coverage > 0)
    covered = np.isfinite(mean)
    return np.where(covered, mean, 0.0), covered


def _closed(plane, covered, valid):
    """The plane with clipped star cores, which have no value, at least as bright as their rim."""
    holes = (ndimage.binary_fill_holes(valid) | valid) & ~covered
    return np.where(holes, filled(plane, ~covered), plane) if holes.any() else plane


def _drawing(picture, width, profile, alt, caption):
    if picture.width > width:
        height = max(1, round(picture.height * width / picture.width))
        picture = picture.resize((width, height), Image.Resampling.LANCZOS)
    buffer = io.BytesIO()
    # Full colour resolution: halved chroma smears the colours of small stars.
    picture.save(buffer, "JPEG", quality=JPEG_QUALITY, subsampling=0, optimize=True, icc_profile=profile)
    uri = "data:image/jpeg;base64," + base64.b64encode(buffer.getvalue()).decode()
    return Drawing(uri, None, picture.width, picture.height, alt, caption)
