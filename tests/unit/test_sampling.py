"""Resampling from raw pixels: exactness, conservation of flux, equal colours, missing pixels, variance."""

import numpy as np
import pytest

from pipeline.numerics.cfa import BAYER_PATTERNS, Cfa
from pipeline.numerics.frame_positions import Placement, frame_positions
from pipeline.numerics.pose import Pose
from pipeline.numerics.raw_to_rate import marked_rate
from pipeline.numerics.sampler import Sampler
from pipeline.numerics.sampling import (
    KERNELS,
    lattice_density_factor,
    peak_loss,
    resample,
    sample_noise_factor,
)
from pipeline.numerics.sparse_sampling import sample_raw


def placement_of(pose, n_channels=3, offsets=None):
    return Placement(pose, np.zeros((n_channels, 2, 3)) if offsets is None else offsets)


def turned_pose(shape, *, degrees=0.0, scale=1.0, shift=(0.0, 0.0), bend=0.0):
    """A similarity about the middle of the frame with, if wanted, a quadratic bend (anchor pixels at the corner)."""
    angle = np.radians(degrees)
    linear = scale * np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    middle = np.array([(shape[1] - 1) / 2, (shape[0] - 1) / 2])
    matrix = np.column_stack([linear, middle - linear @ middle + shift])
    pose = Pose.from_matrix(matrix, shape)
    if not bend:
        return pose
    coefficients = pose.coefficients.copy()
    coefficients[0, 3:] += (bend, 0.5 * bend, -bend)
    coefficients[1, 3:] += (-bend, bend, 0.7 * bend)
    return Pose("quadratic", coefficients, shape)


def whole_grid(pose, shape):
    y, x = np.mgrid[: shape[0], : shape[1]]
    return frame_positions(pose, x.ravel(), y.ravel())


def star_frame(shape, x, y, fwhm, flux=1.0):
    """Gaussian star sampled at pixel centres; its flux is exact to exp(-2 pi^2 sigma^2), 1e-14 for FWHM 3."""
    sigma = fwhm / (2 * np.sqrt(2 * np.log(2)))
    rows, columns = np.mgrid[: shape[0], : shape[1]]
    profile = np.exp(-((columns - x) ** 2 + (rows - y) ** 2) / (2 * sigma**2))
    return (flux * profile / (2 * np.pi * sigma**2)).astype(np.float32)


@pytest.mark.parametrize("bend", [0.0, 6.0])
def test_positions_are_the_inverse_of_the_pose(bend):
    pose = turned_pose((300, 400), degrees=178.0, scale=1.03, shift=(7.3, -4.1), bend=bend)
    rng = np.random.default_rng(11)
    x, y = rng.uniform(0, 399, 200), rng.uniform(0, 299, 200)
    back_x, back_y, area = frame_positions(pose, *pose.forward(x, y))
    # Newton's last step is below 1e-3 px; what is left is its square times the curvature of 1e-4 per px.
    np.testing.assert_allclose(back_x, x, atol=1e-8)
    np.testing.assert_allclose(back_y, y, atol=1e-8)
    np.testing.assert_allclose(area, 1 / np.abs(pose.area_scale(x, y)), rtol=1e-9)


def test_a_pose_that_folds_gives_no_position():
    coefficients = np.zeros((2, 6))
    coefficients[0, 1], coefficients[1, 2], coefficients[0, 3] = 50.0, 50.0, 100.0
    # X = 50 u + 100 u^2 never falls below -6.25.
    x, y, area = frame_positions(
        Pose("quadratic", coefficients, (71, 71)), np.array([-20.0]), np.array([0.0])
    )
    assert np.isnan([x[0], y[0], area[0]]).all()


@pytest.mark.parametrize("pattern", [*BAYER_PATTERNS, "mono"])
@pytest.mark.parametrize("kernel", KERNELS)
def test_planes_are_reproduced_whatever_the_pattern(pattern, kernel):
    cfa = Cfa(pattern)
    shape = (61, 83)
    rows, columns = np.mgrid[: shape[0], : shape[1]]
    slopes = np.array([[3.0, 0.02, -0.05], [1.0, -0.03, 0.04], [9.0, 0.01, 0.01]])
    index = cfa.index_map(*shape)
    frame = (slopes[index, 0] + slopes[index, 1] * columns + slopes[index, 2] * rows).astype(np.float32)
    pose = turned_pose(shape, degrees=12.0, scale=0.97, shift=(1.37, -2.71), bend=1.5)
    positions = whole_grid(pose, shape)
    x, y, area = positions
    value, weight = resample(frame, cfa, placement_of(pose, len(cfa.channels)), positions, kernel=kernel)
    inside = (x > 4) & (y > 4) & (x < shape[1] - 5) & (y < shape[0] - 5)
    for c in range(len(cfa.channels)):
        expected = (slopes[c, 0] + slopes[c, 1] * x + slopes[c, 2] * y) * area
        # Both kernels reproduce a plane exactly; what is left is float32 pixels and output of size 10.
        np.testing.assert_allclose(value[c][inside], expected[inside], atol=5e-6)
        assert (weight[c][inside] == 1).all()


def test_channel_offset_is_undone():
    shape = (64, 64)
    rows, columns = np.mgrid[: shape[0], : shape[1]]
    frame = (2.0 * columns + 0.5 * rows).astype(np.float32)
    offsets = np.zeros((3, 2, 3))
    offsets[0] = [[0.6, 0.2, 0.0], [-0.3, 0.0, 0.1]]
    placement = placement_of(Pose.identity(shape), offsets=offsets)
    positions = whole_grid(placement.pose, shape)
    value, _ = resample(frame, Cfa("GRBG"), placement, positions)
    scale = 0.5 * np.hypot(64, 64)
    u, v = (positions[0] - 31.5) / scale, (positions[1] - 31.5) / scale
    inside = (np.abs(u) < 0.5) & (np.abs(v) < 0.5)
    shifted = 2.0 * (positions[0] + 0.6 + 0.2 * u) + 0.5 * (positions[1] - 0.3 + 0.1 * v)
    np.testing.assert_allclose(value[0][inside], shifted[inside], rtol=2e-6)
    np.testing.assert_allclose(value[1][inside], (2.0 * positions[0] + 0.5 * positions[1])[inside], rtol=2e-6)


@pytest.mark.parametrize("pattern", ["RGGB", "GBRG", "mono"])
@pytest.mark.parametrize("scale", [1.0, 0.93])
def test_flux_of_stars_is_conserved(pattern, scale):
    cfa = Cfa(pattern)
    shape = (80, 80)
    pose = turned_pose(shape, degrees=33.0, scale=scale, shift=(0.4, 0.1), bend=0.4)
    positions = whole_grid(pose, shape)
    fluxes = []
    # Sixteen phases of the lattice of spacing 2, as dithering gives them.
    for x in np.arange(0, 2, 0.5) + 39.1:
        for y in np.arange(0, 2, 0.5) + 38.7:
            frame = star_frame(shape, x, y, 3.0, flux=100.0)
            value, _ = resample(frame, cfa, placement_of(pose, len(cfa.channels)), positions)
            fluxes.append(np.nansum(value, axis=1, dtype=np.float64))
    fluxes = np.array(fluxes)
    # Mean over the phases: 0.2 % is the promise; aliasing averages out, float32 remains.
    np.testing.assert_allclose(fluxes.mean(axis=0), 100.0, rtol=2e-3)
    # One phase: four terms of exp(-2 pi^2 s^2 / 4) = 0.034 %, in the worst case of one sign.
    np.testing.assert_allclose(fluxes, 100.0, rtol=2e-3)


def test_colours_of_a_white_star_stay_white_across_its_image():
    """Averaged over the phases of the lattice, R, G and B have one and the same profile."""
    shape = (60, 60)
    total = np.zeros((3, 60, 60))
    phases = np.arange(0, 2, 0.25)
    for dx in phases:
        for dy in phases:
            pose = turned_pose(shape, shift=(-dx, -dy))
            frame = star_frame(shape, 30 + dx, 30 + dy, 3.2)
            value, _ = resample(frame, Cfa("RGGB"), placement_of(pose), whole_grid(pose, shape))
            total += np.nan_to_num(value.reshape(3, 60, 60))
    peak = total.max()
    # With all phases alike, every channel has seen the same kernel; equal up to float32 rounding.
    np.testing.assert_allclose(total[0], total[1], atol=1e-5 * peak)
    np.testing.assert_allclose(total[2], total[1], atol=1e-5 * peak)


def test_missing_pixels_cost_weight_and_never_ring():
    shape = (40, 40)
    frame = np.full(shape, 7.0, dtype=np.float32)
    frame[20, 20] = np.nan
    pose = turned_pose(shape, shift=(0.3, 0.2))
    value, weight = resample(frame, Cfa("RGGB"), placement_of(pose), whole_grid(pose, shape))
    value, weight = value.reshape(3, 40, 40), weight.reshape(3, 40, 40)
    # Row 20, column 20 is red in RGGB: green and blue do not notice.
    inner = (slice(4, 36),) * 2
    assert (weight[1:, *inner] == 1).all()
    assert (weight[0][inner] < 1).sum() == 16
    assert weight[0].min() == 0
    seen = weight > 0
    # The six weights of a phase sum to one up to their rounding to float32.
    np.testing.assert_allclose(value[seen], 7.0, rtol=3e-7)
    assert np.isnan(value[~seen]).all()


def test_outside_of_the_frame_there_is_nothing():
    shape = (30, 30)
    pose = turned_pose(shape, shift=(12.0, 0.0))
    _, weight = resample(np.ones(shape, np.float32), Cfa("RGGB"), placement_of(pose), whole_grid(pose, shape))
    weight = weight.reshape(3, 30, 30)
    assert (weight[:, :, :10] == 0).all()
    assert (weight[:, 4:26, 18:] == 1).all()


def test_a_band_of_the_frame_gives_the_same_as_the_whole():
    shape = (90, 50)
    rng = np.random.default_rng(3)
    frame = rng.normal(size=shape).astype(np.float32)
    cfa = Cfa("GBRG")
    offsets = rng.uniform(-0.5, 0.5, (3, 2, 3))
    pose = turned_pose(shape, degrees=181.0, shift=(0.3, 3.2), bend=1.0)
    placement = placement_of(pose, offsets=offsets)
    y, x = np.mgrid[30:47, :50]
    positions = frame_positions(pose, x.ravel(), y.ravel())
    (first, stop), (left, right) = Sampler("lanczos").part_needed(placement, cfa, (30, 47, 0, 50))
    assert first % 2 == 0 and 0 < stop - first < 60
    whole = resample(frame, cfa, placement, positions)
    part = frame[first:stop, left:right]
    band = resample(part, cfa, placement, positions, first_row=first, first_column=left)
    np.testing.assert_array_equal(band[0], whole[0])
    np.testing.assert_array_equal(band[1], whole[1])


def test_an_odd_first_row_is_refused():
    pose = Pose.identity((8, 8))
    with pytest.raises(ValueError, match="first_row"):
        resample(np.ones((4, 8)), Cfa("RGGB"), placement_of(pose), whole_grid(pose, (8, 8)), first_row=1)


@pytest.mark.parametrize(("pattern", "channel"), [("RGGB", "R"), ("RGGB", "G"), ("BGGR", "B"), ("mono", "L")])
@pytest.mark.parametrize("scale", [1.0, 0.9])
def test_noise_of_samples_and_of_large_blocks(pattern, channel, scale):
    cfa = Cfa(pattern)
    shape = (520, 520)
    rng = np.random.default_rng(17)
    frame = rng.normal(size=shape).astype(np.float32)
    pose = turned_pose(shape, degrees=20.0, scale=scale, shift=(0.3, 0.2))
    positions = whole_grid(pose, shape)
    value, _ = resample(frame, cfa, placement_of(pose, len(cfa.channels)), positions)
    image = value[cfa.channels.index(channel)].reshape(shape)[132:388, 132:388].astype(np.float64)
    area = 1 / scale**2
    measured = image.var() / area**2
    # 65 000 samples, each correlated with some 16 others: relative error sqrt(2 * 16 / 65 000) = 2 %; 4 sigma.
    np.testing.assert_allclose(measured, sample_noise_factor(cfa, channel), rtol=0.09)
    side = 32
    blocks = image.reshape(256 // side, side, 256 // side, side).mean(axis=(1, 3))
    honest = lattice_density_factor(cfa, channel) * area * side**-2
    # 64 blocks: the standard deviation is known to 1 / sqrt(128) = 9 %; kernel leakage takes 2 %; 3 sigma.
    np.testing.assert_allclose(blocks.std(), np.sqrt(honest), rtol=0.28)


@pytest.mark.parametrize(
    ("kernel", "fwhm", "expected"),
    [
        ("ringless", 3.0, 1.12),
        ("ringless", 4.0, 1.05),
        ("lanczos", 3.0, 1.12),
        ("lanczos", 4.0, 1.03),
        ("cubic", 3.0, 1.14),
        ("cubic", 4.0, 1.06),
        ("linear", 4.0, 1.11),
    ],
)
def test_stars_widen_as_the_table_in_the_module_says(kernel, fwhm, expected):
    """Mean profile over all phases of the lattice, against the convolution integral that made the table."""
    shape = (48, 48)
    total = np.zeros(shape)
    for dx in np.arange(0, 2, 0.25):
        for dy in np.arange(0, 2, 0.25):
            pose = turned_pose(shape, shift=(-dx, -dy))
            frame = star_frame(shape, 24 + dx, 24 + dy, fwhm)
            value, _ = resample(
                frame, Cfa("RGGB"), placement_of(pose), whole_grid(pose, shape), kernel=kernel
            )
            total += np.nan_to_num(value[0].reshape(shape))
    profile = total[24]
    crossing = np.interp(0.5 * profile.max(), profile[24:36][::-1], np.arange(12)[::-1])
    # Linear interpolation of the profile at half height, whose curvature is nearly nil there, errs by 1 %.
    assert 2 * crossing / fwhm == pytest.approx(expected, rel=0.02)


def test_the_peak_that_sampling_may_lose_is_the_one_that_is_lost():
    shape = (48, 48)
    cfa = Cfa("RGGB")
    pose = Pose.identity(shape)
    for fwhm in (2.2, 3.0, 4.0):
        # Red sits on even pixels: a star on an odd one lies in the middle between four of them.
        value, _ = resample(star_frame(shape, 25, 25, fwhm), cfa, placement_of(pose), whole_grid(pose, shape))
        low = value[0].reshape(shape)[25, 25]
        value, _ = resample(star_frame(shape, 24, 24, fwhm), cfa, placement_of(pose), whole_grid(pose, shape))
        high = value[0].reshape(shape)[24, 24]
        peak = star_frame(shape, 25, 25, fwhm)[25, 25]
        assert (high - low) / peak == pytest.approx(float(peak_loss(fwhm, cfa)), abs=1e-5)


def test_the_default_kernel_digs_no_ring_around_a_star():
    """Mean over all phases, and the worst one, of the lowest sample over the peak; the table of the module, 2-D."""
    shape, fwhm, lowest = (48, 48), 3.0, {}
    for kernel in ("ringless", "lanczos"):
        total, worst = np.zeros(shape), 0.0
        for dx in np.arange(0, 2, 0.25):
            for dy in np.arange(0, 2, 0.25):
                pose = turned_pose(shape, shift=(-dx, -dy))
                frame = star_frame(shape, 24 + dx, 24 + dy, fwhm)
                value, _ = resample(
                    frame, Cfa("RGGB"), placement_of(pose), whole_grid(pose, shape), kernel=kernel
                )
                image = np.nan_to_num(value[0].reshape(shape)) / star_frame(shape, 24, 24, fwhm).max()
                total += image / 64
                worst = min(worst, image.min())
        lowest[kernel] = total.min(), worst
    # Computed for one dimension: 0 and -1.5 % (ringless), -2.0 and -4.3 % (lanczos). In two the highest factor of the
    # other axis, at most 1.04, comes in, and whole output pixels see the deepest place at few phases.
    assert lowest["ringless"][0] > -1e-3 and -0.016 < lowest["ringless"][1] < -0.008
    assert -0.021 < lowest["lanczos"][0] < -0.010 and lowest["lanczos"][1] < -0.025


@pytest.mark.parametrize("pattern", ["RGGB", "GBRG", "mono"])
def test_samples_of_a_raw_frame_are_those_of_the_calibrated_one(pattern):
    shape, cfa = (60, 80), Cfa(pattern)
    rng = np.random.default_rng(51)
    raw = rng.integers(900, 1100, shape).astype(np.uint16)
    raw[20:24, 30:33] = 60000
    dark, flat = rng.normal(500, 3, shape).astype(np.float32), rng.uniform(0.8, 1, shape).astype(np.float32)
    invalid = rng.uniform(size=shape) < 0.05
    placement = placement_of(turned_pose(shape, degrees=7.0, shift=(1.3, -0.8)), len(cfa.channels))
    # Some of the places lie beyond the frame.
    positions = frame_positions(placement.pose, rng.uniform(-5, 85, 3000), rng.uniform(-5, 65, 3000))
    sparse = sample_raw(raw, dark, flat, invalid, 0.01, cfa, placement, positions, level=50000)
    whole, _ = resample(
        marked_rate(raw, dark, flat, invalid, 0.01, level=50000), cfa, placement, positions, kernel="linear"
    )
    # Sums of four products in another order.
    np.testing.assert_allclose(sparse, whole, rtol=2e-6, atol=1e-6)
    assert np.isnan(sparse).any() and np.isfinite(sparse).mean() > 0.5
