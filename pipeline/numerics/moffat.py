"""The Moffat profile of stars: its width, its light and its shape in closed form.

Moffat (1969, A&A 3, 455), from memory: I(r) = A (1 + r^2 / alpha^2)^(-beta). Here r^2 / alpha^2 is a general
quadratic form of the offset, so a star may be elongated in any direction.
"""

import numpy as np
from scipy.optimize import least_squares

__all__ = [
    "GAUSSIAN_FWHM_PER_SIGMA",
    "enclosed_fraction",
    "light_fwhm",
    "moffat_fwhm",
    "noise_area",
    "quadratic_form",
]

GAUSSIAN_FWHM_PER_SIGMA = 2.0 * np.sqrt(2.0 * np.log(2.0))
"""FWHM of a Gaussian in standard deviations."""

PIXEL_NODES = 5
"""Gauss-Legendre nodes along a side of a pixel: exact to 1e-4 of the peak for a star of FWHM 1.2 px."""

NARROWEST_FWHM = 1.05
"""FWHM of the samples of a star that is itself hardly wider than a point, pixels."""

RADII_OF_FWHM, DIRECTIONS = (0.0, 2.5, 51), (0.0, np.pi / 8, np.pi / 4)
"""Where two profiles are compared: over the reach of the fits, along the axes of a pixel and its diagonal."""


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


def light_fwhm(fwhm, beta):
    """FWHM of the light that falls on the pixels, of a star whose samples show a Moffat profile.

    A pixel averages over its area, which widens a star: by 1 % at FWHM 6 px, by 13 % at 1.6 px. Sought is the round
    Moffat profile whose mean over square pixels comes closest to the one that was fitted to the samples.

    Parameters
    ----------
    fwhm, beta : as fitted to the samples, pixels

    Returns
    -------
    float, pixels; NaN for a profile as narrow as a pixel, whose light cannot be told
    """
    if not (np.isfinite(fwhm) and fwhm > NARROWEST_FWHM):
        return np.nan
    radius = np.linspace(RADII_OF_FWHM[0], RADII_OF_FWHM[1] * fwhm, RADII_OF_FWHM[2])
    nodes, weights = np.polynomial.legendre.leggauss(PIXEL_NODES)
    shift_x, shift_y = (0.5 * nodes[:, None], 0.5 * nodes[None, :])
    share = 0.25 * weights[:, None] * weights[None, :]
    dx, dy = (np.outer(function(DIRECTIONS), radius)[:, :, None, None] for function in (np.cos, np.sin))
    distance2 = (dx + shift_x) ** 2 + (dy + shift_y) ** 2
    seen = (1.0 + (radius / (fwhm / moffat_fwhm(1.0, beta))) ** 2) ** -beta
    # A ring counts with its area, as in a fit to pixels.
    weight = np.sqrt(radius + 0.25)

    def misfit(parameters):
        light, exponent = np.exp(parameters)
        alpha2 = (light / moffat_fwhm(1.0, exponent)) ** 2
        made = ((1.0 + distance2 / alpha2) ** -exponent * share).sum(axis=(2, 3))
        return (weight * (made * (seen @ made.T).sum() / (made**2).sum() - seen)).ravel()

    start = np.log([np.sqrt(fwhm**2 - GAUSSIAN_FWHM_PER_SIGMA**2 / 12.0), beta])
    limits = [start[0] - 1.0, np.log(1.05)], [start[0] + 1.0, np.log(100.0)]
    return float(np.exp(least_squares(misfit, np.clip(start, *limits), bounds=limits, xtol=1e-6).x[0]))
