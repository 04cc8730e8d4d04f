"""Photometric scale from matched stars."""

import numpy as np
import pytest

from pipeline.numerics.photometric_scale import match_stars, photometric_scales


def stars(seed, n=60, transparency=(0.8, 0.78, 0.75), noise=0.5):
    rng = np.random.default_rng(seed)
    reference = 10 ** rng.uniform(1.5, 4, n) * np.ones((3, 1))
    error = np.full((3, n), noise)
    flux = reference * np.array(transparency)[:, None] + rng.normal(0, noise, (3, n))
    return flux, error, reference + rng.normal(0, noise, (3, n)), error


def test_scale_of_every_channel_is_found_within_its_error():
    pulls = []
    for seed in range(20):
        for entry, transparency in zip(photometric_scales(*stars(seed)), (0.8, 0.78, 0.75), strict=True):
            assert not entry.shared
            assert entry.n_stars > 30
            pulls.append((entry.scale - 1 / transparency) / entry.error)
            # Sixty stars with the 1 % floor: 0.13 %, a little more for the faint ones.
            assert entry.error < 0.003 * entry.scale
    # The floor of 1 % is not in this data, so the errors are on the safe side.
    assert np.std(pulls) < 1.2
    # Mean of 60 pulls, each at most 1.2: 3 sigma.
    assert abs(np.mean(pulls)) < 3 * 1.2 / np.sqrt(60)


def test_variable_and_blended_stars_do_not_matter():
    flux, error, reference, reference_error = stars(5)
    flux[:, :9] *= np.linspace(0.3, 3, 9)
    for entry, transparency in zip(
        photometric_scales(flux, error, reference, reference_error), (0.8, 0.78, 0.75), strict=True
    ):
        # 15 % of the stars are off; the rest fixes the scale to 0.2 %.
        assert entry.scale == pytest.approx(1 / transparency, rel=0.006)


def test_a_channel_without_enough_light_takes_the_shared_scale():
    flux, error, reference, reference_error = stars(6, transparency=(0.8, 0.8, 0.8))
    flux[2], reference[2] = flux[2] * 1e-3, reference[2] * 1e-3
    red, green, blue = photometric_scales(flux, error, reference, reference_error)
    assert not red.shared and not green.shared and blue.shared
    assert blue.scale == pytest.approx(1.25, rel=0.005)


def test_no_stars_is_no_scale():
    empty = np.empty((3, 0))
    entries = photometric_scales(empty, empty, empty, empty)
    assert [entry.n_stars for entry in entries] == [0, 0, 0]
    assert all(np.isnan(entry.scale) for entry in entries)


def test_matching_is_mutual_and_within_reach():
    index, there = match_stars([0, 10, 20.4], [0, 0, 0], [20, 0.5, 50, 0.8], [0, 0, 0, 0], radius_px=1.0)
    assert sorted(zip(index.tolist(), there.tolist(), strict=True)) == [(0, 1), (2, 0)]
    assert match_stars([], [], [1.0], [1.0], radius_px=1)[0].size == 0
