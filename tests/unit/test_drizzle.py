"""Drops: conservation, noise of blocks and of single pixels, curved poses, missing pixels, and the choice of a sampler."""

import numpy as np
import pytest

from pipeline.numerics.cfa import Cfa
from pipeline.numerics.drizzle import casertano_ratio, drizzle
from pipeline.numerics.frame_positions import Placement
from pipeline.numerics.pose import Pose
from pipeline.numerics.sampler import Sampler
from pipeline.numerics.sampler_choice import choose_sampler, measure_coverage
from tests.unit.test_sampling import placement_of, star_frame, turned_pose


def dithers(n, shape, *, seed, degrees=1.0, reach=7.0):
    rng = np.random.default_rng(seed)
    return [
        placement_of(
            turned_pose(
                shape, degrees=degrees * rng.uniform(-1, 1), shift=tuple(rng.uniform(-reach, reach, 2))
            )
        )
        for _ in range(n)
    ]


def stacked(frames, placements, shape, pixfrac):
    """(C, ny, nx) weighted mean of drops, and the sum of the weights."""
    signal, total = (np.zeros((3, *shape)) for _ in "st")
    for frame, placement in zip(frames, placements, strict=True):
        value, weight = drizzle(frame, Cfa("RGGB"), placement, (0, shape[0], 0, shape[1]), pixfrac=pixfrac)
        signal += np.where(weight > 0, weight * value, 0)
        total += weight
    return signal / np.where(total > 0, total, np.nan), total


def test_flux_and_width_of_a_star():
    """Flux to 0.2 % and FWHM to 1.05 of the frames', the promises, at FWHM 3 px and pixfrac 0.8."""
    shape = (64, 64)
    placements = dithers(24, shape, seed=1)
    frames = []
    for placement in placements:
        x, y = placement.pose.inverse(32.3, 31.6)
        frames.append(star_frame(shape, float(x), float(y), 3.0, flux=1000.0))
    image, _ = stacked(frames, placements, shape, 0.8)
    y, x = np.mgrid[:64, :64]
    near = (x - 32.3) ** 2 + (y - 31.6) ** 2 < 12**2
    for plane in image:
        flux = plane[near].sum()
        assert flux == pytest.approx(1000.0, rel=2e-3)
        # Second moments add up: the star's, a box of the drop and a box of the output pixel.
        variance = (plane * ((x - 32.3) ** 2 + (y - 31.6) ** 2))[near].sum() / flux / 2
        sigma2 = (3.0 / 2.3548) ** 2
        # The weights of 24 frames are uneven by some 20 %, which moves the moment by a per cent.
        assert variance == pytest.approx(sigma2 + (1 + 0.8**2) / 12, rel=0.02)
        assert np.sqrt(variance / sigma2) < 1.05


def test_a_flat_field_stays_flat_under_a_curved_pose_with_lateral_colour():
    shape = (60, 80)
    offsets = np.zeros((3, 2, 3))
    offsets[:, :, 0] = np.random.default_rng(2).uniform(-0.6, 0.6, (3, 2))
    placement = Placement(turned_pose(shape, degrees=20.0, scale=0.97, bend=1.0), offsets)
    value, weight = drizzle(
        np.full(shape, 5.0, np.float32), Cfa("GBRG"), placement, (20, 40, 25, 60), pixfrac=0.7
    )
    y, x = np.mgrid[20:40, 25:60]
    seen = weight > 0
    area = 1 / np.abs(placement.pose.area_scale(*placement.pose.inverse(x, y)))
    # The area is taken at each drop, up to a pixel beside the output pixel's centre: 1e-3 of it.
    np.testing.assert_allclose(value[seen], np.broadcast_to(5.0 * area, value.shape)[seen], rtol=2e-3)
    assert seen.mean() > 0.5


def test_every_drop_lands_whole_and_where_it_belongs():
    """One pixel is there: the centroid of what it drops is where pose and channel offset put it."""
    shape = (40, 40)
    offsets = np.zeros((3, 2, 3))
    offsets[2] = [[0.4, 0.1, -0.2], [-0.3, 0.05, 0.15]]
    placement = Placement(turned_pose(shape, degrees=7.0, shift=(0.3, -0.6), bend=0.8), offsets)
    # A drop as wide as an output pixel is split linearly, so that its parts keep its centroid.
    assert placement.pose.scale() == pytest.approx(1.0, abs=1e-12)
    frame = np.full(shape, np.nan, dtype=np.float32)
    frame[21, 17] = 1.0  # Blue in RGGB.
    _, weight = drizzle(frame, Cfa("RGGB"), placement, (0, 40, 0, 40), pixfrac=1.0)
    assert not weight[:2].any()
    assert weight[2].sum() == pytest.approx(1.0, rel=1e-5)
    # Where light that falls at the pixel belongs: solved by iteration, beside the closed form in use.
    belongs = np.array([17.0, 21.0])
    scale = 0.5 * np.hypot(40, 40)
    for _ in range(50):
        u, v = (belongs - 19.5) / scale
        belongs = np.array([17.0, 21.0]) - offsets[2] @ (1.0, u, v)
    expected = placement.pose.forward(*belongs)
    y, x = np.mgrid[:40, :40]
    found = (weight[2] * x).sum() / weight[2].sum(), (weight[2] * y).sum() / weight[2].sum()
    # Sums of float32 overlaps.
    np.testing.assert_allclose(found, expected, atol=2e-5)


def test_what_is_bad_or_saturated_is_not_dropped():
    shape = (20, 20)
    frame = np.ones(shape, dtype=np.float32)
    frame[10, 10], frame[6, 6] = np.nan, np.inf
    value, weight = drizzle(
        frame, Cfa("mono"), placement_of(Pose.identity(shape), 1), (0, 20, 0, 20), pixfrac=1.0
    )
    assert weight[0, 10, 10] == weight[0, 6, 6] == 0
    assert np.isnan(value[0, 10, 10]) and np.isnan(value[0, 6, 6])
    assert (value[weight > 0] == 1).all()


@pytest.mark.parametrize("window", [(0, 17, 0, 40), (17, 40, 13, 33)])
def test_a_window_gives_the_same_as_the_whole(window):
    shape = (40, 40)
    frame = np.random.default_rng(3).normal(size=shape).astype(np.float32)
    placement = placement_of(turned_pose(shape, degrees=181.0, shift=(0.3, 3.2)))
    whole = drizzle(frame, Cfa("GRBG"), placement, (0, 40, 0, 40), pixfrac=0.8)
    rows, columns = Sampler("drizzle").part_needed(placement, Cfa("GRBG"), window)
    part = drizzle(
        frame[slice(*rows), slice(*columns)], Cfa("GRBG"), placement, window, pixfrac=0.8,
        first_row=rows[0], first_column=columns[0],
    )  # fmt: skip
    for a, b in zip(part, whole, strict=True):
        # Positions are counted from the window's corner: they differ by rounding, 1e-14 px.
        np.testing.assert_allclose(
            a, b[:, window[0] : window[1], window[2] : window[3]], atol=2e-6, rtol=1e-5
        )


@pytest.mark.parametrize("pixfrac", [0.6, 1.0])
def test_noise_of_pixels_and_blocks_is_casertanos(pixfrac):
    """A dense mono stack: pixel noise low by 1 - p/3 against blocks of any size (Casertano et al. 2000, appendix A6)."""
    shape, n = (96, 96), 40
    rng = np.random.default_rng(4)
    total, signal = np.zeros(shape), np.zeros(shape)
    for _ in range(n):
        placement = placement_of(turned_pose(shape, shift=tuple(rng.uniform(-3, 3, 2))), 1)
        frame = rng.normal(size=shape).astype(np.float32)
        value, weight = drizzle(frame, Cfa("mono"), placement, (0, 96, 0, 96), pixfrac=pixfrac)
        total += weight[0]
        signal += np.where(weight[0] > 0, weight[0] * value[0], 0)
    inner = (signal / total)[8:88, 8:88]
    # 6400 correlated pixels fix their scatter to 2 %, uneven weights add 1 % at pixfrac 0.6; 3 sigma.
    assert inner.std() * np.sqrt(n) == pytest.approx(casertano_ratio(pixfrac), rel=0.07)
    blocks = inner.reshape(10, 8, 10, 8).mean(axis=(1, 3))
    density = Sampler("drizzle", pixfrac).density_factor(Cfa("mono"), "L", placement)
    # 100 blocks: 7 %; 3 sigma.
    assert blocks.std() == pytest.approx(np.sqrt(density / n / 64), rel=0.21)


def test_casertanos_ratio_on_both_branches():
    # s/p (1 - s/3p) for s < p and 1 - p/3s else, with s = 1: equal to 2/3 where they meet.
    np.testing.assert_allclose(casertano_ratio([0.6, 1.0, 2.0]), [0.8, 2 / 3, 0.5 * (1 - 1 / 6)], rtol=1e-12)


def test_the_choice_follows_the_coverage():
    shape, cfa = (200, 240), Cfa("RGGB")
    many, few = dithers(24, shape, seed=1), dithers(4, shape, seed=6)
    # Without dithers all frames see the same pixels: red never gets beyond its quarter of the grid.
    still = dithers(24, shape, seed=7, degrees=0.0, reach=0.0)
    for placements, kernel in ((many, "drizzle"), (few, "ringless"), (still, "ringless")):
        weights = np.ones((len(placements), 3))
        sampler, coverage = choose_sampler("auto", 0.8, placements, weights, cfa, shape)
        assert sampler.kernel == kernel
        assert coverage.even == (kernel == "drizzle")
    # Sixteen frames whose drops of 0.8 leave 4 % of the noise on the table do with whole pixels.
    luckless = dithers(16, shape, seed=2)
    assert not measure_coverage(luckless, np.ones((16, 3)), cfa, shape, pixfrac=0.8).even
    assert choose_sampler("auto", 0.8, luckless, np.ones((16, 3)), cfa, shape)[0] == Sampler("drizzle", 1.0)
    assert choose_sampler("cubic", 0.8, many, np.ones((24, 3)), cfa, shape)[0].kernel == "cubic"
    assert choose_sampler("drizzle", 0.8, still, np.ones((24, 3)), cfa, shape)[0].drops
    assert measure_coverage(still, np.ones((24, 3)), cfa, shape, pixfrac=0.8).empty > 0.1


def test_the_loss_is_that_of_blocks():
    """Monte Carlo: noise of blocks of dropped noise against that of the same pixels evenly weighted."""
    shape, cfa, n = (96, 96), Cfa("RGGB"), 12
    ratios = []
    for seed in range(6):
        placements = dithers(n, shape, seed=20 + seed)
        rng = np.random.default_rng(seed)
        frames = [rng.normal(size=shape).astype(np.float32) for _ in range(n)]
        image, _ = stacked(frames, placements, shape, 0.8)
        blocks = image[0, 16:80, 16:80].reshape(8, 8, 8, 8).mean(axis=(1, 3))
        loss = measure_coverage(placements, np.ones((n, 3)), cfa, shape, pixfrac=0.8).loss
        density = Sampler("drizzle", 0.8).density_factor(cfa, "R", placements[0])
        ratios.append(blocks.std() / np.sqrt(density / n / 64) / loss)
    # 384 blocks: 3.6 %; 3 sigma.
    assert np.sqrt(np.mean(np.square(ratios))) == pytest.approx(1.0, abs=0.11)


def test_a_pixfrac_out_of_range_is_refused():
    with pytest.raises(ValueError, match="pixfrac"):
        drizzle(
            np.ones((4, 4)), Cfa("mono"), placement_of(Pose.identity((4, 4)), 1), (0, 4, 0, 4), pixfrac=0.0
        )
