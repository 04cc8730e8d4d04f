"""Widths of stars as cameras make them: light averaged over square pixels, undersampled, on a colour array."""

import numpy as np
import pytest

from pipeline.numerics.cfa import Cfa
from pipeline.numerics.frame_measurement import measure_frame
from pipeline.numerics.moffat import light_fwhm, quadratic_form
from tests.unit.star_frames import (
    COLOURS,
    EXPOSURE_S,
    MEASURE,
    READ_NOISE_E,
    SKY_E_S,
    StarFrame,
    grid_of_stars,
)

BETA = 3.0
NODES = 7
"""Gauss-Legendre nodes along a side of a pixel; the fitted model's own integration uses another number."""


def over_pixels(dx, dy, form, beta):
    """Mean of a Moffat profile of unit peak over square pixels centred at the offsets."""
    nodes, weights = np.polynomial.legendre.leggauss(NODES)
    a, b, c = form
    mean = np.zeros(np.broadcast(dx, dy).shape)
    for shift_x, weight_x in zip(0.5 * nodes, 0.5 * weights, strict=True):
        for shift_y, weight_y in zip(0.5 * nodes, 0.5 * weights, strict=True):
            u, v = dx + shift_x, dy + shift_y
            mean += weight_x * weight_y * (1 + a * u * u + 2 * b * u * v + c * v * v) ** -beta
    return mean


def half_width(form, beta, angle):
    """Radius, along a direction, at which the light averaged over a pixel has half of its peak."""
    radius = np.linspace(0, 12, 6001)
    fall = over_pixels(radius * np.cos(angle), radius * np.sin(angle), form, beta)
    return np.interp(-0.5 * fall[0], -fall, radius)


def pixel_frame(fwhm, pattern, *, elongation, angle, seed=5):
    """A frame of isolated stars, and the width of their samples: geometric mean of both axes of the half-peak contour."""
    step, margin = int(max(28, 8 * fwhm)), int(4 * fwhm + 14)
    shape = (6 * step + 2 * margin, 6 * step + 2 * margin)
    x, y, flux = grid_of_stars(shape, step=step, margin=margin, seed=seed, flux=700.0 * fwhm**2)
    cfa, form = Cfa(pattern), quadratic_form(fwhm, elongation, angle, BETA)
    share = np.array([1.0 if cfa.is_mono else COLOURS[c] for c in cfa.channels])[cfa.index_map(*shape)]
    peak = flux[0] * (BETA - 1) * np.sqrt(form[0] * form[2] - form[1] ** 2) / np.pi
    value = np.full(shape, SKY_E_S)
    for column, row in zip(x, y, strict=True):
        top, left = int(row) - margin + 3, int(column) - margin + 3
        cut = np.s_[max(0, top) : top + 2 * margin - 5, max(0, left) : left + 2 * margin - 5]
        rows, columns = np.mgrid[
            cut[0].start : min(cut[0].stop, shape[0]), cut[1].start : min(cut[1].stop, shape[1])
        ]
        value[cut] += peak * share[cut] * over_pixels(columns - column, rows - row, form, BETA)
    variance = value / EXPOSURE_S + (READ_NOISE_E / EXPOSURE_S) ** 2
    value += np.random.default_rng(seed).normal(size=shape) * np.sqrt(variance)
    frame = StarFrame(value.astype(np.float32), variance, np.zeros(shape, dtype=bool), x, y, flux, cfa)
    widths = [2 * half_width(form, BETA, angle + turn) for turn in (0.0, 0.5 * np.pi)]
    return frame, np.sqrt(np.prod(widths)), widths[0] / widths[1]


@pytest.mark.parametrize("pattern", ["mono", "GRBG"])
@pytest.mark.parametrize("fwhm", [1.6, 2.2, 3.5, 8.0])
def test_width_and_elongation_of_light_averaged_over_pixels(fwhm, pattern):
    frame, sampled, elongation = pixel_frame(fwhm, pattern, elongation=1.2, angle=0.7)
    values = measure_frame(frame.value, frame.bad, frame.saturated, frame.cfa, frame.noise, MEASURE).values
    assert values["n_profile_stars"] > 30
    # The project's promises: 3 % in width, of the samples as of the light that fell on them, 0.03 in elongation.
    assert values["fwhm_px"] == pytest.approx(sampled, rel=0.03)
    assert values["fwhm_light_px"] == pytest.approx(fwhm, rel=0.03)
    assert values["elongation"] == pytest.approx(elongation, abs=0.03)
    assert values["elongation_angle_deg"] == pytest.approx(np.degrees(0.7), abs=4)


@pytest.mark.parametrize("beta", [2.2, 4.5])
def test_a_pixel_adds_its_own_variance_to_a_wide_star(beta):
    """Second moments add under convolution, and a square pixel has 1/12 px^2 along an axis; for wide stars the core
    widens as that of a Gaussian of the same curvature, to second order in pixel over FWHM.
    """
    narrow, wide = light_fwhm(6.0, beta), light_fwhm(12.0, beta)
    assert 6.0 - narrow == pytest.approx(2 * (12.0 - wide), rel=0.1)
    assert light_fwhm(40.0, beta) == pytest.approx(40.0, rel=1e-3)
    assert np.isnan(light_fwhm(1.0, beta)) and np.isnan(light_fwhm(np.nan, beta))


def test_the_map_of_the_field_shows_where_stars_are_wide_and_long():
    """Stars of one side are wider and longer, as with a tilted sensor."""
    left, _, _ = pixel_frame(2.4, "mono", elongation=1.0, angle=0.0)
    right, _, _ = pixel_frame(2.4, "mono", elongation=1.35, angle=1.2, seed=6)
    value = np.where(np.arange(left.value.shape[1]) < left.value.shape[1] // 2, left.value, right.value)
    found = measure_frame(value, left.bad, left.saturated, left.cfa, left.noise, MEASURE)
    assert found.elongation_map[:, 0] == pytest.approx([1.0] * 3, abs=0.06)
    # The pixel, being square, makes it rounder than the light is: 1.31.
    assert found.elongation_map[:, 2] == pytest.approx([1.31] * 3, abs=0.06)
    assert found.fwhm_map[:, 0] == pytest.approx([2.55] * 3, rel=0.05)
