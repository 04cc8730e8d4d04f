"""Which pattern the stored pixels have: by header, by the pixels, and when these disagree."""

from dataclasses import asdict

import numpy as np
import pytest

from pipeline.colour_pattern import GREEN_DIAGONAL, settle_patterns, stored_pattern
from pipeline.numerics.cfa import BAYER_PATTERNS
from pipeline.numerics.green_planes import green_test
from tests.unit.raw_frames import exposure, light_map


@pytest.fixture
def rng():
    return np.random.default_rng(5)


@pytest.mark.parametrize("pattern", BAYER_PATTERNS)
def test_the_diagonal_of_the_greens_is_seen(rng, pattern):
    assert green_test(exposure(rng, 900, pattern=pattern)).greens == GREEN_DIAGONAL[pattern]
    # Odd sizes cut the last cell; the first pixel still counts.
    assert green_test(exposure(rng, 900, pattern=pattern)[:-1, :-1]).greens == GREEN_DIAGONAL[pattern]


def test_a_mono_frame_with_a_steep_slope_and_stars_shows_no_pattern(rng):
    y, x = np.mgrid[:96, :128]
    light = 500 + 30.0 * x + 30.0 * y
    light += 40000 * np.exp(-((x - 40.3) ** 2 + (y - 50.6) ** 2) / 4)
    assert green_test(exposure(rng, light, pattern="mono")).greens == "none"


def test_column_offsets_are_no_colours(rng):
    frame = exposure(rng, 500, pattern="mono")
    frame[:, ::2] += 40
    assert green_test(frame).greens is None


def test_a_tiny_frame_gives_no_answer():
    assert green_test(np.zeros((6, 6))) is None


@pytest.mark.parametrize("pattern", BAYER_PATTERNS)
@pytest.mark.parametrize(("y", "x"), [(0, 1), (1, 0), (1, 1), (3, 2)])
def test_offsets_are_where_a_subframe_begins(pattern, y, x):
    sensor = np.tile(np.array(list(pattern)).reshape(2, 2), (4, 4))
    subframe = "".join(sensor[y : y + 2, x : x + 2].ravel())
    assert stored_pattern(pattern, x_offset=x, y_offset=y) == subframe


@pytest.mark.parametrize("height", [8, 7])
def test_rows_from_the_other_end(height):
    shown = np.tile(np.array(list("RGGB")).reshape(2, 2), (4, 4))[:height]
    stored = "".join(shown[::-1][:2, :2].ravel())
    assert stored_pattern("RGGB", bottom_up_height=height) == stored


def entry(frame, *, kind="light", **facts):
    known = {"x_offset": 0, "y_offset": 0, "row_order": "", **facts}
    look = {"height": frame.shape[0], "width": frame.shape[1], "green": asdict(green_test(frame))}
    return {"kind": kind, "facts": known, "look": look}


def settled(entries, forced=None):
    flags = settle_patterns(entries, forced)
    return [each["cfa"] for each in entries], [(flag["code"], flag["severity"]) for flag in flags]


@pytest.mark.parametrize("pattern", BAYER_PATTERNS)
def test_header_and_pixels_agree(rng, pattern):
    entries = [entry(exposure(rng, 900, pattern=pattern), pattern_text=pattern) for _ in range(3)]
    assert settled(entries) == ([pattern] * 3, [])


def test_bottom_up_is_decided_by_the_pixels_whatever_the_program_meant(rng):
    """The pattern that a program names may be that of the stored rows or of the picture as shown."""
    for stored in ("RGGB", "GBRG"):
        frame = exposure(rng, 900, pattern=stored)
        patterns, flags = settled([entry(frame, pattern_text="RGGB", row_order="BOTTOM-UP")])
        assert patterns == [stored]
        assert flags == [("row_order_settled", "info")]


def test_bottom_up_that_pixels_cannot_decide_is_said(rng):
    dark = entry(exposure(rng, 0), kind="dark", pattern_text="RGGB", row_order="BOTTOM-UP")
    assert settled([dark]) == (["GBRG"], [("row_order_undecided", "warn")])


def test_pixels_win_over_a_wrong_header_with_a_warning(rng):
    entries = [entry(exposure(rng, 900, pattern="GBRG"), pattern_text="RGGB") for _ in range(3)]
    assert settled(entries) == (["GBRG"] * 3, [("pattern_corrected", "warn")])


def test_two_subframes_of_one_size_keep_their_own_pattern(rng):
    whole = [entry(exposure(rng, 900, pattern="RGGB"), pattern_text="RGGB") for _ in range(3)]
    moved = entry(exposure(rng, 900, pattern="GRBG"), pattern_text="RGGB", x_offset=1)
    assert settled([*whole, moved]) == (["RGGB"] * 3 + ["GRBG"], [])


def test_no_header_but_a_hint_in_filter(rng):
    entries = [entry(exposure(rng, 900, pattern="GBRG"), filter="RGGB") for _ in range(2)]
    assert settled(entries) == (["GBRG"] * 2, [("pattern_guessed", "warn")])


def test_darks_without_pattern_take_that_of_the_lights(rng):
    light = entry(exposure(rng, 900, pattern="BGGR"), pattern_text="BGGR")
    dark = entry(exposure(rng, 0), kind="dark")
    assert settled([light, dark]) == (["BGGR", "BGGR"], [])


def test_mono_lights_beside_colour_lights_of_one_size_stay_mono(rng):
    light = entry(exposure(rng, 900, pattern="BGGR"), pattern_text="BGGR")
    mono = entry(exposure(rng, 900, pattern="mono"))
    assert settled([light, mono]) == (["BGGR", "mono"], [])


def test_the_config_has_the_last_word_but_doubts_are_said(rng):
    entries = [entry(exposure(rng, 900, pattern="GBRG"), pattern_text="GBRG")]
    assert settled(entries, forced="BGGR") == (["BGGR"], [("pattern_contradicted", "warn")])
    assert settled(entries, forced="GRBG") == (["GRBG"], [])


def test_binning_that_adds_up_colours_leaves_no_pattern(rng):
    """A header goes on naming the pattern of the sensor; only flats are bright enough to tell."""
    grey = exposure(rng, 20000, pattern="mono")
    named = {"pattern_text": "RGGB", "binning": "2x2"}
    light = entry(exposure(rng, 5, pattern="mono"), **named)
    assert settled([light])[0] == ["RGGB"]
    patterns, codes = settled([light, entry(grey, kind="flat", **named)])
    assert (patterns, codes) == (["mono", "mono"], [("pattern_lost_by_binning", "warn")])
    kept = [entry(exposure(rng, 20000), kind="flat", **named), light]
    assert settled(kept) == (["RGGB", "RGGB"], [])
    unbinned = {"pattern_text": "RGGB"}
    assert settled([entry(grey, kind="flat", **unbinned)])[0] == ["RGGB"]


def test_grey_light_does_not_outvote_coloured_light(rng):
    grey = [entry(exposure(rng, 900 / light_map("RGGB")), pattern_text="GRBG") for _ in range(5)]
    lamp = entry(exposure(rng, 900, pattern="GRBG"), kind="flat", pattern_text="GRBG")
    assert settled([*grey, lamp])[0] == ["GRBG"] * 6
