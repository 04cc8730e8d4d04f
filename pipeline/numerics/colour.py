"""Colour as the eye and the display define it.

References
----------
.. [1] ISO/CIE 11664-1:2019, CIE standard colorimetric observers: the colour-matching functions of 1931.
.. [2] IEC 61966-2-1:1999, the sRGB colour space: primaries, D65 white, transfer function.
.. [3] ISO/CIE 11664-4:2019, CIE 1976 L*a*b* colour space.
"""

from functools import cache
from pathlib import Path

import numpy as np

from pipeline.numerics.spectrum import read_curves

__all__ = ["LUMINANCE", "colour_matching", "hue_angle", "line_primaries", "srgb_decode", "srgb_encode"]

OBSERVER_PATH = Path(__file__).resolve().parent.parent / "data" / "cie_1931_observer.csv"
"""Table of the observer [1]_ at 1 nm, between whose lines linear interpolation errs by less than 1e-3."""

XYZ_TO_SRGB = np.array([[3.2406, -1.5372, -0.4986], [-0.9689, 1.8758, 0.0415], [0.0557, -0.2040, 1.0570]])
"""CIE XYZ to linear sRGB [2]_."""

LUMINANCE = np.array([0.2126, 0.7152, 0.0722])
"""Luminance of the linear sRGB primaries [2]_."""

WHITE_XYZ = np.linalg.inv(XYZ_TO_SRGB).sum(axis=1)
"""XYZ of the display's white, D65."""

EDGE_STEPS = 2048
"""Steps on each of the six edges of the display's colour cube on which its purest colours lie: half a level of
11 bits."""


def colour_matching(wavelength_nm):
    """(3,) CIE 1931 x, y, z of monochromatic light [1]_; zero outside 380 to 780 nm."""
    return np.array([float(curve(wavelength_nm)) for curve in _observer()])


def hue_angle(xyz):
    """CIELAB hue angle atan2(b*, a*) [3]_ in radians, of light as bright as the display's white.

    Parameters
    ----------
    xyz : (..., 3) CIE XYZ, Y > 0

    Returns
    -------
    (...) float64
    """
    ratio = np.asarray(xyz, dtype=np.float64) / np.asarray(xyz)[..., 1:2] / (WHITE_XYZ / WHITE_XYZ[1])
    step = 6 / 29
    f = np.where(ratio > step**3, np.cbrt(ratio), ratio / (3 * step**2) + 4 / 29)
    return np.arctan2(200 * (f[..., 1] - f[..., 2]), 500 * (f[..., 0] - f[..., 1]))


def line_primaries(components, *, purity=1.0):
    """Linear sRGB colour of the light of spectral lines, largest component 1.

    What the eye would see is the sum over the components of energy times the colour-matching functions [1]_. No
    display can show it; shown is the purest colour of the display that has the same hue [3]_. Hue and not
    chromaticity is kept, since adding white to light in a straight line of chromaticity changes its hue.

    Parameters
    ----------
    components : ((wavelength in nm, photons), ...), 380 to 780 nm
    purity : 1 for the purest colour in the gamut, 0 for white

    Returns
    -------
    (3,) float64

    Raises
    ------
    ValueError
        If the eye does not see the light.
    """
    # A photon carries an energy of h c / wavelength.
    xyz = sum(photons / nm * colour_matching(nm) for nm, photons in components)
    if not xyz[1] > 0:
        raise ValueError(f"light at {', '.join(f'{nm:g}' for nm, _ in components)} nm is not visible")
    edge, hues = _purest()
    apart = np.abs(np.angle(np.exp(1j * (hues - hue_angle(xyz)))))
    return purity * edge[np.argmin(apart)] + (1.0 - purity)


def srgb_encode(linear):
    """Linear light 0..1 to encoded values 0..1 [2]_."""
    linear = np.clip(linear, 0.0, 1.0)
    return np.where(linear <= 0.0031308, 12.92 * linear, 1.055 * np.power(linear, 1 / 2.4) - 0.055)


def srgb_decode(encoded):
    """Inverse of :func:`srgb_encode`."""
    encoded = np.clip(encoded, 0.0, 1.0)
    return np.where(encoded <= 0.04045, encoded / 12.92, np.power((encoded + 0.055) / 1.055, 2.4))


@cache
def _observer():
    """Curves x, y, z."""
    curves = read_curves(OBSERVER_PATH)
    return tuple(curves[name] for name in "xyz")


@cache
def _purest():
    """(n, 3) the display's purest colours, from red through yellow, green, cyan, blue, magenta; (n,) their hues."""
    around = np.arange(6 * EDGE_STEPS) / EDGE_STEPS
    away = [np.abs((around - centre + 3) % 6 - 3) for centre in (0, 2, 4)]
    edge = np.clip(2 - np.stack(away, axis=1), 0, 1)
    return edge, hue_angle(edge @ np.linalg.inv(XYZ_TO_SRGB).T)
