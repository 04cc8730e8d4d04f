"""Light as a function of wavelength: emission lines, black bodies, curves, and integrals over them.

Wavelengths are in nm and in air. A curve is a relative response or a transmission; a camera counts
photons, so band integrals are integrals of the photon spectrum.
"""

import csv
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from pipeline.errors import InputError

__all__ = [
    "HYDROGEN_RATIO",
    "LINES",
    "Curve",
    "Line",
    "black_body_photons",
    "constant_curve",
    "in_band",
    "line_response",
    "read_curves",
    "top_hat",
    "typical_response",
]

OIII_RATIO = 2.98
"""[O III] 500.7 / 495.9 in energy (Storey & Zeippen 2000, MNRAS 312, 813; from memory). Fixed by atomic physics."""

HYDROGEN_RATIO = 2.863
"""H-alpha / H-beta in energy of case B at 10^4 K and 100 electrons in a cubic centimetre (Storey & Hummer 1995, MNRAS 272, 41,
table 4.4 of Osterbrock & Ferland 2006; from memory)."""

SECOND_RADIATION_NM_K = 1.438776877e7
"""h c / k in nm K (CODATA 2018)."""

LIGHT_SPEED_NM_S = 2.99792458e17
"""Speed of light in nm/s (exact by definition)."""

STEP_NM = 0.5
"""Grid step of band integrals: a twentieth of a 10 nm passband, whose edges then err by less than 3 %."""

TYPICAL_RESPONSE_PATH = Path(__file__).resolve().parent.parent / "data" / "typical_cfa_response.csv"
"""The response that is assumed when the configuration gives none; the file states where it comes from."""


@dataclass(frozen=True)
class Line:
    """An emission line, or lines bound to each other by a fixed ratio.

    Attributes
    ----------
    name : how it is called in the configuration and in file names
    label : how it is written for people
    components : ((wavelength in air / nm, photons relative to the first), ...), the strongest first
    """

    name: str
    label: str
    components: tuple

    @property
    def wavelength_nm(self):
        """Wavelength of the strongest component."""
        return self.components[0][0]


LINES = {
    line.name: line
    for line in (
        Line("Ha", "H-alpha", ((656.279, 1.0),)),
        # Photons, not energy: the ratio in energy times the ratio of the wavelengths.
        Line("OIII", "[O III]", ((500.684, 1.0), (495.891, 495.891 / 500.684 / OIII_RATIO))),
        Line("Hb", "H-beta", ((486.135, 1.0),)),
        Line("NII", "[N II]", ((658.345, 1.0), (654.805, 654.805 / 658.345 / 3.05))),
        # The two depend on density; 1.4 is the low-density limit, fit for nebulae (from memory).
        Line("SII", "[S II]", ((671.644, 1.0), (673.082, 1.0 / 1.4))),
    )
}
"""Lines by name. Wavelengths in air: NIST Atomic Spectra Database (from memory)."""


@dataclass(frozen=True)
class Curve:
    """A piecewise linear function of wavelength, 0 outside its range.

    Attributes
    ----------
    wavelength_nm : (n,) float64, increasing
    value : (n,) float64
    """

    wavelength_nm: np.ndarray
    value: np.ndarray

    def __call__(self, wavelength_nm):
        """Value at ``wavelength_nm`` (any shape)."""
        return np.interp(wavelength_nm, self.wavelength_nm, self.value, left=0.0, right=0.0)


def constant_curve(low_nm=300.0, high_nm=1100.0):
    """No filter: transmission 1 wherever a silicon sensor responds."""
    return Curve(np.array([low_nm, high_nm]), np.ones(2))


def top_hat(passbands_nm, *, transmission=1.0):
    """Transmission of idealised passbands.

    Parameters
    ----------
    passbands_nm : sequence of (low, high), not overlapping
    """
    edge = 1e-6  # nm; makes the steps steep yet the grid strictly increasing
    wavelength, value = [], []
    for low, high in sorted(map(tuple, passbands_nm)):
        wavelength += [low - edge, low, high, high + edge]
        value += [0.0, transmission, transmission, 0.0]
    return Curve(np.array(wavelength, dtype=np.float64), np.array(value))


def read_curves(path):
    """Curves from a CSV file whose first column is ``wavelength_nm``; lines that start with # are comments.

    Returns
    -------
    dict column name -> Curve

    Raises
    ------
    InputError
        Naming the file and line of what is wrong.
    """
    try:
        text = Path(path).read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        raise InputError(f"{path}: cannot be read as a table of curves ({error})") from error
    rows = [
        (number, row)
        for number, row in enumerate(csv.reader(text.splitlines()), start=1)
        if row and not row[0].lstrip().startswith("#")
    ]
    names = [cell.strip() for cell in rows[0][1]] if rows else []
    if len(names) < 2 or names[0] != "wavelength_nm" or len(set(names)) < len(names):
        raise InputError(
            f"{path}: the first line should read wavelength_nm,<name>,...; found {','.join(names) or 'nothing'}"
        )
    table = []
    for number, row in rows[1:]:
        try:
            table.append([float(cell) for cell in row])
        except ValueError as error:
            raise InputError(f"{path}: line {number}: expected numbers, found {','.join(row)}") from error
        if len(row) != len(names) or not np.isfinite(table[-1]).all():
            raise InputError(
                f"{path}: line {number}: expected {len(names)} finite numbers, found {','.join(row)}"
            )
    if len(table) < 2:
        raise InputError(f"{path}: expected at least two wavelengths, found {len(table)}")
    columns = np.array(table, dtype=np.float64).T
    if (np.diff(columns[0]) <= 0).any():
        raise InputError(f"{path}: wavelengths should increase from line to line")
    if (columns[1:] < 0).any():
        raise InputError(f"{path}: a response or transmission is never negative")
    return {name: Curve(columns[0], column) for name, column in zip(names[1:], columns[1:], strict=True)}


def typical_response():
    """Response curves "R", "G", "B" of a typical sensor, and "L" (their mean) for one without colour filters."""
    curves = read_curves(TYPICAL_RESPONSE_PATH)
    mean = np.mean([curve.value for curve in curves.values()], axis=0)
    return {**curves, "L": Curve(curves["G"].wavelength_nm, mean)}


def black_body_photons(wavelength_nm, temperature_k):
    """Photon radiance of a black body: B_lambda / (h c / lambda) = 2 c / lambda^4 / (exp(h c / lambda k T) - 1).

    Parameters
    ----------
    wavelength_nm, temperature_k : broadcast against each other

    Returns
    -------
    float64, photons / s / sr / nm^3 (that is, per nm^2 of surface and nm of wavelength)
    """
    wavelength = np.asarray(wavelength_nm, dtype=np.float64)
    exponent = SECOND_RADIATION_NM_K / (wavelength * np.asarray(temperature_k, dtype=np.float64))
    return 2 * LIGHT_SPEED_NM_S / wavelength**4 / np.expm1(exponent)


def in_band(spectrum, *curves):
    """Integral over wavelength of ``spectrum(wavelength)`` times all ``curves`` (trapezium rule)."""
    low = max(curve.wavelength_nm[0] for curve in curves)
    high = min(curve.wavelength_nm[-1] for curve in curves)
    if high <= low:
        return 0.0
    # Steps of the curves themselves are added to the grid, so that the edges of passbands count in full.
    own = np.concatenate([curve.wavelength_nm for curve in curves])
    grid = np.union1d(np.arange(low, high, STEP_NM), own[(own >= low) & (own <= high)])
    product = np.asarray(spectrum(grid), dtype=np.float64)
    for curve in curves:
        product = product * curve(grid)
    return float(np.trapezoid(product, grid))


def line_response(line, *curves):
    """Detected share of a line's photons: sum over its components of strength times all ``curves``."""
    return float(sum(strength * np.prod([curve(at) for curve in curves]) for at, strength in line.components))
