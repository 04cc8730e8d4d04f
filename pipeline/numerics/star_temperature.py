"""Temperature and colour of stars, taken as black bodies.

References
----------
.. [1] F. J. Ballesteros, "New insights into black bodies", EPL 97 (2012) 34008: temperature from B - V (from memory).
.. [2] M. J. Pecaut, E. E. Mamajek, "Intrinsic colors, temperatures, and bolometric corrections of pre-main-sequence
   stars", ApJS 208 (2013) 9: B - V of dwarfs (from memory, rounded to 0.01).
"""

from dataclasses import dataclass

import numpy as np

from pipeline.numerics.spectrum import black_body_photons, in_band

__all__ = ["CLASS_PATTERN", "Locus", "b_v_of", "class_temperature", "locus", "temperature_of"]

SCALE_K, SLOPE, FIRST, SECOND = 4600.0, 0.92, 1.7, 0.62
"""Constants of T = 4600 K (1 / (0.92 (B - V) + 1.7) + 1 / (0.92 (B - V) + 0.62)) [1]_."""

CLASS_PATTERN = r"[OBAFGKM][0-9](\.[0-9])?V?"
"""Spectral classes of dwarfs, like G2 or K0.5V."""

DWARFS_B_V = {
    "O5": -0.32, "B0": -0.30, "B2": -0.21, "B5": -0.16, "B8": -0.11, "A0": 0.00, "A2": 0.07, "A5": 0.16,
    "F0": 0.29, "F2": 0.37, "F5": 0.44, "F8": 0.53, "G0": 0.60, "G2": 0.65, "G5": 0.68, "G8": 0.74,
    "K0": 0.82, "K2": 0.90, "K5": 1.13, "K7": 1.33, "M0": 1.43, "M2": 1.50, "M4": 1.65,
}  # fmt: skip
"""B - V by spectral class [2]_."""

TEMPERATURES_K = np.geomspace(2500.0, 40000.0, 241)
"""Grid of the locus; neighbours differ by 1.2 %, and interpolation by much less."""


def temperature_of(b_v):
    """Temperature in K of a star of colour index B - V [1]_."""
    u = SLOPE * np.asarray(b_v, dtype=np.float64)
    return SCALE_K * (1 / (u + FIRST) + 1 / (u + SECOND))


def b_v_of(temperature_k):
    """B - V of a temperature: the larger root of q u^2 + (q (a + b) - 2) u + q a b - (a + b) = 0, with u = 0.92 (B - V),
    q = T / 4600 K, and a, b the constants 1.7 and 0.62; inverse of :func:`temperature_of`.
    """
    q = np.asarray(temperature_k, dtype=np.float64) / SCALE_K
    total = FIRST + SECOND
    half = 0.5 * (q * total - 2)
    return (-half + np.sqrt(half**2 - q * (q * FIRST * SECOND - total))) / q / SLOPE


def class_temperature(spectral_class):
    """Temperature in K of a dwarf, like "G2", "G2V" or "K0.5V"; between the classes of the table, interpolated.

    Raises
    ------
    ValueError
        For a class outside O5 to M4.
    """
    letters = "OBAFGKM"

    def rank(text):
        return 10 * letters.index(text[0]) + float(text[1:].rstrip("V"))

    ranks = [rank(name) for name in DWARFS_B_V]
    if not ranks[0] <= rank(spectral_class) <= ranks[-1]:
        raise ValueError(f"spectral classes go from O5 to M4, got {spectral_class}")
    return float(temperature_of(np.interp(rank(spectral_class), ranks, list(DWARFS_B_V.values()))))


@dataclass(frozen=True)
class Locus:
    """Colours of black bodies as a camera sees them.

    Attributes
    ----------
    red, blue : (n,) ln(R / G) and ln(B / G) at ``TEMPERATURES_K``
    """

    red: np.ndarray
    blue: np.ndarray

    @property
    def length(self):
        """Distance between the colours of 3000 and 10000 K."""
        ends = self.at(np.array([3000.0, 10000.0]))
        return float(np.hypot(*(ends[:, 1] - ends[:, 0])))

    def at(self, temperature_k):
        """(2, ...) colours at a temperature."""
        x, grid = np.log(temperature_k), np.log(TEMPERATURES_K)
        return np.array([np.interp(x, grid, self.red), np.interp(x, grid, self.blue)])

    def place(self, red, blue):
        """For stars of the given colours: temperature of the nearest point, and the offset from it.

        Parameters
        ----------
        red, blue : (n,) ln(R / G), ln(B / G)

        Returns
        -------
        temperature_k : (n,)
        offset : (2, n)
        """
        d_red = np.asarray(red)[:, None] - self.red
        d_blue = np.asarray(blue)[:, None] - self.blue
        nearest = np.argmin(d_red**2 + d_blue**2, axis=1)
        rows = np.arange(len(nearest))
        return TEMPERATURES_K[nearest], np.array([d_red[rows, nearest], d_blue[rows, nearest]])


def locus(channel_curves):
    """The :class:`Locus` of a camera.

    Parameters
    ----------
    channel_curves : for R, G and B, the sequence of Curve whose product is the response

    Returns
    -------
    Locus, or None if a channel sees nothing
    """
    logs = []
    for curves in channel_curves:
        light = [
            in_band(lambda nm, t=temperature: black_body_photons(nm, t), *curves)
            for temperature in TEMPERATURES_K
        ]
        if not min(light) > 0:
            return None
        logs.append(np.log(light))
    return Locus(logs[0] - logs[1], logs[2] - logs[1])
