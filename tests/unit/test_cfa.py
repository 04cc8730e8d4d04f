"""The colour filter array: indices, offsets and a luminance that is blind to the pattern."""

import numpy as np
import pytest

from pipeline.numerics.cfa import BAYER_PATTERNS, Cfa, luminance


@pytest.mark.parametrize("pattern", BAYER_PATTERNS)
def test_index_map_spells_the_pattern(pattern):
    cfa = Cfa(pattern)
    index = cfa.index_map(5, 7)
    assert index.shape == (5, 7)
    assert "".join(cfa.channels[i] for i in index[:2, :2].ravel()) == pattern
    # Every odd and even pixel repeats with period two.
    assert (index[2:, :] == index[:-2, :]).all()
    assert (index[:, 2:] == index[:, :-2]).all()
    for channel in cfa.channels:
        for dy, dx in cfa.offsets(channel):
            assert index[dy, dx] == cfa.channels.index(channel)


def test_unknown_pattern_is_refused():
    with pytest.raises(ValueError, match="RGBG"):
        Cfa("RGBG")


@pytest.mark.parametrize("pattern", BAYER_PATTERNS)
def test_luminance_of_uniform_colours_has_no_pattern(pattern):
    cfa = Cfa(pattern)
    frame = np.array([8.0, 4.0, 2.0])[cfa.index_map(20, 30)]
    grey = luminance(frame, cfa)
    # R/4 + G/2 + B/4, exact in binary arithmetic for these values, edges included.
    np.testing.assert_array_equal(grey, np.full((20, 30), 8 / 4 + 4 / 2 + 2 / 4, dtype=np.float32))


@pytest.mark.parametrize("pattern", BAYER_PATTERNS)
def test_luminance_places_a_star_the_same_whatever_its_colour(pattern):
    cfa = Cfa(pattern)
    y, x = np.mgrid[:40, :40]
    true_x, true_y = 19.3, 20.6
    star = np.exp(-((x - true_x) ** 2 + (y - true_y) ** 2) / (2 * 1.6**2))
    for colour in np.eye(3):
        grey = luminance(star * colour[cfa.index_map(40, 40)], cfa)
        found = (grey * x).sum() / grey.sum(), (grey * y).sum() / grey.sum()
        # Aliasing of a Gaussian of sigma 1.6 px on a lattice of 2 px is exp(-2 pi^2 1.6^2 / 4) = 3e-6.
        np.testing.assert_allclose(found, (true_x, true_y), atol=1e-3)


def test_mono_has_one_channel_and_passes_through():
    cfa = Cfa("mono")
    frame = np.arange(12, dtype=np.uint16).reshape(3, 4)
    assert cfa.channels == ("L",)
    assert not cfa.index_map(3, 3).any()
    np.testing.assert_array_equal(luminance(frame, cfa), frame)
    assert len(cfa.planes(frame, "L")) == 4
