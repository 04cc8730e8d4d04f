"""Rendering: from linear light to a picture for the eye."""

from pipeline.settings.keys import Key

__all__ = ["KEYS"]

KEYS = (
    Key(
        "render.sky_level", kind="number", minimum=0.02, maximum=0.4, default=0.11,
        doc="Brightness of the empty sky in the picture, 0 black to 1 white.",
    ),
    Key(
        "render.softening_sigma", kind="number", unit="sigma", minimum=0.5, maximum=1000, default=12.0,
        doc="Where the tone curve turns from linear to logarithmic, in units of the noise of a pixel. Lower lifts the faint.",
    ),
    Key(
        "render.white_quantile", kind="number", minimum=0.9, maximum=1, default=0.9995,
        doc="Share of the pixels that are darker than white.",
    ),
    Key(
        "render.saturation", kind="number", minimum=0, maximum=3, default=1.15,
        doc="Colour: 1 as measured, 0 grey.",
    ),
    Key(
        "render.crop_coverage", kind="number", minimum=0, maximum=1, default=0.95,
        doc="Rows and columns at the border are cut off until each is covered, by at least half as many frames as the "
        "field in every filter set that reaches so far, over this share of its length. 0 keeps everything.",
    ),
    Key(
        "render.encoding", kind="choice", choices=("srgb", "linear"), default="srgb",
        doc="Values of the 16-bit TIFF: sRGB, or in proportion to the light of the display (same picture, with a linear "
        "profile inside). The PNG files are always sRGB.",
    ),
    Key(
        "render.comparison_pixels", kind="integer", unit="px", minimum=160, maximum=4000, default=640,
        doc="Width of one picture on the comparison sheet.",
    ),
    Key(
        "render.preview_pixels", kind="integer", unit="px", minimum=256, maximum=65535, default=4096,
        doc="Longest side of preview.png; a larger picture is scaled down. The TIFF always has full size.",
    ),
)  # fmt: skip
"""Keys of the section ``render``."""
