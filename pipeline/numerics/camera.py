"""What a camera does to light: the variance of a calibrated pixel."""

from dataclasses import dataclass

import numpy as np

__all__ = ["NoiseModel"]


@dataclass(frozen=True)
class NoiseModel:
    """Variance of a calibrated pixel.

    With F the flat field, t the exposure, D the thermal rate and R the read noise, a pixel that shows the rate r
    (sky and sources, electrons per second) has collected r F t electrons of light and D t thermal ones, so

        V = (max(r, 0) F t + D t + R^2 + P) / (F t)^2 + r^2 f      in (electron/s)^2,

    the photon transfer relation of a linear camera [1]_ divided by the square of what calibration divides by, with
    the noise that the masters bring in: P of the subtracted pedestal, f of the flat. Both are the same in all
    frames of a session that see a place with the same pixel; with dithering they average out like the rest.

    Attributes
    ----------
    electrons_per_adu : e-/ADU
    read_noise_e : e-
    exposure_s : s
    thermal_e_s : thermal rate, e-/s per pixel, common to all pixels
    pedestal_variance_e2 : variance of the subtracted master, e-^2
    flat_variance : relative variance of the master flat

    References
    ----------
    .. [1] EMVA Standard 1288, release 4.0, section 2 (from memory): sigma_y^2 = K^2 sigma_d^2 + sigma_q^2 +
       K (mu_y - mu_y.dark), K in ADU per electron.
    """

    electrons_per_adu: float
    read_noise_e: float
    exposure_s: float
    thermal_e_s: float = 0.0
    pedestal_variance_e2: float = 0.0
    flat_variance: float = 0.0

    def variance(self, rate, *, flat=1.0):
        """Variance of pixels at ``rate`` (array or number, e-/s) where the flat field is ``flat``."""
        seen = flat * self.exposure_s
        bright = np.maximum(rate, 0.0)
        without_light = self.thermal_e_s * self.exposure_s + self.read_noise_e**2 + self.pedestal_variance_e2
        return (bright * seen + without_light) / seen**2 + bright**2 * self.flat_variance

    def coefficients(self, flat=1.0):
        """(a, b, c) of V = a r + b + c r^2, r not below 0, where the flat field is ``flat`` (array or number).

        Returns
        -------
        (..., 3) float64
        """
        seen = np.asarray(flat, dtype=np.float64) * self.exposure_s
        without_light = self.thermal_e_s * self.exposure_s + self.read_noise_e**2 + self.pedestal_variance_e2
        return np.stack(
            [1.0 / seen, without_light / seen**2, np.full_like(seen, self.flat_variance)], axis=-1
        )
