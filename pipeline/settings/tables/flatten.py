"""Taking the glow of the sky off the stacks."""

from pipeline.settings.keys import Key

__all__ = ["KEYS"]

KEYS = (
    Key(
        "flatten.cell_px",
        kind="integer",
        unit="px",
        default=32,
        minimum=8,
        maximum=512,
        doc="Edge of the cells on which free sky is looked for; smaller ones find gaps in a nebula, larger ones have "
        "less noise. Images under about 600 px use smaller cells by themselves.",
    ),
    Key(
        "flatten.max_order",
        kind="integer",
        default=3,
        minimum=0,
        maximum=4,
        doc="Highest order of the sky surface. The order used is the lowest that held-out sky asks for.",
    ),
    Key(
        "flatten.remainder",
        kind="choice",
        choices=("none", "spline"),
        default="none",
        doc="What is done about a sky that no low order follows. spline: a stiff one through the cells that are free of "
        "nebula, used only where it predicts left-out parts of the field better; not in a field full of nebula.",
    ),
    Key(
        "flatten.object_sigma",
        kind="number",
        unit="sigma",
        default=3.0,
        minimum=1.5,
        maximum=10,
        doc="Excess over the sky, in its own scatter, from which a cell counts as nebula or dust.",
    ),
    Key(
        "flatten.star_sigma",
        kind="number",
        unit="sigma",
        default=5.0,
        minimum=3,
        maximum=50,
        doc="Threshold of the detection of stars that are masked.",
    ),
    Key(
        "flatten.star_growth",
        kind="number",
        default=1.0,
        minimum=0.5,
        maximum=5,
        doc="Factor on the radii of the star masks; raise it where haloes are wide.",
    ),
    Key(
        "flatten.least_free_share",
        kind="number",
        default=0.1,
        minimum=0.0,
        maximum=0.9,
        doc="Share of free sky below which the record warns that sky and nebula can hardly be told apart.",
    ),
)
