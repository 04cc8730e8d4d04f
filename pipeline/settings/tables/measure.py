"""Measurement of the lights: how stars are found, and which lights are left out."""

from pipeline.settings.keys import Key

__all__ = ["KEYS"]

KEYS = (
    Key(
        "measure.detection_sigma",
        kind="number",
        unit="sigma",
        minimum=2,
        maximum=50,
        default=4.0,
        doc="Height above the sky noise from which pixels count as detected.",
    ),
    Key(
        "measure.background_mesh_px",
        kind="integer",
        unit="px",
        minimum=16,
        maximum=1024,
        default=64,
        doc="Side of the cells whose background is taken off before stars are looked for (for detection only).",
    ),
    Key(
        "measure.spike_sigma",
        kind="number",
        unit="sigma",
        minimum=4,
        maximum=1000,
        default=8.0,
        doc="Height from which a pixel with empty neighbours is taken for a particle hit or an unstable pixel.",
    ),
    Key(
        "measure.min_star_snr",
        kind="number",
        minimum=3,
        maximum=1000,
        default=6.0,
        doc="Least signal-to-noise ratio of a star that is listed.",
    ),
    Key(
        "measure.edge_px",
        kind="integer",
        unit="px",
        minimum=0,
        maximum=1000,
        default=8,
        doc="Margin of the frame in which no star is listed.",
    ),
    Key(
        "measure.aperture_radius_fwhm",
        kind="number",
        unit="FWHM",
        minimum=0.5,
        maximum=4,
        default=1.5,
        doc="Radius of the aperture for star fluxes, in each frame's own star width.",
    ),
    Key(
        "measure.max_stars",
        kind="integer",
        minimum=50,
        maximum=100000,
        default=3000,
        doc="Brightest stars of a frame that are kept.",
    ),
    Key(
        "measure.min_stars",
        kind="integer",
        minimum=3,
        maximum=10000,
        default=6,
        doc="A light with fewer reliable stars is left out.",
    ),
    Key(
        "measure.max_elongation",
        kind="number",
        minimum=1.05,
        maximum=20,
        default=1.6,
        doc="A light whose stars are longer than wide by more than this is left out as trailed.",
    ),
    Key(
        "measure.max_fwhm_ratio",
        kind="number",
        minimum=1.05,
        maximum=20,
        default=1.6,
        doc="A light whose star width exceeds the session's median by this factor (and stands out of its scatter) "
        "is left out as out of focus.",
    ),
    Key(
        "measure.max_fwhm_px",
        kind="number",
        unit="px",
        minimum=1,
        maximum=100,
        default=None,
        optional=True,
        doc="A light with wider stars than this is left out whatever the session; null: no such limit.",
    ),
    Key(
        "measure.min_transparency",
        kind="number",
        minimum=0,
        maximum=1,
        default=0.3,
        doc="A light whose star flux falls below this share of the session's clear level is left out as cloudy; above "
        "it, its weight follows the transparency.",
    ),
    Key(
        "measure.max_saturated_fraction",
        kind="number",
        minimum=0.0001,
        maximum=1,
        default=0.2,
        doc="A light with a greater share of saturated pixels is left out.",
    ),
)
"""Keys of the section ``measure``."""
