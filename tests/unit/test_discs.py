"""Discs on the pixel grid: what they hold and what they cover."""

import numpy as np
import pytest

from pipeline.numerics.discs import cover_discs, disc_sums


def places(n, shape, *, seed=1, margin=0.0):
    rng = np.random.default_rng(seed)
    return tuple(rng.uniform(margin, size - 1 - margin, n) for size in shape[::-1])


@pytest.mark.parametrize("radius", [0.2, 0.5, 0.75, 1.5, 4.3, 11.0])
def test_the_area_of_a_disc_is_that_of_a_circle(radius):
    x, y = places(200, (60, 70), margin=15)
    # The ring lies outside of the plane, so nothing is taken off.
    area, _ = disc_sums(np.ones((60, 70)), None, x, y, radius=radius, ring=(100, 101))
    # Exact but for the rounding of some hundred terms.
    np.testing.assert_allclose(area, np.pi * radius**2, rtol=1e-12)


def test_level_and_slope_are_taken_off_and_what_is_on_top_stays():
    y, x = np.mgrid[:90, :80].astype(np.float64)
    u, v = places(50, (90, 80), margin=30)
    plane = 5.0 + 0.25 * np.round(u[:, None, None] + x) + 0.5 * y
    for k in range(50):
        at = np.rint(v[k]), np.rint(u[k])
        level = plane[k].astype(np.float32)
        bare, _ = disc_sums(level, None, at[1:], at[:1], radius=4.0, ring=(7.2, 11.2))
        level[int(at[0]), int(at[1])] += 64.0
        lit, _ = disc_sums(level, None, at[1:], at[:1], radius=4.0, ring=(7.2, 11.2))
        # Centred on a pixel, disc and ring are symmetric; numbers are binary fractions, so only the areas are rounded.
        assert bare[0] == pytest.approx(0.0, abs=1e-9)
        assert lit[0] == pytest.approx(64.0, abs=1e-9)


def test_what_is_not_finite_and_what_lies_outside_hold_nothing():
    rng = np.random.default_rng(3)
    plane, variance = (rng.uniform(1, 2, (40, 50)).astype(np.float32) for _ in range(2))
    holes = rng.random(plane.shape) < 0.2
    x, y = places(100, plane.shape)
    how = {"radius": 3.0, "ring": (5.0, 9.0)}
    nothing = disc_sums(np.where(holes, 0, plane), np.where(holes, 0, variance), x, y, **how)
    for value in (np.nan, np.inf):
        found = disc_sums(np.where(holes, value, plane), np.where(holes, value, variance), x, y, **how)
        np.testing.assert_array_equal(found, nothing)


def test_the_error_is_that_of_the_area_and_of_the_mean_of_the_ring():
    x, y = 31.3, 30.6
    variance = np.full((64, 64), 0.7, dtype=np.float32)
    _, error = disc_sums(np.zeros((64, 64)), variance, [x], [y], radius=3.2, ring=(6, 9))
    row, column = np.mgrid[:64, :64]
    distance = np.hypot(column - x, row - y)
    count = ((distance >= 6) & (distance < 9)).sum()
    area = np.pi * 3.2**2
    # Exact but for rounding; 0.7 is known in single precision.
    assert error[0] == pytest.approx(np.sqrt(float(variance[0, 0]) * (area + area**2 / count)), rel=1e-12)


def test_a_mask_holds_the_pixels_whose_centres_lie_inside():
    shape = (50, 64)
    x, y = places(40, shape)
    x, y = np.concatenate([x, [-3.0, 10.0, 70.0]]), np.concatenate([y, [20.0, 10.0, 20.0]])
    radius = np.append(np.random.default_rng(5).uniform(0.1, 7.0, 40), [5.0, 3.0, 4.0])
    mask = np.zeros(shape, dtype=bool)
    cover_discs(mask, x, y, radius)
    row, column = np.mgrid[: shape[0], : shape[1]]
    expected = [(column - u) ** 2 + (row - v) ** 2 <= r * r for u, v, r in zip(x, y, radius, strict=True)]
    np.testing.assert_array_equal(mask, np.any(expected, axis=0))
