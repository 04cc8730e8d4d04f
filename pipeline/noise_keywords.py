"""How a session's stack keeps the noise that was found for 1, 2, 4, ... of its frames: texts of numbers in its header."""

import math

from pipeline.numerics.block_noise import NoiseFigures

__all__ = ["noise_of_header", "noise_to_keywords"]

CURVES = {"NBLOCK": "block", "IBLOCK": "ideal_block", "NPIXEL": "sample"}
"""Keyword, to which the channel is added, and what of ``NoiseFigures`` it holds."""


def noise_to_keywords(noise):
    """Keywords for ``fitsio.write_packed`` from channel -> NoiseFigures."""
    keywords = {}
    for channel, figures in noise.items():
        ratio = figures.block[-1] / figures.ideal_block[-1]
        # FITS has no NaN in a card: a ratio that was not measured is left out.
        keywords[f"NRATIO_{channel}"] = (
            ratio if math.isfinite(ratio) else None,
            "noise of 8 x 8 blocks over ideal",
        )
        keywords["NGROWTH"] = (" ".join(map(str, figures.frames)), "frames for which there is noise")
        for card, curve in CURVES.items():
            keywords[f"{card}_{channel}"] = " ".join(f"{value:.4g}" for value in getattr(figures, curve))
    return keywords


def noise_of_header(header, channel):
    """NoiseFigures of a channel, or None where there are none."""
    if f"NBLOCK_{channel}" not in header:
        return None
    curves = {
        curve: [float(value) for value in header[f"{card}_{channel}"].split()]
        for card, curve in CURVES.items()
    }
    return NoiseFigures([int(count) for count in header["NGROWTH"].split()], **curves)
