"""Calibration frames: which ones match, and how masters are made of them."""

from pipeline.settings.keys import Key

__all__ = ["KEYS"]

KEYS = (
    Key(
        "calibration.temperature_tolerance_c",
        kind="number",
        unit="degC",
        minimum=0,
        maximum=50,
        default=2.0,
        doc="Largest difference of sensor temperature between a light and its dark or bias, where both tell it.",
    ),
    Key(
        "calibration.exposure_tolerance",
        kind="number",
        minimum=0,
        maximum=0.5,
        default=0.02,
        doc="Largest relative difference of exposure at which a dark counts as of the light's exposure.",
    ),
    Key(
        "calibration.largest_dark_scaling",
        kind="number",
        minimum=1,
        maximum=1000,
        default=5.0,
        doc="Where no dark has the light's exposure but there is a bias, the thermal part of another dark is multiplied by "
        "up to this much; beyond, its noise would do more harm than its pattern does good.",
    ),
    Key(
        "calibration.rotation_tolerance_deg",
        kind="number",
        unit="deg",
        minimum=0,
        maximum=180,
        default=3.0,
        doc="Largest difference of rotator angle between lights and their flats, where both tell it.",
    ),
    Key(
        "calibration.clip_sigma",
        kind="number",
        unit="sigma",
        minimum=2,
        maximum=20,
        default=4.0,
        doc="A value further than this from the median of its pixel is left out of a master.",
    ),
    Key(
        "calibration.hot_sigma",
        kind="number",
        unit="sigma",
        minimum=3,
        maximum=1000,
        default=12.0,
        doc="A pixel of a dark or bias that stands out from its neighbourhood by this much of the usual scatter is bad.",
    ),
    Key(
        "calibration.flat_deviation",
        kind="number",
        minimum=0.02,
        maximum=0.9,
        default=0.25,
        doc="A pixel of a flat that differs from its neighbourhood of the same colour by this share is bad.",
    ),
    Key(
        "calibration.gain_disagreement",
        kind="number",
        minimum=0.01,
        maximum=1,
        default=0.15,
        doc="Relative difference between measured and stated gain or read noise at which a warning is given.",
    ),
)
"""Keys of the section ``calibration``."""
