"""Fusing: how much of the gas is added to the picture of the stars and the dust."""

from pipeline.numerics.star_temperature import CLASS_PATTERN
from pipeline.settings.keys import Key

__all__ = ["KEYS"]

KEYS = (
    Key(
        "fuse.recipe", kind="choice", choices=("sum", "screen", "luminance", "mix", "natural"), default="sum",
        doc="sum: the broadband picture plus the boosted gas, in linear light. screen: the same, but the gas fades where "
        "the picture is bright already. luminance: the gas brightens the picture without colouring it. mix: a weighted "
        "mean of the broadband picture and of the gas alone (fuse.mix_share). natural: sum, but gas has the colours of its "
        "lines only: what the camera's own channels show of it is taken away first.",
    ),
    Key(
        "fuse.boost", kind="mapping", of="number", minimum=0, maximum=1000, default={},
        doc="How many times its own share of the broadband picture each line shall have, like {Ha: 6, OIII: 10}; 1 gives the "
        "broadband picture back. A line that is not named gets a boost from its own strength and noise. Where the broadband "
        "hardly shows a line, or is missing, the measure is the line's own map.",
    ),
    Key(
        "fuse.gas_level", kind="number", unit="sigma", minimum=1, maximum=1000, default=40.0,
        doc="Brightness that the brightest gas of a line is brought to where no boost is given, in units of the noise of a "
        "pixel of the broadband picture; less where the line's map is too noisy for that.",
    ),
    Key(
        "fuse.denoise_sigma", kind="number", unit="sigma", minimum=0, maximum=10, default=1.4,
        doc="How strongly the added gas is cleaned of noise, scale by scale: structure whose power stays below half the square "
        "of this, in units of its noise, is taken away. 0: nothing is; 2 is smoother, but takes 5 % of the contrast of the "
        "faintest edges.",
    ),
    Key(
        "fuse.line_contrast", kind="number", minimum=0, maximum=3, default=0.0,
        doc="Local contrast of the added gas: the ratio of what stands out of the noise to its surroundings is raised to the "
        "power of 1 plus this. 0: as it is; 0.5 shows filaments clearly.",
    ),
    Key(
        "fuse.star_reduction", kind="number", minimum=0, maximum=1, default=0.0,
        doc="How much stars are made smaller, by their measured profile: 0 not at all, 0.3 gently, 1 to half their width. "
        "Their colours stay.",
    ),
    Key(
        "fuse.white_class", kind="text", pattern=CLASS_PATTERN, pattern_doc="a class like G2 or K0.5V", default=None,
        optional=True,
        doc="Class of stars shown white, like G2V for stars as the Sun, O5 to M4. It needs colours that fit the curves of "
        "camera and filter. null: the usual star of the field is white.",
    ),
    Key(
        "fuse.white_star_px", kind="list", of="number", unit="px", length=2, minimum=0, default=None, optional=True,
        doc="Position [x, y] in fused.fits, counted from 0, of a star that shall be white instead.",
    ),
    Key(
        "fuse.line_purity", kind="number", minimum=0, maximum=1, default=0.9,
        doc="Saturation of the colour in which a line is shown: 1 is the purest that the display has.",
    ),
    Key(
        "fuse.line_colours", kind="mapping", of="text", pattern=r"[A-Za-z]+", pattern_doc="the name of a line",
        default={"OIII": "#00a8c8"},
        doc="Display colours of lines as hexadecimal sRGB. A line without one is shown in the purest colour of the display that "
        "has the hue of its wavelength (CIE 1931 observer, CIELAB hue); {} does so for all. [O III] by its wavelength looks "
        "greener on a display than at the eyepiece, hence the default.",
    ),
    Key(
        "fuse.mix_share", kind="number", minimum=0, maximum=1, default=0.5,
        doc="Share of the gas alone in recipe mix.",
    ),
)  # fmt: skip
"""Keys of the section ``fuse``."""
