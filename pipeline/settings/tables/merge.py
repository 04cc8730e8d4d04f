"""Putting the nights of a filter set together."""

from pipeline.settings.keys import Key

__all__ = ["KEYS"]

KEYS = (
    Key(
        "merge.leave_out",
        kind="list",
        of="text",
        default=[],
        doc='Nights (as in "2031-05-02") or sessions by name that stay out of the stacks. Their own results are kept, so that '
        "neither leaving one out nor taking it back in computes any session anew.",
    ),
    Key(
        "merge.outvote_few",
        kind="flag",
        default=True,
        doc="Where a session has one or two samples of a pixel (at its borders, or in a short night), leave them out if they are "
        "far brighter than the other sessions there: so few cannot outvote a particle hit among them.",
    ),
    Key(
        "merge.crop_coverage",
        kind="number",
        unit="1",
        minimum=0,
        maximum=1,
        default=0.8,
        doc="The crop box that is noted with a stack is the largest rectangle in which every pixel has at least this share "
        "of the usual number of samples; holes inside it, like clipped cores of stars, do not count.",
    ),
)
