"""The spline of what a low order leaves: used where the sky bends, not for noise, and straight across a nebula."""

import numpy as np
import pytest

from pipeline.numerics.sky_cells import Cells
from pipeline.numerics.sky_model import fit_sky
from pipeline.numerics.sky_remainder import fit_remainder

SHAPE = (640, 960)
CELL = 32
NOISE = 0.002


def cells_of(sky, *, nebula=0.0, seed=1):
    """Cells of a sky given as a function of (u, v), 0..1 over the field, with two channels."""
    ny, nx = SHAPE
    x, y = np.meshgrid(np.arange(nx // CELL) * CELL + 15.5, np.arange(ny // CELL) * CELL + 15.5)
    plane = sky(x / nx, y / ny) + nebula * np.exp(-0.5 * np.hypot(x - 480, y - 320) ** 2 / 70**2)
    rng = np.random.default_rng(seed)
    value = np.array([plane, 0.5 * plane]) + NOISE * rng.normal(size=(2, *plane.shape))
    free = np.hypot(x - 480, y - 320) > 180
    return Cells(x, y, value, np.full(value.shape, NOISE), SHAPE), free


def lamp(u, v):
    """A glow in one corner, half of it over a sixth of the field, on a slope."""
    return 1.0 + 0.2 * u + 0.15 * np.exp(-(u**2 + v**2) / 0.08)


def test_a_lamp_in_the_corner_is_followed():
    cells, free = cells_of(lamp)
    skies = fit_sky(cells, free, max_order=2)
    remainder = fit_remainder(cells, free, skies)
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]]
    truth = lamp(x / SHAPE[1], y / SHAPE[0])
    surface = skies[0].surface.on_grid(SHAPE)
    seen = np.hypot(x - 480, y - 320) > 180
    before, after = (np.std((image - truth)[seen]) for image in (surface, surface + remainder[0]))
    assert after < 0.5 * before
    # Half the glow in the other channel; its noise is the same.
    assert np.ptp(remainder[1]) == pytest.approx(0.5 * np.ptp(remainder[0]), rel=0.1)


@pytest.mark.parametrize("seed", range(4))
def test_noise_about_a_smooth_sky_is_left_alone(seed):
    cells, free = cells_of(lambda u, v: 1.0 + 0.2 * u - 0.1 * u * v, seed=seed)
    assert fit_remainder(cells, free, fit_sky(cells, free, max_order=2)) is None


def test_a_nebula_changes_nothing():
    """Cells with nebula are not free; what the spline is across them does not depend on how bright it is."""
    found = []
    for nebula in (0.0, 5.0):
        cells, free = cells_of(lamp, nebula=nebula)
        found.append(fit_remainder(cells, free, fit_sky(cells, free, max_order=2)))
    # Its foot, 4 % at the rim of what is free, is in the sky for real: allow a tenth of that.
    foot = 5.0 * np.exp(-0.5 * (180 / 70) ** 2)
    assert np.abs(found[1] - found[0]).max() < foot
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]]
    inside = np.hypot(x - 480, y - 320) < 60
    assert np.abs(found[1][0][inside]).max() < 0.05 * 5.0


def test_too_few_free_cells_have_no_spline():
    cells, free = cells_of(lamp)
    few = np.zeros_like(free)
    few[:5, :5] = True
    assert fit_remainder(cells, few, fit_sky(cells, few, max_order=1)) is None
