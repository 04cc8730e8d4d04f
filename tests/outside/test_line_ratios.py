"""Ratios of lines that the pipeline takes for fixed, against PyNeb (Luridiana, Morisset & Shaw 2015, A&A 573, A42) and
Osterbrock & Ferland 2006, Astrophysics of Gaseous Nebulae (from memory).
"""

import numpy as np
import pyneb
import pytest

from pipeline.numerics.spectrum import HYDROGEN_RATIO, LINES

TEMPERATURE_K, DENSITY_CM3 = 1e4, 1e2
"""A usual nebula."""


def _energy_ratio(line):
    """Energy of the first component over that of the second: photons times the ratio of the photons' energies."""
    (first, _), (second, photons) = LINES[line].components
    return second / first / photons


def test_forbidden_pairs():
    """Pairs from one level have a ratio of transition probabilities alone. Sets of atomic data differ by 1 % for [O III] and
    by 4 % for [N II] (2.94 by Froese Fischer & Tachiev 2004, 3.05 by Storey & Zeippen 2000; from memory).
    """
    oxygen, nitrogen = pyneb.Atom("O", 3), pyneb.Atom("N", 2)

    def ratio(atom, strong, weak):
        emitted = (atom.getEmissivity(TEMPERATURE_K, DENSITY_CM3, wave=wave) for wave in (strong, weak))
        return float(np.divide(*emitted))

    assert _energy_ratio("OIII") == pytest.approx(ratio(oxygen, 5007, 4959), rel=0.01)
    assert _energy_ratio("NII") == pytest.approx(ratio(nitrogen, 6584, 6548), rel=0.04)


def test_sulphur_at_low_density():
    """Osterbrock & Ferland, figure 5.8: 1.4 to 1.5 in thin gas; in that of a usual nebula 1.35 by PyNeb."""
    atom = pyneb.Atom("S", 2)
    thin, usual = (
        float(np.divide(*(atom.getEmissivity(TEMPERATURE_K, n, wave=w) for w in (6716, 6731))))
        for n in (10.0, DENSITY_CM3)
    )
    assert usual - 0.05 < _energy_ratio("SII") < thin + 0.05


def test_balmer_decrement_of_case_b():
    """Osterbrock & Ferland, table 4.4: 2.86 at 10^4 K, from Storey & Hummer 1995, whose tables PyNeb reads: to 0.2 %."""
    hydrogen = pyneb.RecAtom("H", 1)
    emitted = (hydrogen.getEmissivity(TEMPERATURE_K, DENSITY_CM3, lev_i=upper, lev_j=2) for upper in (3, 4))
    assert float(np.divide(*emitted)) == pytest.approx(HYDROGEN_RATIO, rel=0.002)
    assert pytest.approx(2.86, abs=0.005) == HYDROGEN_RATIO
