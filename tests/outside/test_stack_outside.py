"""The stacking engine against general-purpose libraries on the same arrays."""

from functools import partial

import numpy as np
import pytest
from astropy.stats import mad_std, sigma_clip
from drizzle.resample import Drizzle
from scipy import ndimage

from pipeline.numerics.band_noise import BandNoise
from pipeline.numerics.cfa import Cfa
from pipeline.numerics.drizzle import drizzle
from pipeline.numerics.frame_positions import Placement, frame_positions
from pipeline.numerics.partial_sum import PartialSum
from pipeline.numerics.pose import Pose
from pipeline.numerics.rejection import Thresholds, find_outliers
from pipeline.numerics.sampling import resample
from pipeline.numerics.simple_rejection import find_outliers_simply
from pipeline.numerics.weighted_sum import combine


def noisy_frame(shape, seed=1):
    return np.random.default_rng(seed).normal(100, 5, shape).astype(np.float32)


def sampled_at(frame, cfa, x, y, kernel):
    """Our samples at frame positions; a pose that is the identity makes anchor and frame positions the same."""
    placement = Placement(Pose.identity(frame.shape), np.zeros((len(cfa.channels), 2, 3)))
    return resample(frame, cfa, placement, frame_positions(placement.pose, x, y), kernel=kernel)[0]


@pytest.mark.parametrize("pattern", ["RGGB", "GBRG", "mono"])
def test_linear_kernel_is_bilinear_interpolation_of_each_colour_plane(pattern):
    """scipy.ndimage.map_coordinates, order 1, on each plane; the two greens averaged."""
    cfa = Cfa(pattern)
    frame = noisy_frame((60, 80))
    rng = np.random.default_rng(2)
    x, y = rng.uniform(4, 75, 500), rng.uniform(4, 55, 500)
    ours = sampled_at(frame, cfa, x, y, "linear")
    for c, channel in enumerate(cfa.channels):
        if cfa.is_mono:
            theirs = ndimage.map_coordinates(frame.astype(np.float64), [y, x], order=1)
        else:
            theirs = np.mean(
                [
                    ndimage.map_coordinates(
                        frame[dy::2, dx::2].astype(np.float64), [(y - dy) / 2, (x - dx) / 2], order=1
                    )
                    for dy, dx in cfa.offsets(channel)
                ],
                axis=0,
            )
        # Output is float32 of size 100: half a unit in the last place is 4e-6.
        np.testing.assert_allclose(ours[c], theirs, atol=1e-5)


def test_cubic_kernel_meets_the_spline_on_smooth_data():
    """scipy.ndimage.map_coordinates, order 3 (a cubic spline), on a wave of 25 pixels.

    Half way between pixels Keys' kernel gives 9/8 cos(k/2) - 1/8 cos(3k/2) = 1 - 3/128 k^4 of a wave of k per step
    (expanded by hand), which is its largest error; the spline's is a tenth of that.
    """
    rows, columns = np.mgrid[:100, :120]
    frame = np.sin(2 * np.pi * columns / 25) * np.cos(2 * np.pi * rows / 31)
    rng = np.random.default_rng(3)
    x, y = rng.uniform(20, 99, 400), rng.uniform(20, 79, 400)
    ours = sampled_at(frame.astype(np.float32), Cfa("RGGB"), x, y, "cubic")
    theirs = ndimage.map_coordinates(frame[::2, ::2], [y / 2, x / 2], order=3)
    largest = 3 / 128 * sum((2 * np.pi / (period / 2)) ** 4 for period in (25, 31))
    np.testing.assert_allclose(ours[0], theirs, atol=1.1 * largest)
    # And it is much better than the linear one, whose error is k^2 / 8.
    linear = sampled_at(frame.astype(np.float32), Cfa("RGGB"), x, y, "linear")[0]
    assert np.abs(ours[0] - theirs).max() < 0.1 * np.abs(linear - theirs).max()


def test_ringless_kernel_is_a_filtered_spline_on_smooth_data():
    """scipy.ndimage on a wave: the lattice filtered by ndimage.correlate1d, then interpolated by a cubic spline.

    On data so smooth that the shape of a kernel does not matter, the differences that "ringless" adds to the cubic
    kernel are those of the lattice itself: weights (c, b - 4 c, 1 - 2 b + 6 c, b - 4 c, c) along both axes.
    """
    rows, columns = np.mgrid[:100, :120]
    frame = np.sin(2 * np.pi * columns / 25) * np.cos(2 * np.pi * rows / 31)
    rng = np.random.default_rng(3)
    x, y = rng.uniform(20, 99, 400), rng.uniform(20, 79, 400)
    ours = sampled_at(frame.astype(np.float32), Cfa("RGGB"), x, y, "ringless")
    b, c = 0.06, 0.025
    filtered = frame[::2, ::2]
    for axis in (0, 1):
        filtered = ndimage.correlate1d(filtered, [c, b - 4 * c, 1 - 2 * b + 6 * c, b - 4 * c, c], axis=axis)
    theirs = ndimage.map_coordinates(filtered, [y / 2, x / 2], order=3)
    k2 = [(2 * np.pi / (period / 2)) ** 2 for period in (25, 31)]
    # Keys' largest error 3/128 k^4 (see above); b k^2 f is interpolated by a step that is off by up to 10 % of the
    # slope and k^2 / 8 half way, each of which a wave meets at other places.
    largest = sum(3 / 128 * k**2 + b * k * (0.1 * np.sqrt(k) + k / 8) for k in k2)
    np.testing.assert_allclose(ours[0], theirs, atol=1.1 * largest)
    # What the filter changes is several times that.
    plain = ndimage.map_coordinates(frame[::2, ::2], [y / 2, x / 2], order=3)
    assert np.abs(plain - theirs).max() > 2 * np.abs(ours[0] - theirs).max()


def test_rejection_agrees_with_sigma_clip_on_independent_samples():
    """astropy.stats.sigma_clip about the median, with the standard deviation that the samples truly have.

    On independent normal samples with lone outliers, no slope and no growth, both have to reject the same samples,
    apart from those close to the threshold, since we count the noise of the median as well and sigma_clip
    estimates its standard deviation from few samples.
    """
    rng = np.random.default_rng(4)
    n, shape = 25, (40, 50)
    values = rng.normal(0, 1, (n, 1, *shape)).astype(np.float32)
    hit = rng.uniform(size=values.shape) < 0.01
    values[hit] += rng.uniform(12, 60, hit.sum()).astype(np.float32)
    model = BandNoise(np.array([24.5]), np.ones((n, 40, 1)), np.zeros((40, 1)), np.zeros(n))
    thresholds = Thresholds(high=5, low=5, grow=1e9, strong=1e9, reach=0)
    ours, _ = find_outliers(
        values,
        np.full(values.shape, 255, dtype=np.uint8),
        [model],
        noise_factors=[1.0],
        slope_shares=np.zeros(n),
        thresholds=thresholds,
    )
    clipped = sigma_clip(values.astype(np.float64), sigma=5, cenfunc="median", stdfunc="mad_std", axis=0)
    assert (ours == hit).mean() > 0.99999
    # mad_std of 25 samples scatters by 25 %: a 5 sigma limit is then anything above 3 sigma.
    different = ours != clipped.mask
    assert different.mean() < 2e-3
    assert np.abs(values[different]).max() < 12


def test_weighted_mean_is_numpys_average():
    """numpy.average, and the textbook variance sum(w^2 V) / sum(w)^2."""
    rng = np.random.default_rng(5)
    n, shape = 9, (20, 30)
    values = rng.normal(10, 2, (n, *shape)).astype(np.float32)
    frame_weights, variance = rng.uniform(0.5, 2, n), rng.uniform(1, 3, n)
    outlier = rng.uniform(size=values.shape) < 0.2
    outlier[0] = False
    model = BandNoise(
        np.array([0.0]), variance[:, None, None] * np.ones((1, 20, 1)), np.zeros((20, 1)), np.zeros(n)
    )
    total = PartialSum.empty((1, *shape))
    combine(
        values[:, None],
        np.full((n, 1, *shape), 255, dtype=np.uint8),
        outlier[:, None],
        np.zeros((1, *shape), dtype=np.float32),
        [model],
        frame_weights=frame_weights[:, None],
        density_factors=np.ones((n, 1)),
        into=total,
        rows=(0, 20),
    )
    total = PartialSum(*(plane[0] for plane in vars(total).values()))
    weights = frame_weights[:, None, None] * ~outlier
    expected = np.average(values.astype(np.float64), axis=0, weights=weights)
    # Rounding of the result to float32.
    np.testing.assert_allclose(total.mean, expected, rtol=1e-6)
    honest = (weights**2 * variance[:, None, None]).sum(axis=0) / weights.sum(axis=0) ** 2
    np.testing.assert_allclose(total.variance, honest, rtol=1e-6)
    np.testing.assert_array_equal(total.coverage, (~outlier).sum(axis=0))
    np.testing.assert_array_equal(total.rejected, outlier.sum(axis=0))


@pytest.mark.parametrize("pattern", ["RGGB", "GRBG"])
@pytest.mark.parametrize("pixfrac", [0.6, 1.0])
def test_drops_agree_with_the_drizzle_package(pattern, pixfrac):
    """The general-purpose package drizzle, kernel "turbo" (drops aligned with the grid), on each colour's pixels.

    It leaves out drops that cross the border of its output; there we keep the part inside. Its weights are in units of
    a whole drop, and its values are not multiplied by the area of the output pixel, which
    is 1 / scale^2 here.
    """
    shape, window, scale = (60, 80), (5, 50, 10, 70), 0.98
    cfa, frame = Cfa(pattern), noisy_frame((60, 80))
    angle = np.radians(4.0)
    linear = scale * np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    pose = Pose.from_matrix(np.column_stack([linear, (3.3, -2.6)]), shape)
    placement = Placement(pose, np.zeros((3, 2, 3)))
    ours, weight = drizzle(frame, cfa, placement, window, pixfrac=pixfrac)
    y, x = np.mgrid[: shape[0], : shape[1]].astype(np.float64)
    there = np.stack(pose.forward(x, y), axis=-1) - (window[2], window[0])
    for c in range(3):
        theirs = Drizzle(kernel="turbo", out_shape=ours.shape[1:], disable_ctx=True)
        theirs.add_image(
            frame,
            exptime=1.0,
            pixmap=there,
            weight_map=(cfa.index_map(*shape) == c).astype(np.float32),
            pixfrac=pixfrac * scale,
            iscale=1.0,
            pixel_scale_ratio=1.0,
            in_units="cps",
        )
        inner = np.s_[2:-2, 2:-2]
        their_weight, their_value = (
            theirs.out_wht[inner] * (pixfrac * scale) ** 2,
            theirs.out_img[inner] / scale**2,
        )
        # Float32 sums of a few overlaps of at most one.
        np.testing.assert_allclose(their_weight, weight[c][inner], atol=5e-7)
        # An overlap of 1e-3 is known to 1e-4 of itself; it matters only where two drops meet, whose values differ by 5 %.
        solid = weight[c][inner] > 1e-3
        np.testing.assert_allclose(their_value[solid], ours[c][inner][solid], rtol=1e-5)


@pytest.mark.parametrize(
    ("method", "centre", "scatter"),
    [
        ("clipped_mean", np.nanmean, np.nanstd),
        ("median_mad", np.nanmedian, partial(mad_std, ignore_nan=True)),
    ],
    ids=["clipped_mean", "median_mad"],
)
def test_simple_rejection_is_sigma_clip(method, centre, scatter):
    """astropy.stats.sigma_clip on identical samples, with the same centre, scatter and number of repetitions."""
    rng = np.random.default_rng(6)
    values = rng.normal(0, 1, (15, 1, 20, 30)).astype(np.float32)
    values[rng.uniform(size=values.shape) < 0.03] += 12
    ours, _ = find_outliers_simply(
        values, np.full(values.shape, 255, np.uint8), method=method, high=2.5, low=3.0
    )
    theirs = sigma_clip(
        values.astype(np.float64),
        sigma_upper=2.5,
        sigma_lower=3.0,
        cenfunc=centre,
        stdfunc=scatter,
        maxiters=5,
        axis=0,
    )
    np.testing.assert_array_equal(ours, theirs.mask)
