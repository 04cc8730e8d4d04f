"""The compiled look at the cores of stars against the same figures by whole arrays."""

import numpy as np
import pytest

from pipeline.numerics.star_cores import FIGURES, core_figures

SHAPE = (120, 150)
CORE, RING, QUIET_SIGMA = 3.6, (7.5, 12.0), 4.0
N_STARS = 60


@pytest.fixture(scope="module")
def field():
    """Noisy gas that slopes, stars with remnants of either sign over all of it and its border, and a hole without data."""
    rng = np.random.default_rng(1)
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]]
    line = 0.02 * x - 0.01 * y + rng.normal(0, 1, SHAPE)
    continuum = rng.normal(2, 1, SHAPE)
    at = rng.uniform(0, 1, (N_STARS, 2)) * (np.array(SHAPE) - 1)
    at[:4] = [[0.2, 0.3], [119.0, 149.0], [60.0, 0.0], [102.0, 12.0]]
    for (v, u), light in zip(at, rng.uniform(0, 400, N_STARS), strict=True):
        psf = np.exp(-((x - u) ** 2 + (y - v) ** 2) / 8) / (8 * np.pi)
        continuum += light * psf
        line += light * rng.uniform(-0.5, 0.5) * psf
    variance = 1 + 0.01 * continuum
    variance[100:104, 20:24] = np.nan
    planes = tuple(plane.astype(np.float32) for plane in (line, variance, continuum))
    return *planes, at[:, 1], at[:, 0]


def looked_at(field, closely):
    how = {"core": CORE, "ring": RING, "quiet_sigma": QUIET_SIGMA}
    return core_figures(*field, **how, closely=np.full(N_STARS, closely))


def by_arrays(line, variance, continuum, u, v):
    """The figures of one star, or None."""
    reach = int(np.ceil(RING[1])) + 1
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]]
    near = (abs(x - int(u)) <= reach) & (abs(y - int(v)) <= reach)
    distance = np.hypot(x - u, y - v)
    core = near & (distance <= CORE)
    ring = near & (distance > RING[0]) & (distance <= RING[1])
    if core.sum() < 4 or ring.sum() < 8 or not np.isfinite(variance[ring]).all():
        return None
    terms = np.stack([np.ones(SHAPE), x - u, y - v], axis=-1)
    plane = np.linalg.lstsq(terms[ring], line[ring].astype(float), rcond=None)[0]
    left = line - terms @ plane
    noise = np.sqrt(np.median(variance[ring]))
    scatter = 1.4826022 * np.median(np.abs(left[ring] - np.median(left[ring])))
    starlight = (continuum[core] - np.median(continuum[ring])).sum(dtype=float)
    total = np.hypot(noise, scatter)
    share = left[core].sum() / starlight if starlight > 0 else np.nan
    strength = starlight / (total * np.sqrt(core.sum()))
    return share, np.abs(left[core]).max() / total, noise, scatter, strength


def test_figures_are_those_of_whole_arrays(field):
    seen, figures = looked_at(field, True)
    expected = [by_arrays(*field[:3], u, v) for u, v in zip(*field[3:], strict=True)]
    np.testing.assert_array_equal(seen, [one is not None for one in expected])
    assert 0.7 * N_STARS < seen.sum() < N_STARS  # the fourth lies near the hole
    # Medians are those of numbers in single precision, 6e-8 each, of which some are differences of larger ones.
    np.testing.assert_allclose(figures[seen], [one for one in expected if one is not None], rtol=2e-5)
    assert np.isnan(figures[~seen]).all()


def test_only_stars_whose_surroundings_are_quiet_are_passed_over(field):
    line, variance, _, x, y = field
    every, figures = looked_at(field, True)
    seen, same = looked_at(field, False)
    assert not (seen & ~every).any()
    np.testing.assert_array_equal(same[seen], figures[seen])
    passed = every & ~seen
    assert passed.sum() > 5
    assert (seen & (figures[:, FIGURES.index("excess")] > QUIET_SIGMA)).sum() > 5
    for u, v in zip(np.rint(x[passed]).astype(int), np.rint(y[passed]).astype(int), strict=True):
        around, core = (np.s_[max(v - r, 0) : v + r + 1, max(u - r, 0) : u + r + 1] for r in (9, 4))
        departure = np.abs(line[core] - np.median(line[around])).max()
        assert departure < QUIET_SIGMA * np.sqrt(np.median(variance[around]))
