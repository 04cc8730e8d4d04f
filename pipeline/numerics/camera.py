"""What a camera does to light: the variance of a calibrated pixel, and gain and noise measured from pairs."""

from dataclasses import dataclass

import numpy as np

from pipeline.numerics.robust import mad_std

__all__ = ["NoiseModel", "photon_transfer_gain", "read_noise_adu"]

BLOCK_PX = 32
"""Edge of the blocks in which a pair of flats is compared: small against vignetting, 1024 pixels for a variance
that is good to 4 %."""

MIN_BLOCKS = 8
"""Fewer blocks give no median worth the name."""


@dataclass(frozen=True)
class NoiseModel:
    """Variance of a calibrated pixel.

    With F the flat field, t the exposure, D the thermal rate and R the read noise, a pixel that shows the rate r
    (sky and sources, electrons per second) has collected r F t electrons of light and D t thermal ones, so

        V = (max(r, 0) F t + D t + R^2) / (F t)^2      in (electron/s)^2,

    the photon transfer relation of a linear camera [1]_ divided by the square of what calibration divides by.

    Attributes
    ----------
    electrons_per_adu : e-/ADU
    read_noise_e : e-
    exposure_s : s
    thermal_e_s : thermal rate, e-/s per pixel, common to all pixels

    References
    ----------
    .. [1] EMVA Standard 1288, release 4.0, equation 9 (from memory): sigma_y^2 = K^2 sigma_d^2 + K (mu_y - mu_dark).
    """

    electrons_per_adu: float
    read_noise_e: float
    exposure_s: float
    thermal_e_s: float = 0.0

    def variance(self, rate, *, flat=1.0):
        """Variance of pixels at ``rate`` (array or number, e-/s) where the flat field is ``flat``."""
        collected = np.maximum(rate, 0.0) * flat * self.exposure_s + self.thermal_e_s * self.exposure_s
        return (collected + self.read_noise_e**2) / (flat * self.exposure_s) ** 2


def read_noise_adu(first, second):
    """Read noise from two frames without light: scatter of their difference over sqrt(2), in ADU.

    The median absolute deviation keeps hot pixels and particle hits out. Rounding to whole ADU adds 1/12 ADU^2
    to each frame, which is part of the read noise as the pipeline sees it.

    Parameters
    ----------
    first, second : (ny, nx) frames of the same exposure

    Returns
    -------
    float, ADU
    """
    difference = np.asarray(first, dtype=np.float64) - np.asarray(second, dtype=np.float64)
    # The deviation of whole numbers is a whole number: useless for a noise of about one ADU. A uniform jitter
    # within each step would need a seed; the mean square within the central part needs none.
    scatter = mad_std(difference)
    centre = np.median(difference)
    inside = np.abs(difference - centre) <= 4.0 * max(scatter, 1.0)
    return float(np.sqrt(np.mean((difference[inside] - difference[inside].mean()) ** 2) / 2.0))


def photon_transfer_gain(first, second, pedestal, *, read_noise, block=BLOCK_PX):
    """Conversion gain from two flats, in electrons per ADU.

    With signals S1 and S2 = q S1 over the pedestal, the difference F1 - F2 / q removes the fixed pattern whatever
    the change of the light, and its variance is S1 (1 + 1/q) / g + (1 + 1/q^2) R^2, hence

        g = S1 (1 + 1/q) / (Var - (1 + 1/q^2) R^2)

    the mean-variance method of EMVA Standard 1288 for a pair of unequal level. It is evaluated in blocks, and the
    median of the blocks is taken.

    Parameters
    ----------
    first, second : (ny, nx) raw flats, one colour only, ADU
    pedestal : (ny, nx) or number, ADU
    read_noise : ADU
    block : edge of a block, pixels

    Returns
    -------
    float, e-/ADU; NaN where the frames are too small or too dark
    """
    first = np.asarray(first, dtype=np.float64) - pedestal
    second = np.asarray(second, dtype=np.float64) - pedestal
    ratio = np.median(second) / np.median(first)
    if not ratio > 0:
        return np.nan
    ny, nx = (n // block * block for n in first.shape)
    if ny * nx < MIN_BLOCKS * block**2:
        return np.nan

    def blocks(plane):
        cut = plane[:ny, :nx].reshape(ny // block, block, nx // block, block)
        return cut.transpose(0, 2, 1, 3).reshape(-1, block * block)

    level = np.median(blocks(first), axis=1)
    difference = blocks(first - second / ratio)
    difference = difference - np.median(difference, axis=1, keepdims=True)
    # Clip hits and hot pixels at 5 of the robust sigma, then take the plain variance: exact for whole numbers.
    inside = np.abs(difference) <= 5.0 * np.maximum(mad_std(difference, axis=1), 1.0)[:, None]
    count = inside.sum(axis=1)
    variance = np.where(inside, difference**2, 0.0).sum(axis=1) / np.maximum(count - 1, 1)
    shot = variance - (1 + 1 / ratio**2) * read_noise**2
    usable = (shot > 0) & (level > 0)
    if usable.sum() < MIN_BLOCKS:
        return np.nan
    return float(np.median(level[usable] * (1 + 1 / ratio) / shot[usable]))
