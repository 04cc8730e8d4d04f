"""The level and normalisation of flats, per place in the colour pattern."""

from dataclasses import dataclass

import numpy as np

__all__ = ["FlatLevel", "flat_level", "normalise"]

LEVEL_STRIDE = 4
"""Every so many cells count for the level of a flat; thousands of pixels are left even on a small sensor."""

PLACES = tuple((dy, dx) for dy in (0, 1) for dx in (0, 1))
"""Places of the 2 x 2 cell, row by row."""


@dataclass(frozen=True)
class FlatLevel:
    """Of one flat.

    Attributes
    ----------
    signal : (2, 2) ADU above the pedestal, per place in the cell; the places of one colour have the same
    greens : levels of the two green places by themselves; for a mono sensor of two places
    clipped_share : share of the pixels at the highest value of the frame
    """

    signal: np.ndarray
    greens: tuple
    clipped_share: float


def flat_level(raw, pedestal, cfa):
    """Level of a flat: per colour the mean of the middle half of its pixels, which dust and stars do not move.

    Parameters
    ----------
    raw : (ny, nx) ADU
    pedestal : (ny, nx) or number, ADU
    cfa : Cfa

    Returns
    -------
    FlatLevel
    """
    stride = 2 * LEVEL_STRIDE
    signal = np.empty((2, 2))
    for dy, dx in PLACES:
        place = (slice(dy, None, stride), slice(dx, None, stride))
        dark = pedestal[place] if np.ndim(pedestal) else pedestal
        signal[dy, dx] = _midmean(raw[place].astype(np.float64) - dark)
    greens = tuple(float(signal[place]) for place in cfa.offsets(cfa.channels[len(cfa.channels) // 2])[:2])
    clipped = float(np.count_nonzero(raw == raw.max()) / raw.size)
    return FlatLevel(_shared(signal, cfa), greens, clipped)


def normalise(flat, variance, good, cfa):
    """Make a flat 1 on average over the good pixels of each colour, in place.

    Both greens share one constant: their ratio belongs to the sensor, not to the light.

    Parameters
    ----------
    flat, variance : (ny, nx) float32
    good : (ny, nx) bool
    cfa : Cfa

    Returns
    -------
    (2, 2) constants by which the places were divided
    """
    means = np.empty((2, 2))
    for dy, dx in PLACES:
        plane, usable = flat[dy::2, dx::2], good[dy::2, dx::2]
        means[dy, dx] = plane.mean(dtype=np.float64, where=usable) if usable.any() else 1.0
    constants = _shared(means, cfa)
    for dy, dx in PLACES:
        flat[dy::2, dx::2] /= np.float32(constants[dy, dx])
        variance[dy::2, dx::2] /= np.float32(constants[dy, dx] ** 2)
    return constants


def _shared(values, cfa):
    """(2, 2) values averaged over the places of one colour."""
    shared = np.empty((2, 2))
    for channel in cfa.channels:
        places = cfa.offsets(channel)
        mean = np.mean([values[place] for place in places])
        for place in places:
            shared[place] = mean
    return shared


def _midmean(values):
    ordered = np.sort(values, axis=None)
    quarter = ordered.size // 4
    return float(ordered[quarter : ordered.size - quarter].mean())
