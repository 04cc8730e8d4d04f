"""The optical train, if its arithmetic is wanted: spacing, glass in the beam, depth of focus. All of it is optional; the
report says what follows from what is given.
"""

from pipeline.numerics.glass import GLASSES
from pipeline.settings.keys import Key

__all__ = ["KEYS"]

GLASS = (
    Key(
        "thickness_mm",
        kind="number",
        unit="mm",
        minimum=0.01,
        maximum=100,
        doc="Thickness of the plane glass.",
    ),
    Key(
        "glass",
        kind="choice",
        choices=tuple(GLASSES),
        default=None,
        optional=True,
        doc="Kind of glass, whose index at the filter's wavelength is then used.",
    ),
    Key(
        "index",
        kind="number",
        minimum=1.2,
        maximum=2.5,
        default=None,
        optional=True,
        doc="Refractive index, where the kind of glass is not listed. Neither given: 1.5, the rule of thumb t/3.",
    ),
)
"""What is said of a plate."""

KEYS = (
    Key(
        "optics.focal_length_mm",
        kind="number",
        unit="mm",
        minimum=1,
        maximum=100000,
        default=None,
        optional=True,
        doc="Focal length as used, with reducer or extender.",
    ),
    Key(
        "optics.aperture_mm",
        kind="number",
        unit="mm",
        minimum=1,
        maximum=20000,
        default=None,
        optional=True,
        doc="Clear diameter of the telescope or lens; focal_length_mm / aperture_mm is the f-ratio.",
    ),
    Key(
        "optics.pixel_um",
        kind="number",
        unit="um",
        minimum=0.5,
        maximum=100,
        default=None,
        optional=True,
        doc="Size of a pixel of the frames, with binning. null: from the header.",
    ),
    Key(
        "optics.back_focus_mm",
        kind="number",
        unit="mm",
        minimum=0.1,
        maximum=1000,
        default=None,
        optional=True,
        doc="Distance from the flange of the corrector to the sensor that its maker asks for, without glass.",
    ),
    Key(
        "optics.spacing_mm",
        kind="list",
        of=Key("length", kind="number", unit="mm", minimum=0, maximum=1000),
        default=[],
        unit="mm",
        doc="Lengths of everything between that flange and the sensor: adapters, filter drawer, flange depth of the camera.",
    ),
    Key(
        "optics.window_mm",
        kind="number",
        unit="mm",
        minimum=0,
        maximum=50,
        default=0.0,
        doc="Thickness of all other plane glass between flange and sensor, like the camera's window; index 1.5.",
    ),
    Key(
        "optics.filters",
        kind="mapping",
        pattern=r"[A-Za-z0-9]+",
        pattern_doc="the name of a filter set",
        of=GLASS,
        default={},
        doc="Glass of the filter, by the name of its filter set: {duo: {thickness_mm: 2.0, glass: N-BK7}}.",
    ),
)
"""Keys of the section ``optics``."""
