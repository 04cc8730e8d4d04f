"""Noise figures from the frames themselves."""

import numpy as np
import pytest

from pipeline.numerics.band_noise import BandNoise
from pipeline.numerics.block_noise import BlockSamples

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
