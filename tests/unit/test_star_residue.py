"""Remnants of stars in line maps: which are filled, which are left, and the figure quoted of them."""

import numpy as np
import pytest

from pipeline.numerics.stack_stars import detect_stars
from pipeline.numerics.star_residue import clean_stars
from tests.unit.synthetic_stacks import moffat

FWHM, NOISE = 3.2, 0.01
SHAPE = (160, 200)
PLACES = [(40, 40), (100, 40), (160, 40), (40, 110), (100, 110), (160, 110), (70, 75), (130, 75)]


def _field(light, left):
    """Line map with ``left`` of each star's light, its variance with the photons of the stars, and their continuum."""
    rng = np.random.default_rng(1)
    continuum = np.zeros(SHAPE)
    psf = moffat(20, FWHM)
    line = np.zeros(SHAPE)
    for (x, y), flux, share in zip(PLACES, light, left, strict=True):
        window = np.s_[y - 20 : y + 21, x - 20 : x + 21]
        continuum[window] += flux * psf
        line[window] += share * flux * psf
    # As many photons as make the core of a bright star a hundred times as noisy as the sky.
    variance = NOISE**2 * (1 + 10 * continuum)
    line += rng.standard_normal(SHAPE) * NOISE
    found = detect_stars(
        (continuum + NOISE * rng.standard_normal(SHAPE)).astype(np.float32), np.ones(SHAPE, bool)
    )
    planes = (plane.astype(np.float32)[None] for plane in (line, variance))
    return *planes, continuum.astype(np.float32), found


def _hidden_at(hidden):
    return [bool(hidden[y, x]) for x, y in PLACES]


def test_a_remnant_within_the_stars_own_noise_is_filled_all_the_same():
    """It shows against the sky around, whatever the star's photons excuse."""
    line, variance, continuum, stars = _field([100.0] * 8, [0.1, -0.1, 0.1, -0.1, 0.1, -0.1, 0.1, -0.1])
    cleaned, out_variance, hidden, figures = clean_stars(line, variance, [continuum], stars, FWHM)
    assert all(_hidden_at(hidden))
    assert np.abs(cleaned[0][hidden]).max() < 5 * NOISE
    assert (out_variance[0][hidden] > variance[0][hidden]).all()
    # The core holds the same share of the remnant as of the light; the brighter half of the stars is not counted
    # where it may be clipped, and here all are alike.
    assert figures["star_discs"] == 8


def test_emission_stars_are_left_alone_and_quiet_ones_untouched():
    line, variance, continuum, stars = _field([100.0] * 8, [2.0, 2.0, 0.0, 0.0, 0.0, 0.0, 0.1, 0.1])
    _, _, hidden, _ = clean_stars(line, variance, [continuum], stars, FWHM)
    assert _hidden_at(hidden) == [False] * 6 + [True] * 2


def test_the_residue_quoted_is_that_of_bright_isolated_stars():
    """One star outshines the others, so these count as surely unsaturated. 3 % of their light is left, and faint
    stars, whose residue would be noise, do not count: core noise is 0.4 % of the light.
    """
    light = [400.0, 100.0, 100.0, 100.0, 100.0, 100.0, 0.6, 0.6]
    line, variance, continuum, stars = _field(light, [0.03] * 8)
    figures = clean_stars(line, variance, [continuum], stars, FWHM)[3]
    assert figures["star_residue_stars"] == 5
    assert figures["star_residue_median"] == pytest.approx(0.03, abs=0.004)


def test_the_hole_of_a_star_beside_the_edge_of_gas_stays_small():
    """Gas of fifty times the noise ends beside a bright star. In empty sky the hole reaches to where wings fade, five widths;
    here one of that size would be filled as if the gas had no edge, far beyond what the star has left.
    """
    line, _, continuum, stars = _field([4000.0] * 8, [0.005] * 8)
    variance = np.full_like(line, NOISE**2)
    x, y = PLACES[4]
    gas = np.zeros(SHAPE, np.float32)
    gas[:, x + 6 :] = 50 * NOISE
    hidden = clean_stars(line, variance, [continuum], stars, FWHM)[2]
    edged, _, smaller, _ = clean_stars(line + gas, variance, [continuum], stars, FWHM)
    window = np.s_[y - 18 : y + 19, x - 18 : x + 19]
    assert smaller[y, x] and smaller[window].sum() < 0.3 * hidden[window].sum()
    spoiled = np.abs(edged[0] - gas)[window] > 10 * NOISE
    assert spoiled.sum() < 0.5 * np.pi * (2 * FWHM) ** 2
