"""What was photographed."""

from pipeline.settings.keys import Key

__all__ = ["KEYS"]

KEYS = (
    Key(
        "target.name",
        kind="text",
        default="unnamed target",
        doc="Name of the object, as the report and the headers show it.",
    ),
)
