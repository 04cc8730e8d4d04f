"""Registration: how frames are laid on the anchor, and which poses are believed."""

from pipeline.settings.keys import Key

__all__ = ["KEYS"]

KEYS = (
    Key(
        "register.poses",
        kind="list",
        of="choice",
        choices=("similarity", "affine", "quadratic"),
        default=["similarity", "affine", "quadratic"],
        doc="Kinds of pose to choose from, stiffest first; the simplest that predicts left-out stars "
        "as well as the next is used.",
    ),
    Key(
        "register.min_matched",
        kind="integer",
        minimum=4,
        maximum=10000,
        default=6,
        doc="Least number of stars that a pose rests on.",
    ),
    Key(
        "register.max_residual_px",
        kind="number",
        unit="px",
        minimum=0.05,
        maximum=10,
        default=1.0,
        doc="Greatest rms distance of matched stars.",
    ),
    Key(
        "register.min_coverage",
        kind="number",
        minimum=0,
        maximum=1,
        default=0.3,
        doc="Least share of the common field, in cells that hold stars, that the matched stars must cover.",
    ),
    Key(
        "register.max_scale_difference",
        kind="number",
        minimum=0.001,
        maximum=0.2,
        default=0.01,
        doc="Greatest relative difference of scale between frames of one filter set.",
    ),
    Key(
        "register.max_scale_difference_of_sets",
        kind="number",
        minimum=0.001,
        maximum=0.2,
        default=0.04,
        doc="Greatest relative difference of scale between filter sets.",
    ),
    Key(
        "register.allow_mirrored",
        kind="flag",
        default=False,
        doc="true: frames may be mirror images of one another.",
    ),
    Key(
        "register.shared_distortion",
        kind="flag",
        default=False,
        doc="true: the radial distortion of the optics is solved once for each filter set, from all listed frames, and "
        "used for every frame; for wide fields and large dithers, where frames with few stars cannot tell it themselves.",
    ),
    Key(
        "register.list_frames",
        kind="integer",
        minimum=1,
        maximum=500,
        default=20,
        doc="Best frames of a filter set whose stars are averaged into the list that all its frames are matched with.",
    ),
)
"""Keys of the section ``register``."""
