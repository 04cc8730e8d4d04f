"""What a stack owes: weights that pay, sharp stars, honest variance; each against theory."""

import numpy as np
import pytest

from pipeline.numerics.cfa import Cfa
from pipeline.numerics.drizzle import drizzle
from pipeline.numerics.frame_positions import Placement, frame_positions
from pipeline.numerics.output_grid import finer_pose, finer_shape
from pipeline.numerics.pose import Pose
from pipeline.numerics.rejection import Thresholds
from pipeline.numerics.relative_background import SampleGrid
from pipeline.numerics.sampler import Sampler
from pipeline.numerics.sampling import resample
from pipeline.numerics.session_sum import StackFrame, sum_frames
from pipeline.numerics.surface import PolynomialSurface
from pipeline.numerics.weights import frame_weight
from tests.unit.session_on_disk import sky_rate
from tests.unit.synthetic_exposures import expose

SHAPE = (96, 112)
INNER = (slice(None), slice(16, 80), slice(16, 96))


def blocks(image):
    c, ny, nx = image.shape
    return image.reshape(c, ny // 8, 8, nx // 8, 8).mean(axis=(2, 4))


def combined(frames, placements, weights, sampler):
    """(C, ny, nx) weighted mean of frames on the anchor's grid."""
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]]
    total, signal = (np.zeros((3, *SHAPE)) for _ in "ts")
    for frame, placement, weight in zip(frames, placements, weights, strict=True):
        if sampler == "drizzle":
            value, share = drizzle(frame, Cfa("RGGB"), placement, (0, SHAPE[0], 0, SHAPE[1]), pixfrac=0.8)
        else:
            positions = frame_positions(placement.pose, x.ravel(), y.ravel())
            value, share = (
                part.reshape(3, *SHAPE)
                for part in resample(frame, Cfa("RGGB"), placement, positions, kernel=sampler)
            )
        total += weight * share
        signal += np.where(share > 0, weight * share * value, 0)
    return signal / np.where(total > 0, total, np.nan)


@pytest.mark.parametrize("objective", ["diffuse", "point"])
def test_weights_beat_equal_ones_by_what_theory_says(objective):
    """Half of the frames under thin cloud and a bright sky.

    Diffuse: variance 1 / sum(1 / V) against sum(V) / n^2 for equal weights (Cramer-Rao for a mean). Point: the squared
    signal-to-noise ratio of a star in frames of widths a_i under matched Gaussians is sum(1 / (V a^2)), the one of frames
    that are first added with equal weights is n^2 / (sum(V) mean(a^2)) at best (Zackay & Ofek 2017 I, section 2, from
    memory: adding images of unlike seeing before filtering them cannot reach the sum over images).
    """
    n = 16
    exposures = expose(SHAPE, n, seed=31, degrees=3.0)
    rng = np.random.default_rng(32)
    worse = np.arange(n) % 2 == 1
    scale, sky_sigma = np.where(worse, 1.6, 1.0), np.where(worse, 1.5, 1.0)
    frames = [
        (s * t * rng.normal(size=SHAPE)).astype(np.float32) for s, t in zip(scale, sky_sigma, strict=True)
    ]
    width = np.where(worse, 4.0, 3.0)
    weights = frame_weight(scale, sky_sigma**2, objective=objective, fwhm_px=width)
    variance = (scale * sky_sigma) ** 2
    if objective == "point":
        best = (1 / (variance * width**2)).sum()
        ours = weights.sum() ** 2 / (weights**2 * variance * width**2).sum()
        equal = n**2 / (variance * width**2).sum()
        assert ours == pytest.approx(best, rel=1e-12)
        assert ours > 1.3 * equal
        return
    gain = np.sqrt(variance.sum() / n**2 * (1 / variance).sum())
    weighted = blocks(combined(frames, exposures.placements, weights, "lanczos")[INNER])
    plain = blocks(combined(frames, exposures.placements, np.ones(n), "lanczos")[INNER])
    # 240 blocks: each scatter is known to 4.6 %; both see the same noise in part. 3 sigma of 5 %.
    assert plain.std() / weighted.std() == pytest.approx(gain, rel=0.15)
    assert gain > 1.25


@pytest.mark.parametrize(
    ("sampler", "n", "finer", "magnified"),
    [
        ("drizzle", 16, 1, 1.0),
        ("ringless", 6, 1, 1.0),
        # Pixels of half the side, of as many frames as such drops ask for, and frames of another camera whose pixels are smaller than the anchor's.
        ("drizzle", 64, 2, 1.0),
        ("ringless", 6, 2, 1.0),
        ("drizzle", 16, 1, 0.8),
    ],
)
def test_variance_of_blocks_is_honest_and_nearly_ideal(sampler, n, finer, magnified):
    """(data - truth) / sqrt(variance) of 8 x 8 blocks has the standard deviation 1.00 +- 0.05, every channel by itself.

    Half of the frames lie behind thin cloud under a brighter sky. The ideal is the inverse variance sum over all raw
    pixels, 1 / sum(1 / V), by the number of pixels of the colour under a block (Cramer-Rao for a mean); less what a block
    shares with its neighbours.
    """
    # As many blocks on a finer grid.
    shape, cfa = (320, 480), Cfa("RGGB")
    frame_shape = tuple(int(side / finer / magnified) for side in shape)
    rng = np.random.default_rng(41)
    scale, sigma = np.where(np.arange(n) % 2, 1.5, 1.0), np.where(np.arange(n) % 2, 1.4, 1.0)
    grid = SampleGrid.over(shape)
    flat, cells = PolynomialSurface(0, np.zeros(1), 0.0, 0.0, 1.0), np.ones((3, *grid.cells))
    frames = []
    for k in range(n):
        angle = np.radians(rng.uniform(-2, 2))
        turn = magnified * np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
        middle, there = (np.array([s[1] - 1, s[0] - 1]) / 2 for s in (frame_shape, shape))
        # The anchor has the size of the frames where they are not magnified.
        there = (there - 0.5 * (finer - 1)) / finer
        shift = there - turn @ middle + rng.uniform(-8, 8, 2)
        pose = finer_pose(Pose.from_matrix(np.column_stack([turn, shift]), frame_shape), finer)
        placement = Placement(pose, np.zeros((3, 2, 3)))
        pixels = (sigma[k] * rng.normal(size=frame_shape)).astype(np.float32)
        # A raw pixel in the units of the output, in which a pixel holds the light of its area; so has the weight.
        area = pose.scale() ** -2
        frames.append(
            StackFrame(
                # So long that the noise itself is no light worth mentioning, whose photons would be noisy.
                placement, 1e4, 3.0, np.full(3, scale[k]), np.full(3, (scale[k] * sigma[k]) ** -2.0), [flat] * 3,
                (area * sigma[k]) ** 2 * cells, lambda rows, columns, pixels=pixels: pixels[slice(*rows), slice(*columns)],
            )
        )  # fmt: skip
    chosen = Sampler(sampler, 0.8)
    total, samples, _ = sum_frames(
        frames,
        cfa,
        shape,
        grid,
        np.zeros(cells.shape),
        sampler=chosen,
        thresholds=Thresholds(),
        budget_bytes=1e9,
    )
    inner = np.s_[:, 24:-24, 24:-24]
    mean, variance = blocks(total.mean[inner].astype(float)), blocks(total.variance[inner].astype(float)) / 64
    pull = mean / np.sqrt(variance)
    # 1836 blocks of a channel: the standard deviation is known to 1.7 %. The means of three channels, to 1 %.
    assert pull.std() == pytest.approx(1.0, abs=0.05)
    # Drops of more than an output pixel lie over uneven weights; what that takes from the noise of a block, up to 4 % in red
    # and blue of so many frames, the variance of a pixel does not know.
    np.testing.assert_allclose(
        pull.std(axis=(1, 2)), 1.0, atol=0.09 if sampler == "drizzle" and finer > 1 else 0.05
    )
    weights = np.array([frame.weight for frame in frames])
    edge = [area**2 * chosen.density_factor(cfa, channel, frames[0].placement) for channel in cfa.channels]
    ideal = np.sqrt(np.array(edge) / weights.sum(axis=0) / 64)
    assert (mean.std(axis=(1, 2)) / ideal).max() < 1.05 + 2 * 0.017
    assert mean.std(axis=(1, 2)).mean() / ideal.mean() < 1.05
    # What the stack measures on its own frames tells the same.
    for c in range(3):
        figures = samples.figures(weights, c)
        # Some 500 whole blocks: their robust scatter is known to 4 %; three of that.
        assert figures.block[-1] / figures.ideal_block[-1] == pytest.approx(1.0, abs=0.12)


@pytest.mark.parametrize(("sampler", "limit", "fwhm"), [("drizzle", 1.05, 3.2), ("ringless", 1.12, 3.0)])
def test_stars_stay_sharp_and_keep_their_flux(sampler, limit, fwhm):
    """FWHM in the stack over the mean of the frames: 1.05 for drops and 1.12 for interpolation; flux to 0.2 %."""
    # Sixteen stars at as many phases of the grid: one star's width depends on how the drops happen to lie.
    stars = [(26.3 + 20.21 * i, 24.6 + 15.37 * j, 2e6) for i in range(4) for j in range(4)]
    exposures = expose(SHAPE, 20, seed=33, stars=stars, fwhm=fwhm, degrees=4.0, noise=False)
    image = combined(exposures.frames, exposures.placements, np.ones(20), sampler)
    # The true sky: a median of the field would hold the outermost lobes of the kernel, 0.02 % of the peak.
    image = image - sky_rate("RGB")
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]]
    ratios = []
    for plane in image:
        fluxes = []
        for x_star, y_star, electrons in stars:
            radius = np.hypot(x - x_star, y - y_star)
            # Half the way to the next star; the lobes of the kernel reach six pixels beyond the light.
            fluxes.append(plane[radius < 7.6].sum() * 60.0 / electrons)
            parabola = np.polyfit(radius[radius < 2.2] ** 2, np.log(plane[radius < 2.2]), 1)
            ratios.append(np.sqrt(-4 * np.log(2) / parabola[0]) / fwhm)
        assert np.mean(fluxes) == pytest.approx(1.0, abs=2e-3)
        # One star among uneven weights of 20 frames: 0.12 % of scatter; 3 sigma beside the mean.
        np.testing.assert_allclose(fluxes, 1.0, atol=2e-3 + 3 * 1.2e-3)
    # The width of one star depends on the weights below it, by 5 % with drops of 20 frames; 48 of them fix the mean to 0.7 %.
    assert np.mean(ratios) < limit


def test_a_finer_grid_shows_what_coarse_pixels_hide():
    """Two stars of FWHM 1.5 px, 1.8 px apart: the dip between them is as deep as drop and pixel leave it.

    Drop and output pixel widen a star by the variance of two squares, (p^2 + 1 / s^2) / 12 for pixels of 1 / s of a frame's
    (Fruchter & Hook 2002; the variance of a uniform distribution is a twelfth of its square).
    """
    shape, n, fwhm = (48, 48), 200, 1.5
    pair = [(23.1, 24.0, 2e6), (24.9, 24.0, 2e6)]
    exposures = expose(shape, n, seed=35, stars=pair, fwhm=fwhm, degrees=2.0, noise=False)
    dips = {}
    for finer in (1, 2):
        total, signal = (np.zeros((3, *finer_shape(shape, finer))) for _ in "ts")
        for frame, placement in zip(exposures.frames, exposures.placements, strict=True):
            on_grid = Placement(finer_pose(placement.pose, finer), placement.channel_offsets)
            value, share = drizzle(
                frame, Cfa("RGGB"), on_grid, (0, total.shape[1], 0, total.shape[2]), pixfrac=0.5
            )
            total += share
            signal += np.where(share > 0, share * value, 0)
        image = signal / total - sky_rate("RGB") / finer**2
        # Where the pair lies on this grid; the flux is that of the pair, whatever the pixels.
        x = (np.arange(total.shape[2]) - 0.5 * (finer - 1)) / finer
        near = (x[None, :] - 24.0) ** 2 + (x[:, None] - 24.0) ** 2 < 9.0**2
        # A pixel sees 12 to 45 of the drops of two hundred frames, so weights differ by a fifth; some twenty hold the light.
        np.testing.assert_allclose(image[:, near].sum(axis=1) * 60.0 / 4e6, 1.0, atol=6e-3)
        line = image[1, finer * 24 + finer // 2]
        peak = line.max()
        dips[finer] = line[np.abs(x - 24.0) <= 0.26].min() / peak
        variance = (fwhm / 2.3548) ** 2 + (0.5**2 + finer**-2.0) / 12
        profile = sum(np.exp(-((x - place[0]) ** 2) / (2 * variance)) for place in pair)
        expected = profile[np.abs(x - 24.0) <= 0.26].min() / profile.max()
        # Between places that the drops favour by a fifth, in a slope of a tenth of the peak a pixel.
        assert dips[finer] == pytest.approx(expected, abs=0.03)
    assert dips[2] < dips[1] - 0.05


@pytest.mark.parametrize("sampler", ["drizzle", "ringless"])
def test_pattern_of_the_colour_filters_does_not_show(sampler):
    """A smooth ramp comes out smooth: no difference between even and odd pixels beyond what a wave's curvature makes."""
    exposures = expose(SHAPE, 12, seed=34, noise=False)
    frames = []
    for placement in exposures.placements:
        y, x = np.mgrid[: SHAPE[0], : SHAPE[1]].astype(float)
        frames.append((10 + 0.1 * placement.pose.forward(x, y)[0]).astype(np.float32))
    image = combined(frames, exposures.placements, np.ones(12), sampler)[INNER]
    x = np.arange(SHAPE[1])[INNER[2]]
    error = image - (10 + 0.1 * x)
    # Drops sit up to 0.9 px beside the pixel they fall on, in a ramp of 0.1 a pixel; interpolation is exact.
    assert np.abs(error).max() < (0.04 if sampler == "drizzle" else 2e-5)
