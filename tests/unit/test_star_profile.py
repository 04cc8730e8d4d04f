"""The profile of the stars of a plane, wherever they lie in a pixel and whatever they lie before."""

import numpy as np
import pytest

from pipeline.numerics.moffat import moffat_fwhm
from pipeline.numerics.point_spread import measured_psf, stamps
from pipeline.numerics.star_profile import Profile

FWHM, BETA, HALF = 2.2, 3.5, 9


def plane_of_stars(seed, *, number=24, height=1.0):
    """A plane of stars in a row and their places."""
    rng = np.random.default_rng(seed)
    x = 20 + 40 * np.arange(number) + rng.uniform(-0.5, 0.5, number)
    y = 20 + rng.uniform(-0.5, 0.5, number)
    rows, columns = np.mgrid[:41, : 40 * number]
    alpha = FWHM / moffat_fwhm(1.0, BETA)
    distance2 = (columns - x[:, None, None]) ** 2 + (rows - y[:, None, None]) ** 2
    return height * ((1 + distance2 / alpha**2) ** -BETA).sum(axis=0), x, y


def test_a_sharp_profile_does_not_depend_on_where_stars_lie_in_a_pixel():
    """Closed form: without noise nothing is lost, though an interpolated star of this width is blunter by 2 to 3 %. A thousandth:
    the wings of the neighbours 40 pixels off.
    """
    plane, x, y = plane_of_stars(1)
    psf = measured_psf(*stamps(plane, x, y, HALF))
    expected = Profile(np.array([0, 0, 1 / FWHM, 0, 1 / FWHM, np.log(BETA)])).on_grid(HALF)
    np.testing.assert_allclose(psf.profile.on_grid(HALF), expected, atol=1e-3)
    assert np.abs(psf.remainder).max() < 1e-3


def test_gas_of_second_order_does_not_change_a_profile():
    """Surfaces of the brightness of the stars themselves: polynomials are fitted exactly, so only rounding is left."""
    plane, x, y = plane_of_stars(2)
    cuts, dx, dy = stamps(plane, x, y, HALF)
    rng = np.random.default_rng(3)
    v, u = np.mgrid[-HALF : HALF + 1, -HALF : HALF + 1] / HALF
    gas = np.tensordot(rng.normal(size=(len(cuts), 6)), np.array([u**0, u, v, u * u, u * v, v * v]), axes=1)
    alone, before_gas = measured_psf(cuts, dx, dy), measured_psf(cuts + gas, dx, dy)
    np.testing.assert_allclose(before_gas.profile.parameters, alone.profile.parameters, atol=1e-4)


def test_derivatives_are_those_of_finite_differences():
    """Central differences of step h err by h^2 and by rounding over h: 1e-9 of values near 1."""
    parameters, at = (
        np.array([0.1, -0.2, 0.3, 0.02, 0.35, 1.2]),
        (np.full((1, 1, 1), 0.3), np.full((1, 1, 1), -0.4)),
    )
    value, slopes = Profile(parameters).with_gradient(5, at)
    np.testing.assert_array_equal(value, Profile(parameters).on_grid(5, at=at))
    for i, step in enumerate(1e-6 * np.eye(6)):
        ahead, behind = (Profile(parameters + way * step).on_grid(5, at=at) for way in (1, -1))
        np.testing.assert_allclose(slopes[i], (ahead - behind) / 2e-6, atol=1e-8)


def test_a_neighbour_and_a_star_that_is_not_there_do_not_change_a_profile():
    """One star has a neighbour a third as bright, one place is empty: the others show the profile, to a percent of its peak."""
    rng = np.random.default_rng(4)
    plane, x, y = plane_of_stars(5)
    cuts, dx, dy = stamps(plane + rng.normal(0, 1e-3, plane.shape), x, y, HALF)
    clean = measured_psf(cuts, dx, dy)
    cuts[0] += 0.3 * np.roll(cuts[1], (4, 3), axis=(0, 1))
    cuts[2] = rng.normal(0, 1e-3, cuts[2].shape)
    np.testing.assert_allclose(
        measured_psf(cuts, dx, dy).image(HALF), clean.image(HALF), atol=0.01 * clean.image(HALF).max()
    )


@pytest.mark.parametrize("kind", ["flat", "dark", "none"])
def test_places_without_a_star_have_no_profile(kind):
    number = 0 if kind == "none" else 5
    assert measured_psf(np.full((number, 19, 19), -1.0 if kind == "dark" else 0.0)) is None


@pytest.mark.parametrize("kind", ["noise", "hot pixels", "slope"])
def test_what_is_no_star_gives_a_finite_profile(kind):
    """A plane may show none of the stars that another has: no fit runs away, and no warning is raised."""
    y, x = np.mgrid[-9:10, -9:10]
    image = {"noise": 0.0, "hot pixels": 1.0 * ((x == 0) & (y == 0)), "slope": 1.0 * y}[kind]
    cuts = image + np.random.default_rng(6).normal(0, 1 if kind == "noise" else 0.01, (8, 19, 19))
    image = measured_psf(cuts).image(9)
    assert np.isfinite(image).all() and image.sum() < 1.5
