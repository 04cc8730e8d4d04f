"""The curves behind a stack's channels: response of the sensor and transmission of the filter, as the config has them."""

import numpy as np

from pipeline.errors import InputError
from pipeline.numerics.spectrum import Curve, constant_curve, read_curves, top_hat, typical_response
from pipeline.settings.filters import passbands_of

__all__ = ["sensor_curves", "transmission_curve"]


def sensor_curves(channels, response_path):
    """Response of each channel, as a tuple of Curve.

    Parameters
    ----------
    channels : sequence of names, like ("R", "G", "B") or ("L",)
    response_path : CSV of the sensor's response, or None for the typical one

    Raises
    ------
    InputError
        If the file lacks a channel.
    """
    responses = read_curves(response_path) if response_path else typical_response()
    missing = [channel for channel in channels if channel not in responses]
    if missing == ["L"] and {"R", "G", "B"} <= set(responses):
        # A sensor without colour filters, and curves of one with them: their mean has the right shape at least.
        grid = np.unique(np.concatenate([responses[c].wavelength_nm for c in "RGB"]))
        return (Curve(grid, np.mean([responses[c](grid) for c in "RGB"], axis=0)),)
    if missing:
        raise InputError(
            f"{response_path}: expected a column for channel {missing[0]}, found {', '.join(responses)}"
        )
    return tuple(responses[channel] for channel in channels)


def transmission_curve(entry):
    """Transmission of a filter set's filter: its measured curve, its passbands, or none.

    Raises
    ------
    InputError
        If the file of the curve has no column ``transmission``.
    """
    if not entry["transmission"]:
        bands = passbands_of(entry)
        return top_hat(bands) if bands else constant_curve()
    curves = read_curves(entry["transmission"])
    if "transmission" not in curves:
        raise InputError(
            f"{entry['transmission']}: expected a column transmission, found {', '.join(curves)}"
        )
    return curves["transmission"]
