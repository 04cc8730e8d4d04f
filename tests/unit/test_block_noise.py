"""Noise figures from the frames themselves."""

import numpy as np
import pytest

from pipeline.numerics.band_noise import BandNoise
from pipeline.numerics.block_noise import BlockSamples, NoiseFigures
from pipeline.numerics.noise_growth import merged_growth

SHAPE = (256, 256)


def samples_of(values, variance, *, kept=None):
    n = len(values)
    made = BlockSamples.over(SHAPE, n, 1)
    model = BandNoise(
        np.array([127.5]),
        variance[:, None, None] * np.ones((1, SHAPE[0], 1)),
        np.zeros((SHAPE[0], 1)),
        np.zeros(n),
    )
    kept = np.ones(values.shape, dtype=bool) if kept is None else kept
    made.take(
        values,
        np.full(values.shape, 255, dtype=np.uint8),
        ~kept,
        [model],
        np.ones((n, 1)),
        window=(0, SHAPE[0], 0, SHAPE[1]),
        rows=(0, SHAPE[0]),
        columns=(0, SHAPE[1]),
    )
    return made


def test_figures_are_those_of_independent_noise_below_an_object():
    rng = np.random.default_rng(1)
    sigma = np.array([1.0, 2.0, 1.0, 1.5, 1.0, 1.0, 3.0, 1.0])
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]]
    scene = 1000 * np.exp(-((x - 120) ** 2 + (y - 100) ** 2) / 4000)
    values = (scene + sigma[:, None, None, None] * rng.normal(size=(8, 1, *SHAPE))).astype(np.float32)
    weights = (1 / sigma**2)[:, None]
    figures = samples_of(values, sigma**2).figures(weights, 0)
    assert figures.frames == [1, 2, 4, 8]
    for n, block, ideal, sample in zip(*vars(figures).values(), strict=True):
        expected = 1 / np.sqrt(weights[:n].sum())
        assert ideal == pytest.approx(expected / 8, rel=1e-6)
        # Some 1000 blocks: a robust standard deviation is known to 1.2 / sqrt(2000) = 2.6 %; 4 sigma.
        assert block == pytest.approx(expected / 8, rel=0.11)
        assert sample == pytest.approx(expected, rel=0.11)


def test_seeing_that_changes_in_a_crowded_field_is_not_taken_for_noise():
    """Every block holds a star, whose wings widen with the seeing; the frames come in the worst order for halves in turn."""
    rng = np.random.default_rng(3)
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]]
    fwhm = np.array([2.8, 4.2, 3.0, 4.0, 2.9, 4.1, 3.1, 3.9])
    values = rng.normal(size=(8, 1, *SHAPE))
    for frame, width in zip(values, fwhm, strict=True):
        for dy, dx in ((3, 11), (12, 2)):
            r2 = ((y + dy) % 16 - 8.0) ** 2 + ((x + dx) % 16 - 8.0) ** 2
            frame[0] += 300 * (3 / width) ** 2 * np.exp(-4 * np.log(2) * r2 / width**2)
    made = samples_of(values.astype(np.float32), np.ones(8))
    weights = np.ones((8, 1))
    told, naive = (
        made.figures(weights, 0, fwhm_px=order).block[-1] * 8 * np.sqrt(8) for order in (fwhm, None)
    )
    # What is left is quadratic in the seeing.
    assert told == pytest.approx(1.0, abs=0.25) and naive > 2 * told


def test_a_merge_grows_as_its_sessions_do():
    """Two sessions by hand: 4 frames of unit noise, then 3 of twice that noise and half more than ideal."""
    sessions = [
        NoiseFigures([1, 2, 4], [1.0, 0.5**0.5, 0.5], [1.0, 0.5**0.5, 0.5], [0.5, 0.35, 0.25]),
        NoiseFigures([1, 2, 3], [3.0, 3 / 2**0.5, 3**0.5], [2.0, 2**0.5, 2 / 3**0.5], [1.0, 0.7, 0.6]),
    ]
    growth = merged_growth(sessions)
    assert growth.frames == [1, 2, 4, 7]
    np.testing.assert_allclose(growth.ideal_block, [1, 0.5**0.5, 0.5, (4 + 0.75) ** -0.5], rtol=1e-12)
    # Weights 4 and 3/4: noise^2 = (16 / 4 + 9/16 * 3) / 4.75^2.
    np.testing.assert_allclose(growth.block[:3], growth.ideal_block[:3], rtol=1e-12)
    assert growth.block[3] == pytest.approx(np.sqrt(4 + 9 / 16 * 3) / 4.75)
    assert merged_growth([]).frames == []


def test_a_weightless_frame_does_not_count_and_one_frame_tells_nothing():
    values = np.random.default_rng(2).normal(size=(3, 1, *SHAPE)).astype(np.float32)
    made = samples_of(values, np.ones(3))
    assert made.figures(np.array([[1.0], [0.0], [1.0]]), 0).frames == [1, 2]
    alone = made.figures(np.array([[1.0], [0.0], [0.0]]), 0)
    assert alone.frames == [1] and np.isnan(alone.block[0]) and alone.ideal_block[0] == pytest.approx(1 / 8)
    assert made.figures(np.zeros((3, 1)), 0).frames == []


def test_blocks_with_holes_are_left_out():
    values = np.ones((2, 1, *SHAPE), dtype=np.float32)
    kept = np.ones(values.shape, dtype=bool)
    kept[0, 0, 100:, :] = False
    made = samples_of(values, np.ones(2), kept=kept)
    assert np.isnan(made.block[0, 0, made.y >= 100]).all()
    assert np.isfinite(made.block[0, 0, made.y + 8 <= 100]).all()
    assert np.isfinite(made.block[1]).all()
