"""The filters. A name of your own (letters and digits) for each filter, and what is known of it."""

from pipeline.numerics.spectrum import LINES
from pipeline.settings.keys import Key

__all__ = ["KEYS", "LINES_NM", "ROLES"]

ROLES = ("unfiltered", "broadband", "dualband", "narrowband")
"""What a filter set can be to the picture."""

LINES_NM = {name: line.wavelength_nm for name, line in LINES.items()}
"""Emission lines that can be named, with the wavelength in air in nm of the strongest member."""

SHORTEST_NM, LONGEST_NM = 200.0, 2000.0
"""Range in nm that silicon sensors and glass could concern, with room to spare; it catches angstrom and
micrometre."""

KEYS = (
    Key(
        "filter_sets",
        kind="mapping",
        pattern=r"[A-Za-z0-9]+",
        pattern_doc="letters and digits only",
        doc="One entry a filter. All lights through one filter make one filter set.",
        of=(
            Key(
                "role",
                kind="choice",
                choices=ROLES,
                doc="What passes: everything (unfiltered), most of the visible light (broadband), two "
                "narrow bands (dualband) or one (narrowband).",
            ),
            Key(
                "filter_names",
                kind="list",
                of="text",
                default=[],
                doc="Spellings of this filter in the FILTER header or as the name of a folder; capitals, "
                "spaces, dashes and underscores make no difference. Empty: the name of the filter set "
                "itself.",
            ),
            Key(
                "passbands_nm",
                kind="list",
                of=Key(
                    "band",
                    kind="list",
                    of="number",
                    length=2,
                    minimum=SHORTEST_NM,
                    maximum=LONGEST_NM,
                    unit="nm",
                ),
                default=[],
                unit="nm",
                doc="Pairs of first and last wavelength that pass, like [[495, 505], [651, 661]]. Empty: "
                "all that the sensor sees if unfiltered, 400-700 nm if broadband, and 10 nm about each "
                "of `lines` else.",
            ),
            Key(
                "lines",
                kind="list",
                of="choice",
                choices=tuple(LINES_NM),
                default=[],
                doc="Emission lines that the filter is made for. Empty: for dualband and narrowband, those "
                "that lie in passbands_nm.",
            ),
            Key(
                "transmission",
                kind="path",
                default=None,
                optional=True,
                doc="CSV file wavelength_nm,transmission (0 to 1). null: 1 inside passbands_nm and 0 "
                "outside.",
            ),
            Key(
                "line_throughput",
                kind="mapping",
                of="number",
                minimum=0,
                maximum=1,
                default={},
                doc="Transmission at a line where you know it better than the curve says, like {OIII: 0.91}.",
            ),
        ),
    ),
)
