"""Where the telescope stood; only used to tell which night a frame belongs to."""

from pipeline.settings.keys import Key

__all__ = ["KEYS"]

KEYS = (
    Key(
        "site.longitude_deg",
        kind="number",
        unit="deg",
        minimum=-180,
        maximum=180,
        default=None,
        optional=True,
        doc="Longitude, east positive. A night runs from local mean noon to noon. null: taken from the "
        "header where it gives one, else see utc_offset_h.",
    ),
    Key(
        "site.utc_offset_h",
        kind="number",
        unit="h",
        minimum=-12,
        maximum=14,
        default=None,
        optional=True,
        doc="Local time minus UTC, to use in place of a longitude. null: from the header where it gives a local time, "
        "else universal time, moved where lights run through its noon.",
    ),
)
