"""Dust of the flat against dust in the lights."""

import numpy as np
import pytest
from scipy import ndimage

from pipeline.field_words import dust_finding
from pipeline.numerics.dust import block_map, dust_match

SHAPE = (600, 800)


def shadows(places, depth=0.06):
    y, x = np.indices(SHAPE)
    ring = np.zeros(SHAPE)
    for row, column in places:
        r = np.hypot(x - column, y - row)
        ring += depth * ((r > 5) & (r < 18))
    return 1 - ring


PLACES = [(100, 150), (300, 600), (450, 220), (520, 700)]


def matched(true_places, *, depth=0.06, nebula=0.0, seed=3):
    """Lights with dust at ``true_places``, divided by a flat with dust at ``PLACES``."""
    rng = np.random.default_rng(seed)
    y, x = np.indices(SHAPE)
    vignetting = 1 - 0.3 * np.hypot(x / SHAPE[1] - 0.5, y / SHAPE[0] - 0.5)
    flat = shadows(PLACES) * vignetting * rng.normal(1, 0.003, SHAPE)
    sky = 100 * (1 + nebula * ndimage.gaussian_filter(rng.normal(size=SHAPE), 12) * 20)
    lights = [
        block_map(
            np.roll(sky, (3 * k, -2 * k), axis=(0, 1)) * shadows(true_places, depth) * vignetting / flat
            + rng.normal(0, 3, SHAPE),
            rng.random(SHAPE) > 0.02,
        )
        for k in range(4)
    ]
    return dust_match(lights, block_map(flat, np.ones(SHAPE, dtype=bool)))


@pytest.mark.parametrize("nebula", [0.0, 0.05])
def test_dust_that_stayed_leaves_nothing(nebula):
    for seed in range(3):
        found = matched(PLACES, nebula=nebula, seed=seed)
        assert found.shadow_blocks > 20
        assert abs(found.beta) < max(5 * found.beta_err, 0.1)
        assert dust_finding(found)["severity"] == "info"


def test_dust_that_moved_leaves_bright_copies():
    found = matched([(row + 60, column - 40) for row, column in PLACES])
    # All of each shadow; the smooth version that the maps are held against takes some per cent.
    assert found.beta == pytest.approx(-1, abs=0.12)
    assert dust_finding(found)["severity"] == "warn" and "bright spots" in dust_finding(found)["message"]


def test_shadows_that_are_too_shallow_in_the_flat_remain():
    found = matched(PLACES, depth=0.12)
    assert found.beta == pytest.approx(1, abs=0.15), "half of the depth is left"
    assert "is left in the calibrated lights" in dust_finding(found)["message"]


def test_a_flat_without_dust_cannot_tell():
    rng = np.random.default_rng(2)
    plain = block_map(1 + rng.normal(0, 0.003, SHAPE), np.ones(SHAPE, dtype=bool))
    found = dust_match([plain], plain)
    assert found.shadow_blocks == 0
    assert dust_finding(found)["severity"] == "info"


def test_block_map_takes_the_middle_half():
    """scipy.stats.trim_mean cuts a quarter at either end: the same."""
    from scipy import stats

    rng = np.random.default_rng(1)
    frame = rng.normal(10, 1, (16, 24))
    blocks = block_map(frame, np.ones(frame.shape, dtype=bool), 8)
    expected = [
        [stats.trim_mean(frame[i : i + 8, j : j + 8].ravel(), 0.25) for j in (0, 8, 16)] for i in (0, 8)
    ]
    np.testing.assert_allclose(blocks, expected, rtol=1e-12)
    blind = np.ones(frame.shape, dtype=bool)
    blind[:8, :5] = False
    assert np.isnan(block_map(frame, blind, 8)[0, 0])


def test_lights_without_background_cannot_tell():
    flat = block_map(shadows(PLACES), np.ones(SHAPE, dtype=bool))
    found = dust_match([np.full(flat.shape, np.nan)], flat)
    assert not np.isfinite(found.beta)
    finding = dust_finding(found)
    assert (
        finding["severity"] == "info"
        and "cannot be told" in finding["message"]
        and "nan" not in finding["message"]
    )
