"""Hydrogen's own measure of the dust before a nebula: how red its lines are.

Recombination gives H-alpha and H-beta in a ratio that hardly depends on the gas (case B: Osterbrock & Ferland 2006, table
4.4; from memory). Dust in front dims the bluer line more, so a larger ratio tells of dust:
E(B - V) = 2.5 / (k_b - k_a) log10(ratio / 2.86), with the extinction law k.
"""

import numpy as np

from pipeline.numerics.line_mixing import channel_response
from pipeline.numerics.spectrum import HYDROGEN_RATIO, LINES

__all__ = ["balmer_ratio", "colour_excess", "hydrogen_notes"]

BRIGHT_SIGMA = 5.0
"""Both lines over their noise, of pixels that count."""

LEAST_PIXELS = 100
"""Pixels that make a median worth telling: known to 3 % where each has 5 sigma."""

EXTINCTION_DIFFERENCE = 1.07
"""k(H-beta) - k(H-alpha), 3.61 - 2.54 by Cardelli, Clayton & Mathis 1989 (ApJ 345, 245) for R_V = 3.1."""


def balmer_ratio(alpha, beta, alpha_variance, beta_variance):
    """H-alpha over H-beta in energy, of the bright gas.

    Parameters
    ----------
    alpha, beta : (ny, nx) photons per second, on one scale
    alpha_variance, beta_variance : (ny, nx); NaN where unknown

    Returns
    -------
    float; NaN where too little gas is bright in both
    """
    with np.errstate(invalid="ignore"):
        bright = (alpha > BRIGHT_SIGMA * np.sqrt(alpha_variance)) & (
            beta > BRIGHT_SIGMA * np.sqrt(beta_variance)
        )
    if bright.sum() < LEAST_PIXELS:
        return float("nan")
    # Of sums: a mean of ratios would be drawn up by the noise of the denominators.
    photons = alpha[bright].sum(dtype=np.float64) / beta[bright].sum(dtype=np.float64)
    return float(photons * LINES["Hb"].wavelength_nm / LINES["Ha"].wavelength_nm)


def colour_excess(ratio):
    """E(B - V) in magnitudes that reddens case B to ``ratio``."""
    return 2.5 / EXTINCTION_DIFFERENCE * np.log10(ratio / HYDROGEN_RATIO)


def hydrogen_notes(solution, lines, narrow):
    """Figures for the QA record: ratio of hydrogen's lines, and the dust that it tells of.

    Parameters
    ----------
    solution : LineSolution
    lines : list of Line, those of the solution
    narrow : list of FilterSetData with lines

    Returns
    -------
    dict; empty where not both lines were solved, or hardly any gas shows both
    """
    at = {line.name: j for j, line in enumerate(lines) if line.name in ("Ha", "Hb")}
    if len(at) < 2:
        return {}
    scaled = {}
    for name, j in at.items():
        set_name, channel = solution.owners[j]
        data = next(data for data in narrow if data.name == set_name)
        seen = channel_response(data, data.image.channels.index(channel), lines[j])
        scaled[name] = solution.lines[j] / seen, solution.line_variance[j] / seen**2
    (alpha, alpha_variance), (beta, beta_variance) = scaled["Ha"], scaled["Hb"]
    ratio = balmer_ratio(alpha, beta, alpha_variance, beta_variance)
    if not np.isfinite(ratio):
        return {}
    return {"hydrogen_ratio": ratio, "hydrogen_colour_excess_mag": float(colour_excess(ratio))}
