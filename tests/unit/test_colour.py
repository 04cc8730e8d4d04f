"""Colour of lines and the transfer function of the display; comparisons with the standards are in tests/outside."""

import numpy as np
import pytest

from pipeline.numerics.colour import colour_matching, line_primaries, srgb_decode, srgb_encode

RED, TEAL = ((656.28, 1.0),), ((500.68, 1.0),)


def test_transfer_function_and_its_inverse_cancel():
    linear = np.linspace(0, 1, 257)
    # The published constants (0.04045, 0.0031308) join the two branches to 1e-7 only.
    np.testing.assert_allclose(srgb_decode(srgb_encode(linear)), linear, atol=1e-7)


def test_values_beyond_the_display_are_clipped():
    np.testing.assert_allclose(srgb_encode(np.array([-0.5, 1.5])), [0.0, 1.0], atol=1e-12)


def test_hydrogen_is_red_and_oxygen_between_green_and_blue():
    red, green, blue = line_primaries(RED)
    assert red == 1 and green < 0.05 and blue < 0.1
    red, green, blue = line_primaries(TEAL)
    assert green == 1 and 0.5 < blue < 0.9 and red < 0.05


def test_a_doublet_lies_between_its_components():
    one, other = line_primaries(((500.684, 1.0),)), line_primaries(((486.0, 1.0),))
    both = line_primaries(((500.684, 1.0), (486.0, 0.5)))
    assert one[2] / one[1] < both[2] / both[1] < other[2] / other[1]


def test_purity_goes_from_white_to_the_edge_of_the_gamut():
    np.testing.assert_allclose(line_primaries(RED, purity=0.0), 1.0)
    assert line_primaries(RED, purity=1.0).min() == 0.0
    half = line_primaries(RED, purity=0.5)
    np.testing.assert_allclose(half, 0.5 * line_primaries(RED) + 0.5)


@pytest.mark.parametrize("wavelength_nm", [380.0, 780.0])
def test_the_ends_of_the_spectrum_have_a_colour(wavelength_nm):
    assert (colour_matching(wavelength_nm) >= 0).all()
    assert np.isfinite(line_primaries(((wavelength_nm, 1.0),))).all()


def test_light_that_the_eye_does_not_see_is_refused():
    with pytest.raises(ValueError, match="900 nm is not visible"):
        line_primaries(((900.0, 1.0),))
