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
    """CIE 1931 2-degree observer. The fit's authors give a few percent of the peak as its largest error (from memory)."""
    observer = colour_science.MSDS_CMFS["CIE 1931 2 Degree Standard Observer"]
    for nm in range(400, 701, 10):
        np.testing.assert_allclose(colour_matching(nm), observer[nm], atol=0.06, err_msg=f"{nm} nm")


@pytest.mark.parametrize("name", sorted(LINES))
def test_hue_of_a_line_is_that_of_its_wavelength(name):
    """In CIE 1931 x, y the colour lies towards the line's own chromaticity as seen from white.

    Directions are compared, since dominant wavelengths run together at the red end. 6 degrees: the fit of the observer
    moves the chromaticity of lines by up to 0.02 at distances of 0.3 from white, that is 4 degrees; then rounding.
    """
    nm = LINES[name].wavelength_nm
    spectral = colour_science.XYZ_to_xy(colour_science.wavelength_to_XYZ(nm)) - D65
    shown = colour_science.XYZ_to_xy(colour_science.sRGB_to_XYZ(srgb_encode(line_primaries(nm)))) - D65
    angle = np.degrees(np.arctan2(*spectral[::-1]) - np.arctan2(*shown[::-1]))
    assert abs((angle + 180) % 360 - 180) < 6
