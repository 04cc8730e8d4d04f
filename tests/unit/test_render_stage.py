"""The stage render: what is in the picture files."""

import io

import numpy as np
import pytest
import tifffile
from PIL import Image, ImageCms

from pipeline.bundles import LinearImage
from pipeline.fitsio import write_linear
from pipeline.layout import Layout
from pipeline.qa import read_record
from pipeline.stages import render
from pipeline.stages.render import covered_box, srgb_profile
from tests.unit.picture_layers import make_layers, picture_settings

STEP = 1 / 255
"""One level of an 8-bit display."""

ICC_TAG = 34675
"""TIFF tag InterColorProfile (ICC.1:2010, annex B.4; from memory)."""


@pytest.fixture(scope="module")
def layers():
    return make_layers(seed=4)


@pytest.fixture
def layout(tmp_path, layers):
    layout = Layout(tmp_path)
    _write(layout, layers.broadband)
    return layout


def _write(layout, image, gains=(1.25, 1.0, 1.67)):
    keywords = {f"WHITE_{channel}": (gain, "") for channel, gain in zip("RGB", gains, strict=True)}
    keywords |= {"BASE": ("wide", ""), "RECIPE": ("sum", ""), "LINE1": ("Ha", ""), "BOOST1": (5.5, "")}
    write_linear(layout.fused(), image, keywords=keywords)


def _run(layout, **changes):
    render.run(layout, "preview", picture_settings(**changes))
    return tifffile.imread(layout.fused_tiff()), np.asarray(Image.open(layout.preview()))


def test_both_pictures_show_the_same_in_16_and_8_bits(layout, layers):
    deep, shallow = _run(layout)
    assert deep.dtype == np.uint16 and shallow.dtype == np.uint8
    assert deep.shape == shallow.shape == (*layers.broadband.shape[1:], 3)
    # Each is rounded on its own from the same numbers: half a level.
    assert np.abs(deep / 65535 - shallow / 255).max() <= 0.51 * STEP


def test_both_carry_the_profile_and_a_description(layout):
    _run(layout)
    with Image.open(layout.preview()) as picture:
        assert picture.info["icc_profile"] == srgb_profile()
        assert "Test field" in picture.text["Description"] and "Ha x 5.5" in picture.text["Description"]
    with tifffile.TiffFile(layout.fused_tiff()) as file:
        page = file.pages[0]
        assert page.tags[ICC_TAG].value == srgb_profile()
        assert "Test field" in page.description and page.photometric.name == "RGB"


def test_the_profile_is_srgb():
    """Outside check: Little CMS reads the profile, and takes colours to its own sRGB without change."""
    profile = ImageCms.ImageCmsProfile(io.BytesIO(srgb_profile()))
    assert "sRGB" in ImageCms.getProfileDescription(profile)
    colours = Image.fromarray(np.random.default_rng(1).integers(0, 256, (16, 16, 3), dtype=np.uint8))
    same = ImageCms.profileToProfile(colours, profile, ImageCms.createProfile("sRGB"))
    assert np.abs(np.asarray(same).astype(int) - np.asarray(colours)).max() <= 1


def test_equal_input_gives_equal_files(layout):
    _run(layout)
    first = layout.preview().read_bytes(), layout.fused_tiff().read_bytes()
    _run(layout)
    assert (layout.preview().read_bytes(), layout.fused_tiff().read_bytes()) == first


def test_sky_is_dark_neutral_and_not_crushed(layout, layers):
    _, shown = _run(layout)
    sky = np.median(shown[-40:, -60:].reshape(-1, 3), axis=0)
    np.testing.assert_allclose(sky / 255, 0.11, atol=1.5 * STEP)
    assert np.ptp(sky) <= 1
    metrics = read_record(layout.qa("render", "preview"))["metrics"]
    assert metrics["black_fraction"] < 1e-3
    assert metrics["white_fraction"] < 0.01


def test_hydrogen_is_red_and_stars_are_near_white(layout, layers):
    _, shown = _run(layout)
    red, green, blue = shown[85:95, 55:65].reshape(-1, 3).mean(axis=0)
    assert red > green + 20 and red > blue + 20
    bright = layers.bright & (layers.x > 150)
    cores = shown[np.round(layers.y[bright]).astype(int), np.round(layers.x[bright]).astype(int)]
    assert bright.sum() >= 3 and cores.min() > 120


def test_clipped_cores_are_no_holes(layout, layers):
    image = layers.broadband
    value, coverage = image.value.copy(), image.coverage.copy()
    star = np.argmax(image.value[1][10:-10, 150:-10])
    y, x = np.unravel_index(star, image.value[1][10:-10, 150:-10].shape)
    core = (slice(y + 8, y + 13), slice(x + 148, x + 153))
    coverage[1][core] = 0  # green clips first
    coverage[:, y + 10, x + 150] = 0
    value[coverage == 0] = 0
    _write(layout, LinearImage(value, image.variance, coverage))
    _, shown = _run(layout)
    inside = shown[core].astype(int)
    assert inside.min() > 90
    # Green is continued from the rim; without that the core would be magenta by more than a hundred levels.
    assert (inside[..., 1] > 0.6 * inside.max(axis=-1)).all()


def test_poorly_covered_borders_are_cut_off(layout, layers):
    image = layers.broadband
    coverage = image.coverage.copy()
    coverage[:, :, :9] = 2.0
    coverage[:, -5:] = 0.0
    coverage[:, 50:53, 100:103] = 1.0  # a clipped core is no border
    _write(layout, LinearImage(image.value, image.variance, coverage))
    _, shown = _run(layout)
    assert shown.shape[:2] == (image.shape[1] - 5, image.shape[2] - 9)
    _, shown = _run(layout, render__crop_coverage=0.0)
    assert shown.shape[:2] == image.shape[1:]
    np.testing.assert_allclose(shown[-3:] / 255, 0.11, atol=1.5 * STEP)


def test_a_large_picture_has_a_smaller_preview(layout):
    deep, shallow = _run(layout, render__preview_pixels=128)
    assert deep.shape == (192, 256, 3)
    assert shallow.shape == (96, 128, 3)


def test_an_uncovered_picture_is_grey_and_no_error(layout):
    nothing = np.zeros((3, 30, 40), np.float32)
    _write(layout, LinearImage(nothing, nothing, nothing))
    _, shown = _run(layout)
    assert shown.shape == (30, 40, 3)
    np.testing.assert_allclose(shown / 255, 0.11, atol=STEP)


def test_box_of_a_turned_field_holds_no_corner():
    y, x = np.mgrid[:200, :300]
    angle = np.radians(8)
    u = (x - 150) * np.cos(angle) + (y - 100) * np.sin(angle)
    v = (y - 100) * np.cos(angle) - (x - 150) * np.sin(angle)
    covered = (np.abs(u) < 140) & (np.abs(v) < 90)
    rows, columns = covered_box(covered, 0.95)
    assert covered[rows, columns].mean() > 0.98
    # The largest upright rectangle inside takes some 70 % of the field; at least 90 % of that is kept.
    assert covered[rows, columns].sum() > 0.63 * covered.sum()
    assert covered_box(np.zeros((4, 5), bool), 0.5) == (slice(0, 4), slice(0, 5))
