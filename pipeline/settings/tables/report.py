"""How the report is made."""

from pipeline.settings.keys import Key

__all__ = ["KEYS"]

KEYS = (
    Key(
        "report.picture_width_px",
        kind="integer",
        unit="px",
        minimum=320,
        maximum=8000,
        default=1280,
        doc="Width of the fused picture inside the report; it is only ever made smaller. The full picture stays in "
        "its own file.",
    ),
    Key(
        "report.filter_picture_width_px",
        kind="integer",
        unit="px",
        minimum=160,
        maximum=4000,
        default=640,
        doc="Width of the pictures of the single filter sets inside the report, where there is no comparison sheet.",
    ),
    Key(
        "report.comparison_width_px",
        kind="integer",
        unit="px",
        minimum=320,
        maximum=8000,
        default=1920,
        doc="Width of the comparison sheet inside the report; it is only ever made smaller.",
    ),
    Key(
        "report.low_weight",
        kind="number",
        minimum=0,
        maximum=1,
        default=0.5,
        doc="A light that was used is listed with the reason if its weight is below this fraction of the median weight "
        "of its filter set.",
    ),
)
