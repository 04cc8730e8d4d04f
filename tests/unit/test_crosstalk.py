"""Edges of wedges of channel ratios, and mixing matrices refined from them."""

import numpy as np
import pytest

from pipeline.numerics.crosstalk import CURVE_PRIOR, MIN_BLOCKS, refine_mixing, wedge_edge

TRUE = np.array([[1.0, 0.12], [0.21, 1.0], [0.08, 0.50]])
PRIOR = np.array([[1.0, 0.07], [0.15, 1.0], [0.06, 0.50]])


def _blocks(pure_share, *, seed=1, n=1500, noise=0.004):
    rng = np.random.default_rng(seed)
    ha, oiii = rng.uniform(0.1, 1.0, (2, n))
    pick = rng.random(n)
    oiii[pick < pure_share] = 0.0
    ha[pick > 1 - pure_share] = 0.0
    blocks = TRUE @ np.array([ha, oiii])
    error = np.full_like(blocks, noise)
    return blocks + error * rng.standard_normal(blocks.shape), error


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_pure_regions_bound_the_mixing(seed):
    """With a tenth of the field in each pure line, cross-talk is found to 0.01 although the curves are off by up to
    0.06: leakage then is below the project's 3 % by a wide margin.
    """
    result = refine_mixing(*_blocks(0.1, seed=seed), PRIOR)
    np.testing.assert_allclose(result.matrix, TRUE, atol=0.01)
    assert result.measured.all()


def test_without_gas_the_prior_stands_and_says_so():
    blocks = np.zeros((3, 500))
    result = refine_mixing(blocks, np.full_like(blocks, 0.01), PRIOR)
    np.testing.assert_allclose(result.matrix, PRIOR)
    assert not result.measured.any()


def test_a_single_line_refines_its_own_column_only():
    rng = np.random.default_rng(4)
    blocks = TRUE[:, :1] * rng.uniform(0.1, 1, 800) + 0.003 * rng.standard_normal((3, 800))
    result = refine_mixing(blocks, np.full(blocks.shape, 0.003), PRIOR)
    np.testing.assert_allclose(result.matrix[:, 0], TRUE[:, 0], atol=0.01)
    assert result.matrix[0, 1] == PRIOR[0, 1]
    # Blue, too: of a line that is not there only noise would be left to tell.
    assert result.matrix[2, 1] == PRIOR[2, 1]
    assert result.error[2, 1] == CURVE_PRIOR
    assert list(result.measured) == [True, False]


def test_where_no_block_is_pure_the_error_owns_up():
    """Every block mixes both lines: the edge lies beyond the data and is known by extrapolation only. The error
    stays that of the prior and covers the truth within 3 sigma; the edge is never far inside the data (3 % is four
    times the noise).
    """
    rng = np.random.default_rng(6)
    excess = 0.08 + rng.gamma(3.0, 0.1, 900)
    noise = np.full(900, 0.008)
    edge = wedge_edge(0.2 + excess + noise * rng.standard_normal(900), noise, prior=0.15, prior_error=0.05)
    assert edge.error == 0.05
    assert abs(edge.value - 0.2) < 3 * edge.error
    assert edge.value < 0.2 + excess.min() + 0.03


def test_too_few_blocks_leave_the_prior():
    few = np.full(MIN_BLOCKS - 1, 0.3)
    edge = wedge_edge(few, 0.01 * np.ones_like(few), prior=0.1, prior_error=0.05)
    assert (edge.value, edge.error, edge.measured) == (0.1, 0.05, False)


def test_outliers_below_the_edge_do_not_set_it():
    rng = np.random.default_rng(7)
    ratio = (
        0.2 + np.where(rng.random(600) < 0.3, 0, rng.exponential(0.3, 600)) + 0.01 * rng.standard_normal(600)
    )
    ratio[:3] = (-0.1, 0.0, 0.05)
    edge = wedge_edge(ratio, np.full(600, 0.01), prior=0.15, prior_error=0.05)
    assert edge.value == pytest.approx(0.2, abs=0.01)


def test_a_pile_far_from_the_curves_is_found_with_few_blocks():
    """A camera whose green sees half as much H-alpha as the curves say: a prior at the top of the pile's flank must not
    hold the edge, whose density below it would be all noise.
    """
    rng = np.random.default_rng(8)
    ratio = (
        0.08 + np.where(rng.random(200) < 0.4, 0, rng.gamma(2.0, 0.3, 200)) + 0.009 * rng.standard_normal(200)
    )
    edge = wedge_edge(ratio, np.full(200, 0.009), prior=0.149, prior_error=0.05)
    assert edge.value == pytest.approx(0.08, abs=0.006)
    assert edge.error < 0.01


def test_blocks_that_all_mix_only_bound_the_edge():
    rng = np.random.default_rng(9)
    ratio = 0.08 + 0.2 + rng.gamma(3.0, 0.1, 300) + 0.009 * rng.standard_normal(300)
    edge = wedge_edge(ratio, np.full(300, 0.009), prior=0.149, prior_error=0.05)
    assert edge.value <= 0.149
    assert edge.error == 0.05


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_single_knot_is_no_edge(seed):
    """Six blocks of one knot of gas share a ratio, far from where the curves put the edge; no other gas is pure. The blocks
    then say no more than that the edge is not above them, and the prior stands.
    """
    rng = np.random.default_rng(seed)
    ratio = 0.3 + 0.6 * rng.gamma(2.0, 0.25, 150)
    ratio[:6] = 0.21
    edge = wedge_edge(ratio + 0.012 * rng.normal(size=150), np.full(150, 0.012), prior=0.08, prior_error=0.05)
    assert edge.value == pytest.approx(0.08, abs=1e-9)
    assert edge.error == pytest.approx(0.05)


@pytest.mark.parametrize(("apart", "seen"), [(True, True), (False, False)])
def test_a_small_pile_counts_where_it_shows_in_places_apart(apart, seen):
    """A fiftieth of the gas shares its least ratio. In one place that may be the least of a cloud which mixes everywhere;
    what two clouds have in common is the camera's. A star hides the middle of the place and does not make two of it.
    """
    rng = np.random.default_rng(11)
    places = np.argwhere(np.ones((20, 30), dtype=bool))
    ratio = 0.12 + rng.gamma(2.0, 0.3, len(places))
    least = [(0, 0), (0, 1), (1, 0), (1, 1), (3, 0), (3, 1), (4, 0), (4, 1), (5, 0), (5, 1), (4, 2), (5, 2)]
    if apart:
        least[8:] = [(15, 20), (15, 21), (16, 20), (16, 21)]
    pure = (places[:, None] == np.array(least)).all(axis=2).any(axis=1)
    ratio[pure] = 0.12
    noise = np.full(ratio.size, 0.01)
    edge = wedge_edge(
        ratio + noise * rng.standard_normal(ratio.size), noise, prior=0.17, prior_error=0.05, places=places
    )
    assert (edge.error < 0.05) == seen
    # Seen, it is what twelve blocks know it to be; else no more is said than that it is not above them.
    assert edge.value == pytest.approx(0.12, abs=0.01) if seen else edge.value <= 0.17


def test_places_that_disagree_are_least_values_of_clouds():
    """Two clouds that mix everywhere, each with a least ratio of its own: the edge is that of neither."""
    rng = np.random.default_rng(12)
    places = np.argwhere(np.ones((20, 30), dtype=bool))
    ratio = 0.4 + rng.gamma(2.0, 0.2, len(places))
    ratio[(places < 3).all(axis=1)] = 0.2
    ratio[(places > 16).all(axis=1)] = 0.27
    noise = np.full(ratio.size, 0.01)
    edge = wedge_edge(
        ratio + noise * rng.standard_normal(ratio.size), noise, prior=0.17, prior_error=0.05, places=places
    )
    assert edge.error == 0.05 and edge.value <= 0.17
