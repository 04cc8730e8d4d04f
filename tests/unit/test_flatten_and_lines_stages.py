"""The stages flatten and lines on files, with every legal mix of filter sets."""

from dataclasses import replace

import numpy as np
import pytest
from astropy.io import fits

from pipeline.bundles import LinearImage
from pipeline.errors import InputError
from pipeline.fitsio import read_image, read_keywords, read_linear, write_linear
from pipeline.grid_keywords import finer_of, grid_keywords
from pipeline.layout import Layout
from pipeline.numerics import line_solution
from pipeline.numerics.levelled_stars import stars_of
from pipeline.qa import read_record
from pipeline.settings.tables import all_keys
from pipeline.stages import find_stars, flatten, lines, survey_sky
from tests.unit.synthetic_stacks import BROAD_PASSBANDS, DUAL_PASSBANDS, make_scene

ENTRY = {"filter_names": [], "lines": [], "transmission": None, "line_throughput": {}}
SETS = {
    "broad": {**ENTRY, "role": "broadband", "passbands_nm": [list(band) for band in BROAD_PASSBANDS]},
    "duo": {**ENTRY, "role": "dualband", "passbands_nm": [list(band) for band in DUAL_PASSBANDS]},
}


def _settings(filter_sets=None, **changes):
    settings = {"flatten": {}, "lines": {}, "camera": {"response": None}}
    for key in all_keys():
        if key.section in ("flatten", "lines"):
            settings[key.section][key.name] = key.default
    for path, value in changes.items():
        section, name = path.split("__")
        settings[section][name] = value
    settings["filter_sets"] = filter_sets or SETS
    return settings


@pytest.fixture(scope="module")
def scene():
    return make_scene(seed=2, shape=(256, 320), n_stars=120, cover=0.3)


def _stacked(scene, root, names):
    layout = Layout(root)
    for name in names:
        write_linear(layout.stack(name), scene.stacks[name])
    return layout


def _survey(layout, names, settings):
    for name in names:
        find_stars.run(layout, name, settings)
    for name in names:
        survey_sky.run(layout, name, settings, filter_sets=names)


def _run(layout, names, settings):
    _survey(layout, names, settings)
    for name in names:
        flatten.run(layout, name, settings, filter_sets=names)
    lines.run(layout, "lines", settings, filter_sets=names)


def _flatten(layout, unit, names, settings):
    _survey(layout, names, settings)
    flatten.run(layout, unit, settings, filter_sets=names)


def _codes(layout, stage, unit):
    return {flag["code"]: flag["severity"] for flag in read_record(layout.qa(stage, unit))["flags"]}


def test_both_sets(tmp_path, scene):
    names = ["broad", "duo"]
    layout = _stacked(scene, tmp_path, names)
    _run(layout, names, _settings())
    flat = read_linear(layout.flat("duo"))
    background = read_image(layout.flat("duo"), "BACKGROUND")
    np.testing.assert_allclose(flat.value + background, scene.stacks["duo"].value, atol=1e-5)
    metrics = read_record(layout.qa("flatten", "broad"))["metrics"]
    truth = np.ptp(scene.sky["broad"][1])
    assert metrics["gradient_before_e_s_G"] == pytest.approx(truth, rel=0.1)
    assert abs(metrics["gradient_after_e_s_G"]) < 0.05 * truth
    assert 0.1 < metrics["free_sky_fraction"] < 0.9

    header = read_keywords(layout.line("Ha"))
    assert header["SOLVED"] is True and header["LINEWAVE"] == pytest.approx(656.279)
    assert (header["LINESET"], header["LINECHAN"]) == ("duo", "R")
    assert read_keywords(layout.line("OIII"))["LINECHAN"] == "G"
    with fits.open(layout.line("Ha"), checksum=True) as hdus:
        assert [hdu.name for hdu in hdus[1:]] == ["VARIANCE", "FILLED", "SIGNIFICANCE"]
        # Gas shows, empty sky does not.
        gas = scene.lines["Ha"]
        seen = hdus["SIGNIFICANCE"].data
        assert np.median(seen[gas > 0.2]) > 20 and abs(np.median(seen[gas == 0])) < 2
    # What fuse builds on: continuum plus the lines' share is the flattened broadband.
    total = read_linear(layout.continuum()).value.copy()
    for line in ("Ha", "OIII"):
        keywords = read_keywords(layout.line(line))
        for c, channel in enumerate("RGB"):
            total[c] += keywords[f"BRESP_{channel}"] * read_image(layout.line(line))
    np.testing.assert_allclose(total, read_linear(layout.flat("broad")).value, atol=3e-5)
    record = read_record(layout.qa("lines", "lines"))
    assert record["metrics"]["lines_solved"] == "Ha, OIII"
    assert "refined from the data of duo" in record["metrics"]["crosstalk_source"]
    assert record["metrics"]["continuum_ratio_from_stars"] is True


def test_the_stars_of_the_survey_serve_until_another_threshold_is_asked_for(tmp_path, scene, monkeypatch):
    names = ["broad", "duo"]
    layout = _stacked(scene, tmp_path, names)
    _run(layout, names, _settings())
    looked = []

    def look(value, valid, *, sigma):
        looked.append(sigma)
        return stars_of(value, valid, sigma=sigma)

    monkeypatch.setattr(line_solution, "stars_of", look)
    lines.run(layout, "lines", _settings(), filter_sets=names)
    assert not looked
    lines.run(layout, "lines", _settings(lines__star_sigma=6.0), filter_sets=names)
    assert looked == [6.0]


@pytest.mark.parametrize("finer", [1, 2])
def test_haloes_are_looked_for_on_the_grid_that_the_stacks_state(tmp_path, scene, monkeypatch, finer):
    layout = Layout(tmp_path)
    for name in ("broad", "duo"):
        write_linear(layout.stack(name), scene.stacks[name], keywords=grid_keywords(finer))
    told = []

    def seen(function):
        def called(*given, finer):
            told.append((function.__name__, finer))
            return function(*given, finer=finer)

        return called

    monkeypatch.setattr(line_solution, "remove_haloes", seen(line_solution.remove_haloes))
    monkeypatch.setattr(lines, "remove_reflections", seen(lines.remove_reflections))
    _run(layout, ["broad", "duo"], _settings())
    assert finer_of(read_keywords(layout.flat("duo"))) == finer
    # Two lines and the continuum.
    assert told == [("remove_haloes", finer)] * 2 + [("remove_reflections", finer)]


def test_a_field_full_of_nebula_is_flattened_one_light_at_a_time_and_says_so(tmp_path):
    """The residual gradient stays below 15 % of the nebula's range; the record tells how the sky was found and warns where hardly any is free."""
    full = make_scene(seed=3, shape=(384, 512), cover=0.9)
    layout = _stacked(full, tmp_path, ["broad", "duo"])
    _flatten(layout, "broad", ["broad", "duo"], _settings())
    codes = _codes(layout, "flatten", "broad")
    metrics = read_record(layout.qa("flatten", "broad"))["metrics"]
    assert codes["sky_by_kinds_of_light"] == "info"
    assert ("little_free_sky" in codes) == (metrics["free_sky_fraction"] < 0.1)
    assert min(metrics[f"cells_without_{light}"] for light in ("dust", "line_0", "line_1")) > 0.2
    nebula = full.nebula["broad"][1]
    flat = read_linear(layout.flat("broad"))
    left = full.stacks["broad"].value[1] - flat.value[1] - full.sky["broad"][1]
    assert np.ptp(left) < 0.15 * np.ptp(np.percentile(nebula, (10, 90)))


@pytest.mark.parametrize("lamp", [0.0, 0.1])
def test_a_spline_is_added_where_a_lamp_asks_for_it(tmp_path, lamp):
    scene = make_scene(seed=2, shape=(256, 320), n_stars=60, cover=0.15, gradient=0.2)
    layout = _stacked(scene, tmp_path, ["broad", "duo"])
    y, x = np.mgrid[:256, :320]
    glow = lamp * np.exp(-(x**2 + y**2) / 80**2)
    image = scene.stacks["broad"]
    write_linear(layout.stack("broad"), replace(image, value=(image.value + glow).astype(np.float32)))
    settings = _settings(flatten__remainder="spline")
    _flatten(layout, "broad", ["broad", "duo"], settings)
    metrics = read_record(layout.qa("flatten", "broad"))["metrics"]
    assert metrics["sky_remainder_used"] is (lamp > 0)
    assert ("sky_remainder_e_s_G" in metrics) is (lamp > 0)


def test_same_input_same_data_units(tmp_path, scene):
    names = ["broad", "duo"]
    for folder in ("a", "b"):
        _run(_stacked(scene, tmp_path / folder, names), names, _settings())
    for path in ("flat/duo.fits", "lines/Ha.fits", "lines/OIII.fits", "lines/continuum.fits"):
        # Data units; the headers hold the time at which the checksum was made.
        with fits.open(tmp_path / "a" / path) as first, fits.open(tmp_path / "b" / path) as second:
            assert [hdu.header["DATASUM"] for hdu in first] == [hdu.header["DATASUM"] for hdu in second]


def test_broadband_alone_gives_the_continuum_only(tmp_path, scene):
    layout = _stacked(scene, tmp_path, ["broad"])
    _run(layout, ["broad"], _settings({"broad": SETS["broad"]}))
    assert _codes(layout, "lines", "lines") == {"no_lines": "info"}
    np.testing.assert_array_equal(
        read_linear(layout.continuum()).value, read_linear(layout.flat("broad")).value
    )
    assert not layout.line("Ha").exists()


@pytest.mark.parametrize("wanted", [True, False])
def test_discs_round_bright_stars_are_taken_off_the_continuum_and_kept(tmp_path, wanted):
    """Six bright stars with discs of radius 25 that hold 2 % of their light; one that is left is brighter than the noise."""
    scene = make_scene(seed=4, cover=0.2, n_stars=60, gradient=0.0)
    layout = _stacked(scene, tmp_path, ["broad"])
    image = scene.stacks["broad"]
    ny, nx = image.shape[1:]
    y, x = np.mgrid[:ny, :nx]
    haloes = np.zeros(image.shape)
    for i in np.argsort(-scene.stars["broad"][1])[:12]:
        r = np.hypot(x - scene.stars["x"][i], y - scene.stars["y"][i])
        haloes += (
            0.02
            / (np.pi * 25**2)
            * scene.stars["broad"][:, i, None, None]
            * np.clip((25 - r) / 2 + 0.5, 0, 1)
        )
    write_linear(layout.flat("broad"), replace(image, value=(image.value + haloes).astype(np.float32)))
    settings = _settings()
    settings["lines"]["remove_haloes"] = wanted
    lines.run(layout, "lines", settings, filter_sets=["broad"])
    metrics = read_record(layout.qa("lines", "lines"))["metrics"]
    if not wanted:
        assert read_keywords(layout.continuum())["HALODISC"] is False
        assert "halo_discs_G" not in metrics
        return
    found = read_image(layout.continuum(), "HALOES")
    # A third of the light may be told wrong where nebula crosses the few rims.
    assert np.abs(found - haloes).sum() < 0.33 * haloes.sum()
    assert metrics["halo_radius_px_G"] == pytest.approx(25, abs=1)
    rest = read_linear(layout.continuum()).value + found
    np.testing.assert_allclose(rest, image.value + haloes, rtol=1e-5, atol=1e-4)


def test_dual_band_alone_says_what_is_lost(tmp_path, scene):
    layout = _stacked(scene, tmp_path, ["duo"])
    _run(layout, ["duo"], _settings({"duo": SETS["duo"]}))
    assert _codes(layout, "lines", "lines")["no_continuum_set"] == "warn"
    assert read_keywords(layout.line("OIII"))["BRESP_G"] == 0
    continuum = read_linear(layout.continuum())
    assert not continuum.valid.any()
    gas = scene.lines["Ha"] > 0.3
    assert np.median(read_image(layout.line("Ha"))[gas] / scene.lines["Ha"][gas]) == pytest.approx(
        1, abs=0.15
    )


def test_a_set_without_data_is_named_and_its_lines_are_empty(tmp_path, scene):
    layout = _stacked(scene, tmp_path, ["broad"])
    nothing = np.zeros_like(scene.stacks["duo"].value)
    write_linear(layout.stack("duo"), LinearImage(nothing, nothing, nothing))
    _run(layout, ["broad", "duo"], _settings())
    assert _codes(layout, "flatten", "duo") == {"no_data": "fail"}
    codes = _codes(layout, "lines", "lines")
    assert codes["set_without_data"] == "warn" and codes["line_not_solved"] == "fail"
    assert read_keywords(layout.line("Ha"))["SOLVED"] is False
    assert np.isnan(read_image(layout.line("Ha"), "VARIANCE")).all()


def test_mono_narrow_sets_with_a_mono_broadband(tmp_path, scene):
    """Three filters before a sensor without colours: green of the broadband as L, and one line a set."""
    layout = Layout(tmp_path)
    picked = {"lum": ("broad", 1), "hydrogen": ("duo", 0), "oxygen": ("duo", 1)}
    for name, (source, c) in picked.items():
        image = scene.stacks[source]
        parts = (image.value[c : c + 1], image.variance[c : c + 1], image.coverage[c : c + 1])
        write_linear(layout.stack(name), LinearImage(*parts))
    sets = {
        "lum": {**ENTRY, "role": "broadband", "passbands_nm": []},
        "hydrogen": {**ENTRY, "role": "narrowband", "passbands_nm": [], "lines": ["Ha"]},
        "oxygen": {**ENTRY, "role": "narrowband", "passbands_nm": [], "lines": ["OIII"]},
    }
    _run(layout, list(sets), _settings(sets))
    assert read_linear(layout.continuum()).shape[0] == 1
    header = read_keywords(layout.line("Ha"))
    assert header["LINECHAN"] == "L" and header["BRESP_L"] > 0 and "BRESP_R" not in header
    assert read_keywords(layout.line("OIII"))["SOLVED"] is True


def test_hydrogen_and_nitrogen_in_one_band_go_by_one_name(tmp_path, scene):
    layout = _stacked(scene, tmp_path, ["broad", "duo"])
    sets = {**SETS, "duo": {**SETS["duo"], "lines": ["Ha", "NII", "OIII"]}}
    _run(layout, ["broad", "duo"], _settings(sets))
    assert read_keywords(layout.line("Ha"))["SOLVED"] is True
    assert read_keywords(layout.line("NII"))["SOLVED"] is False
    flags = read_record(layout.qa("lines", "lines"))["flags"]
    assert any("one passband" in flag["message"] for flag in flags)


def test_nothing_at_all_is_a_clear_error(tmp_path, scene):
    layout = Layout(tmp_path)
    with pytest.raises(InputError, match="no filter set has a flattened stack"):
        lines.run(layout, "lines", _settings(), filter_sets=["broad", "duo"])
    assert read_record(layout.qa("lines", "lines"))["verdict"] == "fail"


def test_a_response_without_the_needed_channel_is_named(tmp_path, scene):
    layout = _stacked(scene, tmp_path, ["broad"])
    _flatten(layout, "broad", ["broad"], _settings())
    curve = tmp_path / "response.csv"
    curve.write_text("wavelength_nm,R,G\n400,0,0\n700,1,1\n")
    with pytest.raises(InputError, match=r"response\.csv: expected a column for channel B"):
        lines.run(layout, "lines", _settings(camera__response=str(curve)), filter_sets=["broad"])
