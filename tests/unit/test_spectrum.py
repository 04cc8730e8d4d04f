"""Curves, lines and integrals over wavelength."""

import numpy as np
import pytest

from pipeline.errors import InputError
from pipeline.numerics.spectrum import (
    LINES,
    OIII_RATIO,
    Curve,
    constant_curve,
    in_band,
    line_response,
    read_curves,
    top_hat,
    typical_response,
)


def test_a_narrow_band_counts_in_full_wherever_its_edges_lie():
    """Width of a 3 nm band off the grid; the edges belong to the grid, so only rounding is left."""
    band = top_hat([(655.13, 658.13)])
    assert in_band(lambda w: np.ones_like(w), band, constant_curve()) == pytest.approx(3.0, rel=1e-6)


def test_bands_that_do_not_meet_give_nothing():
    assert in_band(lambda w: np.ones_like(w), top_hat([(400, 500)]), top_hat([(600, 700)])) == 0


def test_a_band_that_cuts_off_the_weaker_member_of_a_pair_sees_the_stronger_alone():
    flat = constant_curve()
    both = line_response(LINES["OIII"], top_hat([(495, 506)]), flat)
    one = line_response(LINES["OIII"], top_hat([(498, 506)]), flat)
    assert one == 1.0
    # Photons: the ratio in energy times the ratio of the wavelengths.
    assert both == pytest.approx(1 + 495.891 / 500.684 / OIII_RATIO)


def test_typical_response_is_a_plausible_sensor():
    curves = typical_response()
    assert set(curves) == {"R", "G", "B", "L"}
    peaks = [curves[c].wavelength_nm[curves[c].value.argmax()] for c in "BGR"]
    assert (
        peaks == sorted(peaks)
        and 430 <= peaks[0] <= 480
        and 510 <= peaks[1] <= 550
        and 590 <= peaks[2] <= 640
    )


@pytest.mark.parametrize(
    ("text", "complaint"),
    [
        ("", "wavelength_nm"),
        ("nm,R\n1,2\n", "wavelength_nm"),
        ("wavelength_nm,R\n400,x\n500,1\n", "line 2"),
        ("wavelength_nm,R\n400,0.1,0.2\n500,1\n", "line 2"),
        ("wavelength_nm,R\n500,0.1\n400,0.2\n", "increase"),
        ("wavelength_nm,R\n400,0.1\n500,-0.2\n", "negative"),
        ("wavelength_nm,R\n400,0.1\n", "two wavelengths"),
        ("wavelength_nm,R\n400,nan\n500,1\n", "finite"),
    ],
)
def test_faulty_curve_files_are_explained(tmp_path, text, complaint):
    path = tmp_path / "curve.csv"
    path.write_text(text)
    with pytest.raises(InputError, match=complaint) as raised:
        read_curves(path)
    assert "curve.csv" in str(raised.value)


def test_curves_with_comments_and_a_byte_order_mark(tmp_path):
    path = tmp_path / "curve.csv"
    path.write_text(
        "\ufeff# a comment, with a comma\nwavelength_nm, transmission\n400,0.5\n500,1.0\n", encoding="utf-8"
    )
    curve = read_curves(path)["transmission"]
    assert isinstance(curve, Curve)
    np.testing.assert_allclose(curve([390, 400, 450, 510]), [0, 0.5, 0.75, 0])
