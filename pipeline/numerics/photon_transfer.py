"""Conversion gain and read noise of a camera, measured on pairs of frames.

After the mean-variance method of EMVA Standard 1288, release 4.0 (equations from memory): the difference of two
frames under the same light has no fixed pattern, and its variance grows with the signal as
K (mu - mu_dark) + K^2 sigma_d^2 + sigma_q^2 per frame, K in ADU per electron, sigma_q^2 = 1/12 ADU^2.
"""

import numpy as np

from pipeline.numerics.robust import MAD_TO_SIGMA

__all__ = ["QUANTISATION_ADU2", "photon_transfer_gain", "read_noise_adu"]

QUANTISATION_ADU2 = 1.0 / 12.0
"""Variance of rounding to whole ADU."""

BLOCK_PX = 32
"""Edge of the blocks in which a pair of flats is compared: small against vignetting, 1024 pixels for a variance
that is good to 4 %."""

MIN_BLOCKS = 8
"""Fewer blocks give no median worth the name."""

CLIP_SIGMA = 5.0
"""Differences beyond are particle hits and unstable pixels; of normal noise one value in two million is lost."""


def read_noise_adu(first, second):
    """Noise of one frame from two without light: scatter of their difference over sqrt(2), in ADU.

    Rounding to whole ADU is part of it, as it is of every frame.

    Parameters
    ----------
    first, second : (ny, nx) frames of the same exposure; what is not finite does not count

    Returns
    -------
    float, ADU; NaN if nothing is left
    """
    difference = np.asarray(first, dtype=np.float64) - np.asarray(second, dtype=np.float64)
    difference = difference[np.isfinite(difference)]
    return float(np.sqrt(_clipped_variance(difference[None])[0] / 2.0)) if difference.size else np.nan


def photon_transfer_gain(first, second, pedestal, *, read_noise=None, block=BLOCK_PX):
    """Conversion gain from two flats, in electrons per ADU.

    With signals S and q S over the pedestal, the difference F1 - F2 / q removes the fixed pattern whatever the
    change of the light; its variance is S (1 + 1/q) / g + (1 + 1/q^2) R^2, hence

        g = S (1 + 1/q) / (Var - (1 + 1/q^2) R^2).

    It is evaluated in blocks, with the ratio q of each block since the light may shift as well, and the
    median of the blocks is taken.

    Parameters
    ----------
    first, second : (ny, nx) raw flats, pixels of one colour only, ADU
    pedestal : (ny, nx) or number, ADU
    read_noise : ADU, rounding included; None if unknown, then only rounding is taken off
    block : edge of a block, pixels

    Returns
    -------
    float, e-/ADU; NaN where the frames are too small or too dark
    """
    first = np.asarray(first, dtype=np.float64) - pedestal
    second = np.asarray(second, dtype=np.float64) - pedestal
    ny, nx = (n // block * block for n in first.shape)
    if ny * nx < MIN_BLOCKS * block**2:
        return np.nan

    def blocks(plane):
        cut = plane[:ny, :nx].reshape(ny // block, block, nx // block, block)
        return cut.transpose(0, 2, 1, 3).reshape(-1, block * block)

    first, second = blocks(first), blocks(second)
    level, other = np.median(first, axis=1), np.median(second, axis=1)
    lit = (level > 0) & (other > 0) & np.isfinite(first).all(axis=1) & np.isfinite(second).all(axis=1)
    if lit.sum() < MIN_BLOCKS:
        return np.nan
    ratio = other[lit] / level[lit]
    variance = _clipped_variance(first[lit] - second[lit] / ratio[:, None])
    without_light = QUANTISATION_ADU2 if read_noise is None else read_noise**2
    shot = variance - (1 + 1 / ratio**2) * without_light
    if np.median(shot) <= 0:
        return np.nan
    return float(1.0 / np.median(shot / (level[lit] * (1 + 1 / ratio))))


def _clipped_variance(rows):
    """Variance along each row after one clipping about the median; exact for whole numbers, unlike a deviation."""
    rows = rows - np.median(rows, axis=1, keepdims=True)
    # The deviation of whole numbers is a whole number, useless for a noise of about one ADU; hence at least 1.
    scatter = np.maximum(MAD_TO_SIGMA * np.median(np.abs(rows), axis=1, keepdims=True), 1.0)
    inside = np.abs(rows) <= CLIP_SIGMA * scatter
    count = inside.sum(axis=1)
    mean = np.where(inside, rows, 0.0).sum(axis=1) / count
    square = np.where(inside, (rows - mean[:, None]) ** 2, 0.0).sum(axis=1)
    return square / np.maximum(count - 1, 1)
