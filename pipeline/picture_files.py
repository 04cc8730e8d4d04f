"""Pictures as files: 16-bit TIFF and 8-bit PNG, each with its colour profile and a description inside."""

import io

import numpy as np
import tifffile
from PIL import Image
from PIL.PngImagePlugin import PngInfo

from pipeline.atomic import replaced
from pipeline.colour_profile import srgb_profile
from pipeline.numerics.bands import in_bands

__all__ = ["as_image", "write_png", "write_tiff"]

PNG_LEVEL = 3
"""Of zlib; its default of 6 takes twice as long for a few percent less."""

BAND_ROWS = 64
"""Rows that are turned into whole numbers at a time: their values between stay in the cache."""


def write_tiff(path, display, text, *, profile):
    """Write (ny, nx, 3) values 0..1, encoded as ``profile`` (bytes of an ICC profile) says, in 16 bits."""
    deep = np.empty(display.shape, dtype=np.uint16)

    def band(start, stop):
        deep[start:stop] = np.rint(display[start:stop] * np.float32(65535))

    in_bands(band, len(display), rows=BAND_ROWS)
    with replaced(path) as temporary:
        tifffile.imwrite(
            temporary, deep, photometric="rgb", iccprofile=profile,
            description=text.encode("ascii", "replace").decode(), metadata=None, datetime=False, software="Duskloom",
        )  # fmt: skip


def as_image(display):
    """(ny, nx, 3) values 0..1 as a PIL image of 8 bits."""
    levels = np.empty(display.shape, dtype=np.uint8)

    def band(start, stop):
        levels[start:stop] = np.rint(display[start:stop] * np.float32(255))

    in_bands(band, len(display), rows=BAND_ROWS)
    return Image.fromarray(levels)


def write_png(path, picture, text, *, longest=None):
    """Write an sRGB picture (PIL image), scaled down to at most ``longest`` pixels on its longer side."""
    if longest is not None and max(picture.size) > longest:
        scale = longest / max(picture.size)
        size = tuple(max(1, round(side * scale)) for side in picture.size)
        picture = picture.resize(size, Image.Resampling.LANCZOS)
    information = PngInfo()
    information.add_text("Description", text)
    buffer = io.BytesIO()
    picture.save(buffer, "PNG", icc_profile=srgb_profile(), pnginfo=information, compress_level=PNG_LEVEL)
    with replaced(path) as temporary:
        temporary.write_bytes(buffer.getvalue())
