"""Parts of the report: numbers as text, block maps, colours, limits."""

import re
from base64 import b64decode

import numpy as np
import pytest

from pipeline.fitsio import write_fits
from pipeline.report_page.blocks import read_block_map
from pipeline.report_page.drawing import DARK, LIGHT, canvas, draw
from pipeline.report_page.evidence import Flag
from pipeline.report_page.findings import group_findings
from pipeline.report_page.noise import NoiseCurve
from pipeline.report_page.outlook import limiting_set
from pipeline.report_page.quantities import (
    count_of,
    duration,
    joined,
    measured,
    percent,
    significant,
    unmeasured,
)
from pipeline.report_page.regions import regions


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (0.012345, "0.0123"),
        (9.996, "10.0"),
        (-0.5, "−0.500"),
        (1234567, "1 234 567"),
        (4.5e-6, "4.50 × 10⁻⁶"),
        (3.2e8, "3.20 × 10⁸"),
        (0, "0"),
    ],
)
def test_significant_digits(value, text):
    assert significant(value).replace("\u202f", " ") == text


@pytest.mark.parametrize(
    ("value", "uncertainty", "text"),
    [
        # Examples after JCGM 100:2008, 7.2.2 (from memory): 100.021 47 g with 0.35 mg is (100.021 47 ± 0.000 35) g.
        (100.02147, 0.00035, "(100.02147 ± 0.00035) g"),
        (12.3456, 1.234, "(12.3 ± 1.2) g"),
        (1234.5, 99.6, "(1 234 ± 100) g"),
        (3.1e-6, 2.2e-7, "(3.10 ± 0.22) × 10⁻⁶ g"),
        (5.0, 0.0, "5.00 g"),
        (5.0, np.nan, "5.00 g"),
    ],
)
def test_value_and_uncertainty_end_at_the_same_digit(value, uncertainty, text):
    assert str(measured(value, "g", uncertainty)).replace("\u202f", " ") == text


def test_what_is_not_known_says_why():
    assert str(unmeasured("no flat")) == "not measured (no flat)"
    for value in (None, np.nan, np.inf, True, "3"):
        assert not measured(value, missing="no star").known
    assert measured(2.5, "px", 0.1).bare == "2.50 ± 0.10"


def test_words_and_spans():
    assert (count_of(0, "night"), count_of(1, "night"), count_of(2, "night")) == (
        "no nights",
        "1 night",
        "2 nights",
    )
    assert (joined("a"), joined("ab"), joined("abc")) == ("a", "a and b", "a, b and c")
    spans = [duration(s).replace("\u202f", " ") for s in (4.25, 59.6, 200, 3600, 7500)]
    assert spans == ["4.2 s", "1 min", "3 min 20 s", "1 h 00 min", "2 h 05 min"]
    assert [percent(f).replace("\u202f", " ") for f in (0, 0.0123, 0.5)] == ["0 %", "1.2 %", "50 %"]


def test_equal_messages_are_merged_and_none_is_lost():
    flags = [
        Flag("measure", "a", "x", "warn", "same"),
        Flag("measure", "b", "x", "warn", "same"),
        Flag("measure", "b", "y", "warn", "other"),
        Flag("inventory", "c", "z", "info", "silent"),
        Flag("a_new_stage", "d", "z", "fail", "worst"),
    ]
    groups = group_findings(flags)
    assert [(group.severity, group.title) for group in groups] == [
        ("fail", "A new stage"),
        ("warn", "Measuring the lights"),
    ]
    assert groups[1].items == (("same", ("a", "b")), ("other", ("b",)))


def test_only_a_clear_difference_names_a_limiting_set():
    assert limiting_set({"a": 10.0, "b": 30.0, "c": 11.0}) is None
    assert limiting_set({"a": 10.0, "b": 30.0, "c": 20.0}) == "a"
    assert limiting_set({"a": 10.0}) is None


def test_noise_of_a_block_map_is_that_of_the_pixels(tmp_path):
    """Variance of a mean of n samples is that of one over n; uncovered and clipped pixels do not count."""
    rng = np.random.default_rng(4)
    shape = (1, 403, 401)
    value = rng.normal(7.0, 0.3, shape).astype(np.float32)
    coverage = np.full(shape, 5.0, np.float32)
    coverage[:, :, :40] = 0
    value[:, ::9, ::7] = np.nan
    write_fits(
        tmp_path / "a.fits",
        value,
        extensions={"VARIANCE": np.full(shape, 0.09, np.float32), "COVERAGE": coverage},
    )
    found = read_block_map(tmp_path / "a.fits")
    assert found.value.shape == (1, 50, 50) and found.background is None
    assert np.isnan(found.value[0, :, :5]).all() and np.isfinite(found.value[0, :, 5:]).all()
    assert found.pixel_noise[0] == pytest.approx(0.3, rel=1e-3)
    # 2250 blocks of 62 or 63 pixels: the scatter of their means is known to 1.5 % (1 / sqrt(2 n)), three of it.
    assert np.nanstd(found.value[0]) == pytest.approx(0.3 / 8, rel=0.045 + 0.015)


def test_pure_noise_has_no_region(tmp_path):
    rng = np.random.default_rng(5)
    value = rng.normal(0.0, 1.0, (160, 160)).astype(np.float32)
    write_fits(tmp_path / "n.fits", value, extensions={"VARIANCE": np.ones((160, 160), np.float32)})
    noise = read_block_map(tmp_path / "n.fits")
    assert regions({"Ha": noise}, {"broad": noise}) == []
    value[40:120, 40:120] += 1.0
    write_fits(tmp_path / "s.fits", value, extensions={"VARIANCE": np.ones((160, 160), np.float32)})
    signal = read_block_map(tmp_path / "s.fits")
    (region,) = regions({"Ha": signal}, {})
    assert region.name == "Hα emission" and region.mask.sum() == 40
    assert not region.mask[:5].any() and not region.mask[:, 15:].any()


def _luminance(colour):
    """Relative luminance (WCAG 2.2, definition; from memory)."""
    parts = np.array([int(colour[k : k + 2], 16) for k in (1, 3, 5)]) / 255
    linear = np.where(parts <= 0.04045, parts / 12.92, ((parts + 0.055) / 1.055) ** 2.4)
    return float(linear @ [0.2126, 0.7152, 0.0722])


def _contrast(one, other):
    dark, light = sorted((_luminance(one), _luminance(other)))
    return (light + 0.05) / (dark + 0.05)


@pytest.mark.parametrize("theme", [LIGHT, DARK], ids=lambda theme: theme.name)
def test_colours_of_figures_reach_the_contrast_they_promise(theme):
    assert _contrast("#000000", "#ffffff") == pytest.approx(21)  # the definition's own extreme
    assert _contrast(theme.ink, theme.paper) >= 7  # WCAG 2.2, success criterion 1.4.6
    assert all(_contrast(colour, theme.paper) >= 3 for colour in theme.series)  # 1.4.11
    assert len(set(theme.series)) == len(theme.series)


def test_figures_are_the_same_bytes_each_time_and_have_a_dark_twin():
    def plot(theme):
        figure, axes = canvas(2.0)
        axes[0, 0].plot([1, 2], [3, 4], "o", color=theme.series[0], label="µ")
        axes[0, 0].legend()
        return figure

    first, again = (draw(plot, alt="two points", caption="rising") for _ in range(2))
    assert first == again
    light, dark = (b64decode(uri.split(",")[1]).decode() for uri in (first.light, first.dark))
    assert light != dark and len(light) == len(dark)
    for name in ("paper", "ink"):
        assert getattr(LIGHT, name) in light and getattr(LIGHT, name) not in dark
        assert getattr(DARK, name) in dark
    assert not re.search(r"<text|<dc:date", light)


def test_noise_figure_takes_a_single_light():
    from pipeline.report_page.figures import noise_figure

    curve = NoiseCurve("duo-1", "duo", (1.0,), (0.02,), (0.019,))
    made = noise_figure([curve], ["broad", "duo"], alt="one mark", caption="one")
    assert made.light.startswith("data:image/svg+xml;base64,")
