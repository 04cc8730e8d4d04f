"""The camera, where its headers do not describe it or describe it wrongly."""

from pipeline.settings.keys import Key

__all__ = ["KEYS"]

KEYS = (
    Key(
        "camera.electrons_per_adu",
        kind="number",
        unit="e-/ADU",
        minimum=0.001,
        maximum=1000,
        default=None,
        optional=True,
        doc="Conversion gain. null: from the header, checked against bias and flats, or measured from them.",
    ),
    Key(
        "camera.read_noise_e",
        kind="number",
        unit="e-",
        minimum=0,
        maximum=1000,
        default=None,
        optional=True,
        doc="Read noise of one pixel. null: from the header or measured from the bias frames.",
    ),
    Key(
        "camera.saturation_adu",
        kind="number",
        unit="ADU",
        minimum=1,
        maximum=4294967295,
        default=None,
        optional=True,
        doc="Level at which a pixel counts as clipped. null: found from the data.",
    ),
    Key(
        "camera.cfa_pattern",
        kind="choice",
        choices=("RGGB", "BGGR", "GRBG", "GBRG", "mono"),
        default=None,
        optional=True,
        doc="Colour pattern of the upper left 2 x 2 pixels as stored in the file. null: from the header, "
        "and mono if it says nothing.",
    ),
    Key(
        "camera.pedestal_adu",
        kind="number",
        unit="ADU",
        minimum=0,
        maximum=65535,
        default=None,
        optional=True,
        doc="Level of a pixel without light, used only where neither dark nor bias frames exist.",
    ),
    Key(
        "camera.response",
        kind="path",
        default=None,
        optional=True,
        doc="CSV file with the relative response of the colour channels: wavelength_nm,R,G,B (or "
        "wavelength_nm,L). null: a typical curve that ships with the pipeline.",
    ),
)
