"""Arithmetic of glass and focus against published data of glasses and worked optics."""

import numpy as np
import pytest
from scipy import special

from pipeline.numerics.glass import (
    DISC_FWHM,
    airy_zone_um,
    defocus_diameter_um,
    defocus_of_width_um,
    focus_shift_mm,
    quarter_wave_zone_um,
    refractive_index,
)
from pipeline.numerics.optical_train import Train, plate

LINES_NM = {"d": 587.5618, "F": 486.1327, "C": 656.2725}
"""Fraunhofer lines of glass catalogues."""

CATALOGUE = {
    # Schott data sheet N-BK7 (517642.251), from memory: n_d, n_F, n_C, Abbe number.
    "N-BK7": (1.51680, 1.52238, 1.51432, 64.17),
    # Malitson 1965 and data sheets of fused silica, from memory.
    "fused silica": (1.45846, 1.46313, 1.45637, 67.8),
}


@pytest.mark.parametrize("glass", CATALOGUE)
def test_indices_are_those_of_the_catalogue(glass):
    """The catalogues print five decimals; the Abbe number (n_d - 1) / (n_F - n_C) follows to its last digit."""
    d, f, c, abbe = CATALOGUE[glass]
    index = {line: refractive_index(glass, nm) for line, nm in LINES_NM.items()}
    assert index["d"] == pytest.approx(d, abs=1e-5)
    assert index["F"] == pytest.approx(f, abs=1e-5)
    assert index["C"] == pytest.approx(c, abs=1e-5)
    assert (index["d"] - 1) / (index["F"] - index["C"]) == pytest.approx(abbe, abs=0.05)


def test_the_shift_is_that_of_snells_law_near_the_axis():
    """A ray at a small angle through a plate of N-BK7, traced with Snell's law, meets the axis t (1 - 1/n) later."""
    n, thickness = refractive_index("N-BK7", 587.5618), 3.0
    angle = 1e-3
    inside = np.arcsin(np.sin(angle) / n)
    traced = thickness - thickness * np.tan(inside) / np.tan(angle)
    # The next term of the series is of the order angle^2 / 2.
    assert focus_shift_mm(thickness, n) == pytest.approx(traced, rel=1e-6)


def test_common_figures_of_filters():
    """3 mm of glass shift the focus by about 1 mm and 1.85 mm by about 0.6 mm: common practice, no source; hence 3 %."""
    n = refractive_index("N-BK7", 587.5618)
    assert focus_shift_mm(3.0, n) == pytest.approx(1.0, rel=0.03)
    assert focus_shift_mm(1.85, n) == pytest.approx(0.6, abs=0.05)
    assert plate(1.85).shift_mm == pytest.approx(1.85 / 3, rel=1e-12), "the rule of thumb t/3"


def test_the_quarter_wave_zone_is_that_of_the_wavefront():
    """A defocus d bends the wavefront at the rim by d (1 - cos u) with sin u = 1 / (2 N): at half the zone, a quarter of a
    wave. Exact, so that N = 8 agrees to (1 / 2N)^2 / 4 = 0.1 %.
    """
    wavelength, n = 500.0, 8.0
    half = quarter_wave_zone_um(wavelength, n) / 2
    rim = half * (1 - np.sqrt(1 - 1 / (2 * n) ** 2))
    assert rim == pytest.approx(wavelength / 1000 / 4, rel=0.002)


def test_the_airy_zone_is_where_the_disc_reaches_the_first_dark_ring():
    """First zero of J1 (scipy.special): the ring's diameter is 2 j / pi lambda N, which is 2.44 to three digits."""
    ring = 2 * special.jn_zeros(1, 1)[0] / np.pi * 0.5 * 6.0
    assert defocus_diameter_um(airy_zone_um(500.0, 6.0) / 2000, 6.0) == pytest.approx(ring, rel=0.001)


def test_a_disc_has_the_second_moment_that_its_width_stands_for():
    """Monte Carlo of points in a disc of diameter 1: variance along an axis 1/16, so a Gaussian of that variance is
    sqrt(8 ln 2) / 4 wide at half its height.
    """
    rng = np.random.default_rng(8)
    points = rng.uniform(-0.5, 0.5, (2, 400_000))
    inside = points[:, np.hypot(*points) < 0.5]
    # The deviation of 300000 values is known to 0.13 %.
    assert pytest.approx(np.sqrt(8 * np.log(2)) * inside[0].std(), rel=0.004) == DISC_FWHM
    assert defocus_of_width_um(DISC_FWHM * defocus_diameter_um(0.1, 5.0), 5.0) == pytest.approx(100.0)


def test_a_train_worked_by_hand():
    """55 mm asked for, 17.5 + 21 + 16.5 = 55.0 mm of adapters, a filter of 2 mm and a window of 1 mm, both by t/3: the
    focus lies 1.0 mm further out, so 1.0 mm is missing; at f/5 that is a disc of 200 um.
    """
    train = Train(5.0, 55.0, 17.5 + 21.0 + 16.5, plate(1.0).shift_mm)
    assert train.spacer_mm(plate(2.0)) == pytest.approx(1.0)
    assert train.spacer_mm(None) == pytest.approx(1 / 3)
    assert train.blur_um(train.spacer_mm(plate(2.0))) == pytest.approx(200.0)
    assert Train(None, None, None).spacer_mm(None) is None
    assert Train(None, 55.0, 50.0).blur_um(5.0) is None
