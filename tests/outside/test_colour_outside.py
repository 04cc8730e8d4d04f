"""Colour against the standards, as tabulated and implemented by the colour-science package."""

import warnings

import numpy as np
import pytest

from pipeline.numerics.colour import LUMINANCE, colour_matching, line_primaries, srgb_decode, srgb_encode
from pipeline.numerics.spectrum import LINES

with warnings.catch_warnings():
    # The package warns about its optional plotting libraries when it is imported.
    warnings.simplefilter("ignore")
    import colour as colour_science

D65 = np.array([0.3127, 0.3290])
"""White point of IEC 61966-2-1, CIE 1931 x, y."""


def test_transfer_function():
    """IEC 61966-2-1 as in colour-science; from the standard's text (from memory): 0.214 is shown at half."""
    linear = np.linspace(0, 1, 1001)
    np.testing.assert_allclose(
        srgb_encode(linear), colour_science.models.eotf_inverse_sRGB(linear), atol=1e-9
    )
    np.testing.assert_allclose(srgb_decode(linear), colour_science.models.eotf_sRGB(linear), atol=1e-9)
    assert srgb_encode(0.214041) == pytest.approx(0.5, abs=1e-5)


def test_luminance_weights():
    """The second row of the standard's matrix from sRGB to XYZ, given to four digits."""
    matrix = colour_science.models.RGB_COLOURSPACE_sRGB.matrix_RGB_to_XYZ
    np.testing.assert_allclose(LUMINANCE, matrix[1], atol=1e-4)


def test_colour_matching_functions():
    """CIE 1931 2-degree observer as tabulated by colour-science at 1 nm: six decimals were kept. Between the lines of the
    table, against its Sprague interpolation (CIE 167:2005): linear interpolation errs by h^2 / 8 times
    the curvature, up to 6e-4.
    """
    observer = colour_science.MSDS_CMFS["CIE 1931 2 Degree Standard Observer"]
    for nm in range(380, 781):
        np.testing.assert_allclose(colour_matching(nm), observer[nm], atol=5.1e-7, err_msg=f"{nm} nm")
    for nm in (463.5, 486.135, 500.684, 552.5, 656.279):
        np.testing.assert_allclose(colour_matching(nm), observer[nm], atol=1e-3, err_msg=f"{nm} nm")


def _shown_xyz(rgb):
    return colour_science.sRGB_to_XYZ(srgb_encode(rgb))


def _seen_xyz(name):
    """What the eye sees of a line: energy, that is photons over wavelength, through the observer of colour-science."""
    return sum(
        photons / nm * np.asarray(colour_science.wavelength_to_XYZ(nm))
        for nm, photons in LINES[name].components
    )


def _hue(space, xyz):
    _lightness, a, b = space(np.asarray(xyz) / xyz[1])
    return np.degrees(np.arctan2(b, a))


def _apart(one, other):
    return abs((one - other + 180) % 360 - 180)


@pytest.mark.parametrize("name", sorted(LINES))
def test_hue_of_a_line_is_that_of_its_wavelength(name):
    """CIELAB hue (ISO/CIE 11664-4) by colour-science, light as bright as white. Half a degree: steps along the edge of the
    gamut are 0.04 degrees, the rest is the four digits of the matrix of IEC 61966-2-1.
    """
    rgb = line_primaries(LINES[name].components)
    assert rgb.min() == 0.0 and rgb.max() == 1.0  # the purest colour of that hue that the display has

    def lab(xyz):
        return colour_science.XYZ_to_Lab(xyz, D65)

    assert _apart(_hue(lab, _seen_xyz(name)), _hue(lab, _shown_xyz(rgb))) < 0.5


def test_hue_of_oxygen_agrees_with_other_spaces():
    """Not an artefact of CIELAB: Oklab (Ottosson 2020) and IPT (Ebner & Fairchild 1998), made for even hue, put the same
    display colour at the hue of [O III], within the 5 degrees by which such spaces differ from each other.
    """
    rgb = line_primaries(LINES["OIII"].components)
    for space in (colour_science.XYZ_to_Oklab, colour_science.XYZ_to_IPT):
        assert _apart(_hue(space, _seen_xyz("OIII")), _hue(space, _shown_xyz(rgb))) < 5
