"""The anchor: the light whose pixel grid, scale and background all others are brought to."""

from pipeline.settings.keys import Key

__all__ = ["KEYS"]

KEYS = (
    Key(
        "anchor.frame",
        kind="text",
        default=None,
        optional=True,
        doc="Path of the light to use, or the end of it from a / on; null: the light with the best score of "
        "the first of these roles that has any: broadband, unfiltered, dualband, narrowband.",
    ),
)
"""Keys of the section ``anchor``."""
