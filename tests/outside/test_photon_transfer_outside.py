"""Gain and read noise on simulated pairs, by the relations of EMVA Standard 1288 (release 4.0, linear; from memory).

sigma_y^2 = sigma_d^2 K^2 + 1/12 ADU^2 + K (mu_y - mu_y.dark), with K the ADU per electron: frames are drawn as that camera
would give them, by numpy's Poisson and normal distributions, and rounded.
"""

import numpy as np
import pytest

from pipeline.numerics.photon_transfer import QUANTISATION_ADU2, read_noise_adu
from pipeline.stages.masters import gain_of_pair
from tests.unit.raw_frames import light_map

OFFSET_ADU = 300.0

CASES = [
    # e-/ADU, read noise e-, electrons of the first flat, share that the flats fade to, pattern, shape
    (0.25, 1.2, 4_000, 0.75, "RGGB", (640, 600)),
    (0.8, 3.2, 20_000, 0.5, "GBRG", (600, 640)),
    (2.6, 17.0, 60_000, 0.75, "mono", (512, 500)),
    (1.0, 8.0, 1_200, 0.9, "mono", (512, 500)),
    (1.4, 2.5, 30_000, 1.3, "BGGR", (700, 640)),
]


def frame(rng, electrons, gain, read_noise):
    collected = rng.poisson(electrons) + rng.normal(0, read_noise, np.shape(electrons))
    return np.rint(collected / gain + OFFSET_ADU)


@pytest.mark.parametrize(("gain", "read_noise", "electrons", "fade", "pattern", "shape"), CASES)
def test_gain_within_2_and_read_noise_within_5_per_cent(gain, read_noise, electrons, fade, pattern, shape):
    """Three pairs of flats that fade through the series, dust and vignetting in all of them, fixed pattern of 1 %."""
    rng = np.random.default_rng(int(electrons))
    y, x = np.indices(shape)
    pattern_of_light = light_map(pattern, shape) * (
        1 - 0.4 * np.hypot(x / shape[1] - 0.5, y / shape[0] - 0.5)
    )
    pattern_of_light *= rng.normal(1, 0.01, shape) * (1 - 0.2 * (np.hypot(x - 90, y - 120) < 14))
    dark = [frame(rng, np.zeros(shape), gain, read_noise) for _ in range(6)]
    noise = np.median([read_noise_adu(*pair) for pair in zip(dark[::2], dark[1::2], strict=True)])
    pedestal = np.mean(dark, axis=0)
    flats = [
        frame(rng, electrons * level * pattern_of_light, gain, read_noise)
        for level in np.linspace(1, fade, 6)
    ]
    # A particle hit on one of each pair.
    for flat in flats[::2]:
        flat[40:44, 50:53] += 5000
    pairs = zip(flats[::2], flats[1::2], strict=True)
    found = np.median([gain_of_pair(pair, pedestal, noise, pattern) for pair in pairs])
    assert found == pytest.approx(gain, rel=0.02)
    in_electrons = np.sqrt(noise**2 - QUANTISATION_ADU2) * gain
    assert in_electrons == pytest.approx(read_noise, rel=0.05)
