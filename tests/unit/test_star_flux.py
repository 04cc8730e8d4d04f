"""Flux of stars before gas."""

import numpy as np
import pytest

from pipeline.numerics.stack_stars import aperture_flux
from pipeline.numerics.star_flux import core_weights, ring_weights
from tests.unit.synthetic_stacks import cloud, moffat

FWHM = 3.2
AT = (np.array([40.3, 81.8]), np.array([41.1, 37.6]))


def _makers():
    return {
        "core": lambda x, y: core_weights(x, y, FWHM),
        "ring": lambda x, y: ring_weights(x, y, 1.6 * FWHM),
    }


def test_a_background_of_second_order_is_not_seen_by_a_core():
    """To rounding: the weights are orthogonal to it by construction. A ring of one level sees its curvature."""
    y, x = np.mgrid[:80, :120].astype(np.float64)
    background = 3.0 + 0.02 * x - 0.05 * y + 4e-3 * x**2 - 3e-3 * x * y + 5e-3 * y**2
    assert np.abs(core_weights(*AT, FWHM).flux(background)).max() < 1e-9 * background.sum()
    ring, _ = aperture_flux(background, None, *AT, radius_px=1.6 * FWHM)
    assert np.abs(ring).min() > 1.0


@pytest.mark.parametrize("kind", ["core", "ring"])
def test_ratios_of_fluxes_are_those_of_the_stars_wherever_they_lie_in_a_pixel(kind):
    """A star that is k times brighter, at the same place, has k times the flux: exact."""
    star = np.pad(moffat(24, FWHM), ((16, 16), (16, 60)))
    weights = _makers()[kind](np.array([40.3]), np.array([39.8]))
    assert weights.flux(2.5 * star)[0] == pytest.approx(2.5 * weights.flux(star)[0], rel=1e-12)


def test_a_ring_does_what_the_compiled_sum_of_discs_does():
    """To 1 % of the star: the latter's areas of edge pixels are exact, these are those of a straight edge."""
    star = np.pad(moffat(24, FWHM), 20) + 0.1
    at = np.array([44.3]), np.array([43.8])
    exact, _ = aperture_flux(star, None, *at, radius_px=1.6 * FWHM)
    assert ring_weights(*at, 1.6 * FWHM).flux(star)[0] == pytest.approx(exact[0], abs=0.01)


def test_photon_noise_is_that_of_the_weighted_sum():
    """Of 4000 draws, whose scatter is known to 1.1 %, a sigma; three are allowed."""
    rng = np.random.default_rng(5)
    weights = core_weights(np.array([20.2]), np.array([19.9]), FWHM)
    variance = rng.uniform(0.5, 2.0, (41, 41))
    found = [weights.flux(rng.normal(size=variance.shape) * np.sqrt(variance))[0] for _ in range(4000)]
    assert weights.photon_noise(variance)[0] == pytest.approx(np.std(found), rel=0.033)


def test_gas_moves_a_core_much_less_than_an_aperture_with_a_ring():
    """At 100 places of a cloud with structure on all scales, in shares of what the sum makes of a star of unit flux."""
    rng = np.random.default_rng(3)
    gas = cloud(rng, (300, 300), cover=0.9, scale=120)
    star = np.pad(moffat(24, FWHM), 20)
    middle = np.array([44.0])
    x, y = rng.uniform(30, 270, (2, 100))
    ring = aperture_flux(gas, None, x, y, radius_px=1.6 * FWHM)[0]
    ring /= aperture_flux(star, None, middle, middle, radius_px=1.6 * FWHM)[0]
    core = core_weights(x, y, FWHM).flux(gas) / core_weights(middle, middle, FWHM).flux(star)
    assert np.std(core) < 0.25 * np.std(ring)


def test_what_reaches_beyond_the_plane_or_onto_a_hole_is_unknown():
    plane = np.ones((60, 60))
    plane[30, 30] = np.nan
    flux = core_weights(np.array([2.0, 31.0, 15.0]), np.array([30.0, 31.0, 15.0]), FWHM).flux(plane)
    assert np.isnan(flux[:2]).all()
    assert np.isfinite(flux[2])
