"""Curves of a filter set: what its filter passes and what the sensor's channels see, from config and files."""

import numpy as np

from pipeline.errors import InputError
from pipeline.numerics.spectrum import (
    LINES,
    Curve,
    constant_curve,
    line_response,
    read_curves,
    top_hat,
    typical_response,
)
from pipeline.settings.filters import lines_of, passbands_of

__all__ = ["channel_responses", "owner_channel", "transmission_of"]


def channel_responses(channels, response_path):
    """Response curve of each channel of an image.

    Parameters
    ----------
    channels : names, ("R", "G", "B") or ("L",)
    response_path : CSV of the sensor's response, or None for the typical one

    Returns
    -------
    tuple of Curve

    Raises
    ------
    InputError
        If a channel has no curve.
    """
    responses = read_curves(response_path) if response_path else typical_response()
    missing = [channel for channel in channels if channel not in responses]
    if missing == ["L"] and {"R", "G", "B"} <= set(responses):
        # A sensor without colour filters, and curves of one with them: their mean has the right shape at least.
        return (_mean_curve([responses[c] for c in "RGB"]),)
    if missing:
        raise InputError(
            f"{response_path}: expected a column for channel {missing[0]}, found {', '.join(responses)}"
        )
    return tuple(responses[channel] for channel in channels)


def transmission_of(entry):
    """Transmission of the filter of a filter set: its curve, else its passbands, else everything.

    Raises
    ------
    InputError
        If the file of the curve has no column ``transmission``.
    """
    if entry["transmission"]:
        curves = read_curves(entry["transmission"])
        if "transmission" not in curves:
            raise InputError(
                f"{entry['transmission']}: expected a column transmission, found {', '.join(curves)}"
            )
        return curves["transmission"]
    bands = passbands_of(entry)
    return top_hat(bands) if bands else constant_curve()


def owner_channel(line, entry, responses):
    """Index of the channel of a filter set that sees ``line`` best; None if the set is not made for it."""
    if line not in lines_of(entry):
        return None
    transmission = transmission_of(entry)
    seen = [line_response(LINES[line], transmission, response) for response in responses]
    return int(np.argmax(seen)) if max(seen) > 0 else None


def _mean_curve(curves):
    grid = np.unique(np.concatenate([curve.wavelength_nm for curve in curves]))
    return Curve(grid, np.mean([curve(grid) for curve in curves], axis=0))
