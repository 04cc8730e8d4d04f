"""Separating the emission lines from the continuum."""

from pipeline.settings.keys import Key

__all__ = ["KEYS"]

KEYS = (
    Key(
        "lines.crosstalk",
        kind="choice",
        choices=("auto", "curves", "measured"),
        default="auto",
        doc="Where the response of each colour channel to each line comes from. curves: camera.response as it is. "
        "measured: refined from the data. auto: curves if camera.response is given, else measured.",
    ),
    Key(
        "lines.star_sigma",
        kind="number",
        unit="sigma",
        default=5.0,
        minimum=3,
        maximum=50,
        doc="Threshold of the detection of stars for PSF, continuum ratio and removal of remnants.",
    ),
    Key(
        "lines.remove_star_remnants",
        kind="flag",
        default=True,
        doc="Replace what bright stars leave in the line maps by a smooth continuation of the gas around.",
    ),
    Key(
        "lines.remove_haloes",
        kind="flag",
        default=True,
        doc="Take off the even discs that reflections in filter and window put round bright stars, from the line maps and "
        "from the continuum, and so from the picture. Only what has a sharp rim of one size round several stars is "
        "taken for one; the soft glow of stars stays.",
    ),
)
