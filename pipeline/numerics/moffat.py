"""The Moffat profile of stars: its width, its light and its shape in closed form.

Moffat (1969, A&A 3, 455), from memory: I(r) = A (1 + r^2 / alpha^2)^(-beta). Here r^2 / alpha^2 is a general
quadratic form of the offset, so a star may be elongated in any direction.
"""

import numpy as np

__all__ = [
    "GAUSSIAN_FWHM_PER_SIGMA",
    "enclosed_fraction",
    "moffat_fwhm",
    "noise_area",
    "quadratic_form",
]

GAUSSIAN_FWHM_PER_SIGMA = 2.0 * np.sqrt(2.0 * np.log(2.0))
"""FWHM of a Gaussian in standard deviations."""


def moffat_fwhm(alpha, beta):
    """FWHM = 2 alpha sqrt(2^(1/beta) - 1) of a round Moffat profile."""
    return 2.0 * np.asarray(alpha) * np.sqrt(2.0 ** (1.0 / np.asarray(beta)) - 1.0)


def enclosed_fraction(radius, fwhm, beta):
    """Part of the flux within ``radius``: 1 - (1 + r^2 / alpha^2)^(1 - beta), for beta > 1."""
    alpha = fwhm / moffat_fwhm(1.0, beta)
    return 1.0 - (1.0 + (radius / alpha) ** 2) ** (1.0 - beta)


def noise_area(fwhm, beta):
    """Noise-equivalent area 1 / sum(P^2), px^2, of a unit-flux Moffat: pi alpha^2 (2 beta - 1) / (beta - 1)^2.

    The variance of an optimally weighted flux is this times the variance of a pixel (King 1983, PASP 95, 163,
    from memory); the closed form follows from integrating P and P^2.
    """
    alpha = fwhm / moffat_fwhm(1.0, beta)
    return np.pi * alpha**2 * (2.0 * beta - 1.0) / (beta - 1.0) ** 2


def quadratic_form(fwhm, elongation, angle, beta):
    """(a, b, c) of q = a dx^2 + 2 b dx dy + c dy^2, in profile (1 + q)^-beta.

    Parameters
    ----------
    fwhm : geometric mean of the widths along the two axes, pixels
    elongation : long axis / short axis
    angle : of the long axis, from x towards y, radians
    """
    steepness = 4.0 * (2.0 ** (1.0 / beta) - 1.0)
    along = steepness / (fwhm**2 * elongation)
    across = steepness * elongation / fwhm**2
    cos, sin = np.cos(angle), np.sin(angle)
    return (
        along * cos**2 + across * sin**2,
        (along - across) * cos * sin,
        along * sin**2 + across * cos**2,
    )
