"""Arithmetic of an optical train: plane glass, spacing, focus.

Lengths are in mm unless the name says otherwise, wavelengths in nm.
"""

import numpy as np

__all__ = [
    "GLASSES", "airy_zone_um", "defocus_diameter_um", "defocus_of_width_um", "focus_shift_mm", "quarter_wave_zone_um",
    "refractive_index",
]  # fmt: skip

GLASSES = {
    # Schott, data sheet N-BK7 (517642): n_d = 1.51680.
    "N-BK7": ((1.03961212, 0.231792344, 1.01046945), (0.00600069867, 0.0200179144, 103.560653)),
    # Malitson 1965, J. Opt. Soc. Am. 55, 1205: squares of the resonance wavelengths; n_d = 1.45846.
    "fused silica": (
        (0.6961663, 0.4079426, 0.8974794),
        (0.0684043**2, 0.1162414**2, 9.896161**2),
    ),
}
"""Sellmeier coefficients (B1..B3), (C1..C3 in um^2) of glasses whose dispersion is published."""

DISC_FWHM = 0.5887
"""FWHM of a Gaussian with the variance of a disc of diameter 1: a disc has 1/16 along each axis, a Gaussian
FWHM^2 / (8 ln 2)."""


def refractive_index(glass, wavelength_nm):
    """n of a glass of ``GLASSES``: n^2 = 1 + sum_i B_i L^2 / (L^2 - C_i), L in um (Sellmeier 1871)."""
    strengths, resonances = GLASSES[glass]
    square = (wavelength_nm / 1000.0) ** 2
    return float(
        np.sqrt(1.0 + sum(b * square / (square - c) for b, c in zip(strengths, resonances, strict=True)))
    )


def focus_shift_mm(thickness_mm, index):
    """By how much a plane plate in the converging beam moves the focus away from the optics: t (1 - 1/n).

    Paraxial (Born & Wolf, or any textbook of optics; it follows from Snell's law for small angles). At f/4 and n = 1.5 the
    rays of the rim come to focus 0.5 % of t further still.
    """
    return thickness_mm * (1.0 - 1.0 / index)


def defocus_diameter_um(defocus_mm, f_ratio):
    """Diameter of the disc that geometry makes of a point, that far from focus: defocus / f-ratio."""
    return 1000.0 * abs(defocus_mm) / f_ratio


def defocus_of_width_um(extra_fwhm_um, f_ratio):
    """Distance from focus that adds a width (in quadrature) of ``extra_fwhm_um``: the disc has that second moment."""
    return extra_fwhm_um / DISC_FWHM * f_ratio


def quarter_wave_zone_um(wavelength_nm, f_ratio):
    """Whole depth of focus by Rayleigh's quarter wave: 4 lambda N^2, half on either side.

    Born & Wolf, Principles of Optics, section 8.8 (from memory): a defocus d makes a wavefront error of d / (8 N^2).
    """
    return 4.0 * wavelength_nm / 1000.0 * f_ratio**2


def airy_zone_um(wavelength_nm, f_ratio):
    """Critical focus zone: the whole range in which the geometric disc is no larger than the Airy disc, 4.88 lambda N^2.

    The Airy disc measures 2.44 lambda N (first dark ring, Airy 1835), the geometric one defocus / N; both sides count.
    """
    return 2.0 * 2.44 * wavelength_nm / 1000.0 * f_ratio**2
