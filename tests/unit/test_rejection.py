"""Rejection: trails and hits go, stars stay, whatever the number of frames and the cut into bands."""

import numpy as np
import pytest
from scipy import ndimage

from pipeline.numerics import rejection
from pipeline.numerics.band_noise import BandNoise
from pipeline.numerics.partial_sum import PartialSum, merge
from pipeline.numerics.rejection import Thresholds, find_outliers, halo_pixels, slope_share
from pipeline.numerics.sampling import (
    block_noise_factor,
    lattice_density_factor,
    peak_loss,
    sample_noise_factor,
)
from pipeline.numerics.weighted_sum import combine
from tests.unit.synthetic_exposures import EXPOSURE_S, SKY_E, add_hits, add_trail, expose

SHAPE = (120, 150)
INNER = (slice(12, -12), slice(12, -12))
"""Where every dithered frame has pixels."""


def models_of(exposures, rows, width):
    n = len(exposures.frames)
    sky = exposures.variance
    return [
        BandNoise(
            np.array([0.5 * (width - 1)]),
            np.full((n, rows, 1), sky[c]),
            np.full((rows, 1), SKY_E[c] / EXPOSURE_S),
            np.full(n, 1 / EXPOSURE_S),
        )
        for c in range(len(exposures.cfa.channels))
    ]


def stacked(exposures, *, reject=True, rows=slice(None), keep=slice(None)):
    values, weights = exposures.sampled(SHAPE)
    values, weights = values[:, :, rows], weights[:, :, rows]
    cfa, n = exposures.cfa, len(exposures.frames)
    models = models_of(exposures, values.shape[2], values.shape[3])
    outlier, centre = np.zeros(values.shape, dtype=bool), np.zeros(values.shape[1:], dtype=np.float32)
    if reject:
        outlier, centre = find_outliers(
            values,
            weights,
            models,
            noise_factors=[sample_noise_factor(cfa, channel) for channel in cfa.channels],
            slope_shares=slope_share(exposures.fwhm, peak_loss(exposures.fwhm, cfa), Thresholds()),
            thresholds=Thresholds(),
        )
    first, stop, _ = keep.indices(values.shape[2])
    total = PartialSum.empty((values.shape[1], stop - first, values.shape[3]))
    combine(
        values,
        weights,
        outlier,
        centre,
        models,
        frame_weights=np.tile(1 / exposures.variance, (n, 1)),
        density_factors=np.tile([lattice_density_factor(cfa, channel) for channel in cfa.channels], (n, 1)),
        into=total,
        rows=(first, stop),
    )
    return total, outlier


def noise_of_stack(exposures):
    """(C, 1, 1) standard deviation of a stacked sky sample without rejection."""
    factors = [sample_noise_factor(exposures.cfa, channel) for channel in exposures.cfa.channels]
    return np.sqrt(exposures.variance * factors / len(exposures.frames))[:, None, None]


@pytest.mark.parametrize("n", [5, 9])
def test_trails_and_hits_leave_nothing(n):
    """Three hits in 18 000 pixels are some thirty times what a minute brings at sea level (common experience)."""
    clean, dirty = (expose(SHAPE, n, seed=21, degrees=2.0) for _ in range(2))
    rng = np.random.default_rng(22)
    add_trail(dirty.frames[1], y0=20, slope=0.5, peak_e=900)
    add_trail(dirty.frames[3], y0=100, slope=-0.4, peak_e=900)
    for frame in dirty.frames:
        add_hits(frame, rng, 3)
    difference = (stacked(dirty)[0].mean - stacked(clean)[0].mean)[:, *INNER]
    # What is rejected is missed as noise too (a sample less of n), so a few sigma of difference are natural; the
    # promise is 6 sigma of the stack. Without rejection a 9000 electron hit leaves hundreds.
    assert np.abs(difference / noise_of_stack(dirty)).max() < 6
    untouched = (stacked(dirty, reject=False)[0].mean - stacked(clean, reject=False)[0].mean)[:, *INNER]
    assert np.abs(untouched / noise_of_stack(dirty)).max() > 100


@pytest.mark.parametrize("n", [3, 4])
def test_few_frames_already_lose_their_hits(n):
    clean, dirty = (expose(SHAPE, n, seed=31) for _ in range(2))
    add_hits(dirty.frames[0], np.random.default_rng(32), 20)
    difference = (stacked(dirty)[0].mean - stacked(clean)[0].mean)[:, *INNER]
    # With three frames one sample less changes the mean by more of its noise: sqrt(3/2 - 1) = 0.7 of it.
    assert np.abs(difference / noise_of_stack(dirty)).max() < 8


def test_with_two_frames_the_upper_one_goes():
    dirty = expose(SHAPE, 2, seed=41)
    dirty.frames[1][60, 70] += 3000 / EXPOSURE_S
    total, outlier = stacked(dirty)
    assert outlier[1].any()
    assert (
        np.abs(total.mean[:, *INNER] - (SKY_E / EXPOSURE_S)[:, None, None]).max()
        < 9 * noise_of_stack(dirty).max()
    )


def test_one_frame_is_left_alone():
    total, outlier = stacked(expose(SHAPE, 1, seed=42))
    assert not outlier.any()
    assert (total.coverage[:, *INNER] == 1).all()


@pytest.mark.parametrize("fwhm", [2.6, 3.5])
def test_stars_keep_their_flux_when_the_seeing_varies(fwhm):
    stars = [
        (25 + 24 * i + 0.37 * j, 22 + 18 * j + 0.21 * i, 10 ** (3 + 0.12 * (5 * i + j)))
        for i in range(5)
        for j in range(5)
    ]
    exposures = expose(SHAPE, 7, seed=51, stars=stars, fwhm=fwhm, seeing_spread=0.25)
    with_rejection, without = stacked(exposures)[0].mean, stacked(exposures, reject=False)[0].mean
    rows, columns = np.mgrid[: SHAPE[0], : SHAPE[1]]
    for x, y, flux in stars:
        near = (columns - x) ** 2 + (rows - y) ** 2 < (2.5 * fwhm) ** 2
        lost = (without - with_rejection)[:, near].sum(axis=1) * EXPOSURE_S / flux
        # The promise is 0.3 %; a faint star's share of sky samples cut by chance (one in 10^4) comes on top.
        assert np.abs(lost).max() < 0.003 + 30 / flux, (x, y, flux, lost)


def test_clean_sky_loses_almost_nothing():
    _, outlier = stacked(expose(SHAPE, 8, seed=61))
    # 4.5 sigma is 3e-6 for a normal sample of mean noise; samples on a lattice point are noisier (4.5 becomes
    # 3.7 sigma, 1e-4), and each takes a few connected suspects along.
    assert outlier.mean() < 1e-3


def test_half_of_the_frames_crossed_at_one_spot():
    dirty, clean = expose(SHAPE, 8, seed=71), expose(SHAPE, 8, seed=71)
    for k in range(4):
        add_trail(dirty.frames[k], y0=50 - 1.5 * k, slope=0.02 * k, peak_e=900)
    difference = (stacked(dirty)[0].mean - stacked(clean)[0].mean)[:, *INNER]
    # Four of eight samples are left: twice the variance, so 6 sigma become 8.5 of the nominal noise.
    assert np.abs(difference / noise_of_stack(dirty)).max() < 8.5


def test_bands_give_the_same_bytes_as_the_whole():
    exposures = expose(SHAPE, 5, seed=81, stars=[(70.2, 61.3, 1e5)], seeing_spread=0.2, degrees=1.0)
    rng = np.random.default_rng(82)
    for frame in exposures.frames:
        add_hits(frame, rng, 40)
    add_trail(exposures.frames[2], y0=-10, slope=1.0, peak_e=400)
    whole, _ = stacked(exposures)
    halo = halo_pixels(Thresholds())
    for first, stop in ((0, 37), (37, 60), (60, 61), (61, 120)):
        low, high = max(first - halo, 0), min(stop + halo, SHAPE[0])
        band, _ = stacked(exposures, rows=slice(low, high), keep=slice(first - low, stop - low))
        for name, plane in vars(band).items():
            np.testing.assert_array_equal(plane, getattr(whole, name)[:, first:stop], err_msg=name)


def test_saturated_samples_are_the_last_resort():
    values = np.array([[[[5.0, 5.0, np.nan]]], [[[7.0, 7.0, np.nan]]]], dtype=np.float32)
    weights = np.array([[[[0, 255, 0]]], [[[0, 0, 0]]]], dtype=np.uint8)
    model = BandNoise(np.array([1.0]), np.ones((2, 1, 1)), np.zeros((1, 1)), np.zeros(2))
    total = PartialSum.empty((1, 1, 3))
    arguments = dict(frame_weights=np.ones((2, 1)), density_factors=np.ones((2, 1)), into=total, rows=(0, 1))
    combine(
        values, weights, np.zeros(values.shape, bool), np.zeros((1, 1, 3), np.float32), [model], **arguments
    )
    assert total.mean.tolist() == [[[6.0, 5.0, 0.0]]]
    assert total.coverage.tolist() == [[[0, 1, 0]]]
    assert total.weight.tolist() == [[[0.0, 1.0, 0.0]]]


def test_where_all_is_tainted_the_one_nearest_to_the_centre_stays():
    values = np.array([[[[50.0]]], [[[70.0]]], [[[60.0]]]], dtype=np.float32)
    weights = np.full(values.shape, 255, dtype=np.uint8)
    model = BandNoise(np.array([0.0]), np.ones((3, 1, 1)), np.zeros((1, 1)), np.zeros(3))
    total = PartialSum.empty((1, 1, 1))
    arguments = dict(frame_weights=np.ones((3, 1)), density_factors=np.ones((3, 1)), into=total, rows=(0, 1))
    combine(
        values, weights, np.ones(values.shape, bool), np.full((1, 1, 1), 53, np.float32), [model], **arguments
    )
    assert (total.mean[0, 0, 0], total.coverage[0, 0, 0], total.rejected[0, 0, 0]) == (50.0, 1, 2)


def test_merge_equals_the_sum_in_one_go():
    exposures = expose(SHAPE, 6, seed=91)
    parts = []
    for k in (slice(0, 2), slice(2, 6)):
        part = type(exposures)(exposures.frames[k], exposures.cfa, exposures.placements[k], exposures.fwhm[k])
        parts.append(stacked(part, reject=False)[0])
    merged, whole = merge(parts), stacked(exposures, reject=False)[0]
    # Each part is rounded to float32 once: relative 6e-8, twice.
    np.testing.assert_allclose(merged.mean, whole.mean, rtol=2.5e-7)
    np.testing.assert_allclose(merged.weight, whole.weight, rtol=2.5e-7)
    np.testing.assert_allclose(merged.variance, whole.variance, rtol=1e-6)
    np.testing.assert_array_equal(merged.coverage, whole.coverage)


def test_variance_is_honest_in_blocks():
    """(data - truth) / sqrt(VARIANCE) of block means has standard deviation one."""

    def blocks(plane, side):
        inner = plane[:, 12 : 12 + 96, 12 : 12 + 96]
        return inner.reshape(3, 96 // side, side, 96 // side, side).mean((2, 4))

    pulls = []
    for seed in range(6):
        exposures = expose(SHAPE, 5, seed=100 + seed, degrees=5.0)
        total, _ = stacked(exposures)
        error = total.mean - (SKY_E / EXPOSURE_S)[:, None, None]
        for side in (8, 16):
            pulls.append((side, blocks(error, side) / np.sqrt(blocks(total.variance, side) / side**2)))
    for side in (8, 16):
        pull = np.concatenate([p.ravel() for s, p in pulls if s == side])
        # The kernel carries part of a pixel over the edge of a block; 2600 and 650 blocks fix the value to 1.4 and
        # 2.8 %; 3 sigma.
        expected = np.sqrt(block_noise_factor(exposures.cfa, block=side))
        assert pull.std() == pytest.approx(expected, abs=3 * expected / np.sqrt(2 * pull.size))


def test_a_growing_threshold_above_the_others_only_stops_the_growing():
    exposures = expose(SHAPE, 6, seed=111)
    add_hits(exposures.frames[1], np.random.default_rng(112), 10)
    values, weights = exposures.sampled(SHAPE)
    channels = exposures.cfa.channels
    options = dict(
        noise_factors=[sample_noise_factor(exposures.cfa, channel) for channel in channels],
        slope_shares=np.full(6, 0.3),
    )
    models = models_of(exposures, *SHAPE)
    grown, _ = find_outliers(values, weights, models, thresholds=Thresholds(), **options)
    lone, _ = find_outliers(values, weights, models, thresholds=Thresholds(grow=50, high=30), **options)
    assert lone[1].any() and not (lone & ~grown).any() and lone.sum() < grown.sum()


@pytest.mark.parametrize("n", [3, 8])
def test_the_screen_sends_on_all_that_an_exact_look_at_every_pixel_would_reject(n, monkeypatch):
    stars = [(20 + 17 * i, 18 + 16 * j, 3e3 * 3 ** ((i + j) % 5)) for i in range(7) for j in range(6)]
    exposures = expose(SHAPE, n, seed=71, stars=stars, seeing_spread=0.2)
    add_trail(exposures.frames[1], y0=30, slope=0.4, peak_e=300)
    for k, frame in enumerate(exposures.frames):
        add_hits(frame, np.random.default_rng(72 + k), 15, largest_e=1500)
    values, weights = exposures.sampled(SHAPE)
    models = models_of(exposures, *SHAPE)
    options = {
        "noise_factors": [sample_noise_factor(exposures.cfa, channel) for channel in "RGB"],
        "slope_shares": slope_share(exposures.fwhm, peak_loss(exposures.fwhm, exposures.cfa), Thresholds()),
        "thresholds": Thresholds(),
    }
    screened, _ = find_outliers(values, weights, models, **options)
    monkeypatch.setattr(rejection, "screen", lambda *args, **kw: np.ones(SHAPE, dtype=bool))
    exact, centre = find_outliers(values, weights, models, **options)
    assert exact.sum() > 500 * n / 8
    # Slopes are those of means where nothing was suspicious, less noisy than those of medians: what lies just at a
    # threshold may fall on the other side.
    assert (screened != exact).sum() < 0.04 * exact.sum()
    # Where the sky is flat within two pixels, slopes do not matter: what differs there is close to the threshold of 4.5.
    noise = np.sqrt(exposures.variance * np.array(options["noise_factors"]))[:, None, None]
    steep = ndimage.maximum_filter(centre, (1, 5, 5)) - ndimage.minimum_filter(centre, (1, 5, 5))
    flat = (steep < 3 * noise)[None] & (weights == 255)
    height = np.where((exact != screened) & flat, np.abs(values - centre) / noise, 0.0)
    assert height.max() < 6
