"""The files of the stage lines: one a line, and the continuum. See README.md for what they hold."""

import numpy as np

from pipeline.bundles import LinearImage
from pipeline.fitsio import write_fits, write_linear
from pipeline.numerics.significance import significance

__all__ = ["HALOES", "write_continuum", "write_empty_line", "write_line"]

HALOES = "HALOES"
"""Extension of the continuum's file: light round bright stars that was taken off it, per channel."""


def _line_keywords(line, *, solved, owner=("", ""), response=(), channels=()):
    keywords = {
        "LINE": (line.name, "emission line"),
        "LINEWAVE": (line.wavelength_nm, "[nm] wavelength in air"),
        "LINESET": (owner[0], "filter set in whose unit the line is given"),
        "LINECHAN": (owner[1], "channel in whose unit the line is given"),
        "SOLVED": (solved, "whether the line could be separated"),
    }
    by_channel = dict(zip(channels, response, strict=True))
    for channel in channels or ("R", "G", "B"):
        keywords[f"BRESP_{channel}"] = (
            float(by_channel.get(channel, 0.0)),
            "line in broadband channel per unit of line",
        )
    return keywords


def write_line(layout, line, solution, index, broad):
    """Write line number ``index`` of a LineSolution; ``broad`` is the FilterSetData of the continuum, or None."""
    known = np.isfinite(solution.line_variance[index])
    channels = broad.image.channels if broad else ()
    response = solution.broadband_response[:, index] if broad else ()
    write_fits(
        layout.line(line.name),
        np.where(known, solution.lines[index], 0.0).astype(np.float32),
        extensions={
            "VARIANCE": solution.line_variance[index],
            "FILLED": (solution.filled & known).astype(np.uint8),
            "SIGNIFICANCE": significance(
                solution.lines[index], solution.line_variance[index], solution.notes["psf_target_fwhm_px"]
            ),
        },
        keywords=_line_keywords(
            line, solved=True, owner=solution.owners[index], response=response, channels=channels
        ),
        history=[
            "lines: generalised least squares of continuum and lines on all channels at one PSF",
            "lines: flux is what the line gives in channel LINECHAN of set LINESET",
            "lines: FILLED marks pixels under star remnants, interpolated from around",
            "lines: SIGNIFICANCE is the mean over a star's width in units of its standard error",
        ],
    )


def write_empty_line(layout, line, shape):
    """Write the file of a line that was asked for and could not be separated."""
    write_fits(
        layout.line(line.name),
        np.zeros(shape, dtype=np.float32),
        extensions={
            "VARIANCE": np.full(shape, np.nan, np.float32),
            "FILLED": np.zeros(shape, np.uint8),
            "SIGNIFICANCE": np.full(shape, np.nan, np.float32),
        },
        keywords=_line_keywords(line, solved=False),
        history=["lines: this line could not be separated; see the QA record"],
    )


def write_continuum(layout, continuum, broad, shape, solved, haloes=None):
    """Write the continuum, a LinearImage or None, and say which lines were taken off; keep ``haloes``, if any were."""
    if continuum is None:
        nothing = np.zeros((3, *shape), dtype=np.float32)
        continuum = LinearImage(nothing, np.full_like(nothing, np.nan), nothing)
        note = "no set measures the continuum; nothing is covered"
    else:
        removed = f"minus its share of {', '.join(solved)}" if solved else "as it is, no line to remove"
        note = f"flattened {broad.name} {removed}, at its own PSF"
    history = [f"lines: {note}"]
    if haloes is not None:
        history.append("lines: HALOES holds the discs that were taken off round bright stars")
    write_linear(
        layout.continuum(),
        continuum,
        extensions={} if haloes is None else {HALOES: haloes},
        keywords={
            "CONTSET": (broad.name if broad else "", "filter set that measures the continuum"),
            "HALODISC": (haloes is not None, "whether HALOES holds discs that were taken off"),
        },
        history=history,
    )
