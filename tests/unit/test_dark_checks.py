"""Light and glow in darks: found where they are, and not where they are not."""

import numpy as np
import pytest

from pipeline.numerics.cfa import Cfa
from pipeline.numerics.dark_checks import dark_map, odd_levels

NOISE_ADU = 4.0
N_FRAMES = 16
ERROR = NOISE_ADU / np.sqrt(N_FRAMES)
SHAPE = (200, 320)


def seen(extra=0.0, *, pattern="RGGB", seed=5, shape=SHAPE):
    rng = np.random.default_rng(seed)
    master = 500 + rng.normal(0, ERROR, shape) + extra
    # Readout channels have offsets of their own, and a few pixels are hot.
    master[::2] += 0.2
    master[rng.random(shape) < 0.002] += 400
    return dark_map(master, np.ones(shape, dtype=bool), Cfa(pattern), pixel_error=ERROR, noise=NOISE_ADU)


def light(pattern, shape=SHAPE):
    return np.array([0.4, 1.0, 0.6])[Cfa(pattern).index_map(*shape)]


def corner_glow(shape=SHAPE):
    y, x = np.indices(shape)
    return np.exp(-np.hypot(x - shape[1], y) / 40)


@pytest.mark.parametrize("pattern", ["RGGB", "GBRG", "mono"])
@pytest.mark.parametrize("seed", range(8))
def test_clean_darks_raise_no_alarm(pattern, seed):
    found = seen(pattern=pattern, seed=seed, shape=(96 + 10 * seed, 130))
    assert not (found.coloured or found.tilted or found.glowing)


@pytest.mark.parametrize("pattern", ["RGGB", "GBRG"])
def test_a_leak_through_the_colour_filters_shows_their_colour(pattern):
    found = seen(8 * light(pattern), pattern=pattern)
    assert found.coloured and not found.glowing and not found.tilted
    # Red is 0.6 of 8 ADU below green; the second row of each pair has 0.2 ADU less of an offset.
    assert found.colour_adu == pytest.approx(8 * 0.6, abs=0.3)


def test_a_gradient_from_side_to_side_is_no_glow():
    found = seen(12 * np.linspace(0, 1, SHAPE[1]))
    assert found.tilted and not found.coloured and not found.glowing
    assert found.gradient_adu == pytest.approx(12, rel=0.05)
    assert found.gradient_angle_deg == pytest.approx(0, abs=3)


def test_glow_in_a_corner_is_placed_and_is_no_leak():
    found = seen(60 * corner_glow())
    assert found.glowing and not found.coloured and not found.tilted
    assert found.glow_place == "the first rows and last columns"
    # The corner cell averages 12 x 20 pixels of a glow that falls by e every 40.
    assert found.glow_adu == pytest.approx(60 * corner_glow()[:12, -20:].mean(), rel=0.1)


def test_the_same_number_of_frames_but_one_stands_out():
    levels = [500.1, 500.3, 499.9, 500.0, 512.0, 500.2]
    assert odd_levels(levels, NOISE_ADU) == [4]
    assert odd_levels(levels[:4], NOISE_ADU) == []
    assert odd_levels([500, 540], NOISE_ADU) == [], "of two, none is the odd one"
    # Current that rises with a sensor that warms: more than the noise in all, and no frame apart from the others.
    assert odd_levels(500 + np.linspace(0, 10, 12), NOISE_ADU) == []


def test_a_master_without_a_good_pixel_has_no_structure():
    nothing = dark_map(
        np.zeros(SHAPE), np.zeros(SHAPE, dtype=bool), Cfa("RGGB"), pixel_error=ERROR, noise=NOISE_ADU
    )
    assert not (nothing.coloured or nothing.tilted or nothing.glowing)
