"""Colour as the eye and the display define it.

References
----------
.. [1] C. Wyman, P.-P. Sloan, P. Shirley, "Simple analytic approximations to the CIE XYZ color matching functions", Journal of
   Computer Graphics Techniques 2 (2013) 1: multi-lobe fit to the CIE 1931 2-degree observer (coefficients from memory).
.. [2] IEC 61966-2-1:1999, the sRGB colour space: primaries, D65 white, transfer function.
"""

import numpy as np

__all__ = ["LUMINANCE", "colour_matching", "line_primaries", "srgb_decode", "srgb_encode"]

LOBES = {
    "x": ((1.056, 599.8, 37.9, 31.0), (0.362, 442.0, 16.0, 26.7), (-0.065, 501.1, 20.4, 26.2)),
    "y": ((0.821, 568.8, 46.9, 40.5), (0.286, 530.9, 16.3, 31.1)),
    "z": ((1.217, 437.0, 11.8, 36.0), (0.681, 459.0, 26.0, 13.8)),
}
"""Height, centre, and widths below and above the centre (nm) of the Gaussian lobes [1]_."""

XYZ_TO_SRGB = np.array([[3.2406, -1.5372, -0.4986], [-0.9689, 1.8758, 0.0415], [0.0557, -0.2040, 1.0570]])
"""CIE XYZ to linear sRGB [2]_."""

LUMINANCE = np.array([0.2126, 0.7152, 0.0722])
"""Luminance of the linear sRGB primaries [2]_."""


def colour_matching(wavelength_nm):
    """(3,) CIE 1931 x, y, z of monochromatic light."""
    values = []
    for lobes in LOBES.values():
        total = 0.0
        for height, centre, below, above in lobes:
            width = below if wavelength_nm < centre else above
            total += height * np.exp(-0.5 * ((wavelength_nm - centre) / width) ** 2)
        values.append(total)
    return np.array(values)


def line_primaries(wavelength_nm, *, purity=1.0):
    """Linear sRGB colour of a spectral line, largest component 1.

    A line lies outside what a display can show; white is added until no component is negative, which keeps the hue.

    Parameters
    ----------
    wavelength_nm : 380 to 780
    purity : 1 for the purest colour in the gamut, 0 for white
    """
    rgb = XYZ_TO_SRGB @ colour_matching(wavelength_nm)
    rgb = rgb - min(rgb.min(), 0.0)
    rgb = rgb / rgb.max()
    return purity * rgb + (1.0 - purity)


def srgb_encode(linear):
    """Linear light 0..1 to encoded values 0..1 [2]_."""
    linear = np.clip(linear, 0.0, 1.0)
    return np.where(linear <= 0.0031308, 12.92 * linear, 1.055 * np.power(linear, 1 / 2.4) - 0.055)


def srgb_decode(encoded):
    """Inverse of :func:`srgb_encode`."""
    encoded = np.clip(encoded, 0.0, 1.0)
    return np.where(encoded <= 0.04045, encoded / 12.92, np.power((encoded + 0.055) / 1.055, 2.4))
