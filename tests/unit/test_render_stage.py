"""The stage render: what is in the picture files."""

import io

import numpy as np
import pytest
import tifffile
from PIL import Image, ImageCms

from pipeline.bundles import LinearImage
from pipeline.colour_profile import linear_profile, srgb_profile
from pipeline.fitsio import read_linear, write_linear
from pipeline.layout import Layout
from pipeline.numerics.colour import srgb_decode, srgb_encode
from pipeline.qa import read_record
from pipeline.stages import render
from pipeline.stages.render import covered_box
from tests.unit.picture_layers import SETS, make_layers, picture_settings, write_broadband, write_dual_band

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


def _run(layout, filter_sets=(), **changes):
    render.run(layout, "preview", picture_settings(**changes), filter_sets=list(filter_sets))
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


def test_linear_values_show_the_same_picture(layout):
    """Outside check: Little CMS turns the linear TIFF, by the profile inside, into the sRGB one."""
    plain, _ = _run(layout)
    linear, shown = _run(layout, render__encoding="linear")
    # Half a step of either file, those of the sRGB one 2.3 times as large in linear light near white.
    np.testing.assert_allclose(linear / 65535, srgb_decode(plain / 65535), atol=3e-5)
    with tifffile.TiffFile(layout.fused_tiff()) as file:
        profile = ImageCms.ImageCmsProfile(io.BytesIO(file.pages[0].tags[ICC_TAG].value))
        assert "linear" in file.pages[0].description
    assert "linear" in ImageCms.getProfileDescription(profile)
    coarse = Image.fromarray((linear >> 8).astype(np.uint8))
    managed = np.asarray(ImageCms.profileToProfile(coarse, profile, ImageCms.createProfile("sRGB")))
    expected = srgb_encode((linear >> 8) / 255)
    assert np.abs(managed / 255 - expected).max() <= 1.01 * STEP
    assert np.abs(shown / 255 - plain / 65535).max() <= 0.51 * STEP  # the PNG stays sRGB
    assert linear_profile() != srgb_profile()


def test_equal_input_gives_equal_files(layout, layers):
    write_broadband(layout, layers)
    files = (layout.preview(), layout.fused_tiff(), layout.comparison())
    _run(layout, ["wide"])
    first = [path.read_bytes() for path in files]
    _run(layout, ["wide"])
    assert [path.read_bytes() for path in files] == first


def test_comparison_shows_every_filter_set_and_the_picture(layout, layers):
    write_broadband(layout, layers, "clear")
    write_broadband(layout, layers)
    write_dual_band(layout, layers)
    sets = {"clear": {**SETS["wide"], "role": "unfiltered"}, **SETS}
    settings = picture_settings(sets, render__comparison_pixels=200)
    render.run(layout, "preview", settings, filter_sets=["duo", "wide", "clear"])
    with Image.open(layout.comparison()) as sheet:
        sheet.load()
        assert sheet.width == 16 + 4 * 216
        assert sheet.info["icc_profile"] == srgb_profile()
        assert "Test field" in sheet.text["Description"]
        shown = np.asarray(sheet).astype(int)
    label, height = 66, 150  # 192 x 256 pixels at a width of 200
    panels = [shown[16 + label : 16 + label + height, 16 + 216 * k : 216 * (k + 1)] for k in range(4)]
    # In the order of roles, unfiltered first; the same stack and rules give the same panel, pixel for pixel.
    np.testing.assert_array_equal(panels[0], panels[1])
    assert np.abs(panels[2] - panels[1]).max() > 50
    # Equal rules: the sky is equally bright in all, to the rounding of the display.
    skies = [np.median(panel[-30:, -45:-5].reshape(-1, 3), axis=0) for panel in panels]
    assert np.ptp(skies, axis=0).max() <= 4
    assert read_record(layout.qa("render", "preview"))["metrics"]["panels"] == 4


def test_a_filter_set_that_cannot_be_read_is_named_and_left_off_the_sheet(layout, layers):
    write_broadband(layout, layers)
    path = layout.flat("wide")
    path.write_bytes(path.read_bytes()[: 2880 * 3])
    _run(layout, ["wide"])
    record = read_record(layout.qa("render", "preview"))
    assert [flag["code"] for flag in record["flags"]] == ["no_panel"]
    assert str(path) in record["flags"][0]["message"]
    assert layout.comparison().is_file() and record["metrics"]["panels"] == 1


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


def test_borders_that_one_filter_set_hardly_covers_are_cut_off_too(layout, layers):
    write_dual_band(layout, layers)
    image = read_linear(layout.flat("duo"))
    image.coverage[:] = 11.0
    # A dithered edge: frames end one after the other. Half of eleven is reached at row 6.
    image.coverage[:, :6] = np.arange(6, dtype=np.float32)[None, :, None]
    write_linear(layout.flat("duo"), image)
    full = layers.broadband.shape[1:]
    _, shown = _run(layout, ["duo"])
    # Looked at every fourth row, so at most three rows more are lost.
    assert full[0] - 9 <= shown.shape[0] <= full[0] - 6
    assert shown.shape[1] == full[1]
    # A set that covers half of the field leaves the picture whole.
    image.coverage[:, : full[0] // 2] = 0.0
    write_linear(layout.flat("duo"), image)
    _, shown = _run(layout, ["duo"])
    assert shown.shape[:2] == full


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
