"""Where the raw frames are, and what to believe about them."""

from pipeline.plan import FRAME_KINDS
from pipeline.settings.keys import Key

__all__ = ["KEYS"]

KEYS = (
    Key(
        "input.folders",
        kind="list",
        of="path",
        doc="Folders with raw frames; searched with all folders below them. Relative ones start at the "
        "working folder. Lights and calibration frames may lie in any order: the header says what a "
        "frame is, and where it does not, the name of its folder.",
    ),
    Key(
        "input.masters",
        kind="list",
        of="path",
        default=[],
        doc="Masters that were made before, as files or folders of files; they are used before raw calibration frames where "
        "they match. What each is, its header tells, or its name (like master_dark_120s.fits), or input.overrides. Bias and "
        "dark in ADU, a dark with its bias still in it; a flat with its pedestal taken off.",
    ),
    Key(
        "input.ignore",
        kind="list",
        of="text",
        default=[],
        doc="Files to leave alone: patterns with * and ?, held against the path below the input folder, like "
        '"*/rejected/*".',
    ),
    Key(
        "input.overrides",
        kind="list",
        default=[],
        doc="Facts that headers miss or have wrong. Each entry has `match`, a pattern with * and ? held "
        "against the path below the input folder, and one fact or more; the entries apply in their "
        "order, and what they say wins over the header.",
        of=(
            Key("match", kind="text", doc='Which files, like "night1/*.fits".'),
            Key(
                "image_type",
                kind="choice",
                choices=FRAME_KINDS,
                default=None,
                optional=True,
                doc="What the frame is.",
            ),
            Key(
                "filter",
                kind="text",
                default=None,
                optional=True,
                doc="Filter, spelt as in filter_names of its filter set.",
            ),
            Key(
                "exposure_s",
                kind="number",
                unit="s",
                minimum=0,
                maximum=86400,
                default=None,
                optional=True,
                doc="Exposure time.",
            ),
            Key(
                "gain_setting",
                kind="number",
                minimum=0,
                maximum=100000,
                default=None,
                optional=True,
                doc="The camera's gain setting (not electrons per ADU).",
            ),
            Key(
                "offset_setting",
                kind="number",
                minimum=0,
                maximum=100000,
                default=None,
                optional=True,
                doc="The camera's offset setting.",
            ),
            Key(
                "temperature_c",
                kind="number",
                unit="degC",
                minimum=-150,
                maximum=80,
                default=None,
                optional=True,
                doc="Temperature of the sensor.",
            ),
            Key(
                "binning",
                kind="text",
                pattern=r"[1-9]x[1-9]",
                pattern_doc='like "2x2"',
                default=None,
                optional=True,
                doc="Binning.",
            ),
            Key(
                "start_utc",
                kind="text",
                pattern=r"\d{4}-\d\d-\d\dT\d\d:\d\d(:\d\d(\.\d+)?)?",
                pattern_doc='a time like "2031-03-02T21:40:00", in quotes',
                default=None,
                optional=True,
                doc="Start of the exposure in UTC.",
            ),
            Key(
                "night",
                kind="text",
                pattern=r"\d{4}-\d\d-\d\d",
                pattern_doc='a date like "2031-03-02", in quotes',
                default=None,
                optional=True,
                doc="Date on which the night began.",
            ),
        ),
    ),
)
