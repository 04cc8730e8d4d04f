"""Temperatures of stars against published values and reference libraries."""

import numpy as np
import pytest
from astropy import units as u
from astropy.modeling.models import BlackBody

from pipeline.numerics.spectrum import Curve
from pipeline.numerics.star_temperature import b_v_of, class_temperature, locus, temperature_of


def test_temperature_of_the_sun():
    """Ballesteros 2012 gives T = 5778 K for the Sun at B - V = 0.65; IAU 2015 Resolution B3: 5772 K. Both from memory."""
    assert float(temperature_of(0.65)) == pytest.approx(5772, rel=0.002)


@pytest.mark.parametrize(
    ("spectral_class", "temperature"),
    [("A0V", 9700), ("F5", 6550), ("G2V", 5770), ("K5V", 4440), ("M0", 3850)],
)
def test_temperature_of_classes(spectral_class, temperature):
    """Pecaut & Mamajek 2013, table 5 (from memory). Stars are no black bodies: 7 % for A stars, less for cooler ones."""
    assert class_temperature(spectral_class) == pytest.approx(temperature, rel=0.07)


def test_colour_and_temperature_are_inverse():
    b_v = np.linspace(-0.3, 1.9, 45)
    np.testing.assert_allclose(b_v_of(temperature_of(b_v)), b_v, atol=1e-12)


def test_a_class_beyond_the_table_is_refused():
    with pytest.raises(ValueError, match="from O5 to M4, got M9"):
        class_temperature("M9")


def test_locus_against_black_bodies_of_astropy():
    """Three narrow bands: their photon ratios are those of astropy's Planck function at the centres. 1 %: the bands are
    2 nm wide, over which the steepest spectrum changes by 3 %, and by second order only in the mean.
    """
    centres = {"R": 620.0, "G": 540.0, "B": 460.0}
    curves = [(Curve(np.array([c - 1.0, c + 1.0]), np.ones(2)),) for c in centres.values()]
    found = locus(curves)
    for temperature in (3000.0, 5778.0, 15000.0):
        body = BlackBody(temperature=temperature * u.K, scale=1.0 * u.erg / (u.s * u.cm**2 * u.AA * u.sr))
        photons = {name: (body(c * u.nm) * c).value for name, c in centres.items()}
        red, blue = found.at(temperature)
        assert np.exp(red) == pytest.approx(photons["R"] / photons["G"], rel=0.01)
        assert np.exp(blue) == pytest.approx(photons["B"] / photons["G"], rel=0.01)
