"""The stage fuse on files, with every legal mix of filter sets."""

import numpy as np
import pytest

from pipeline.bundles import LinearImage
from pipeline.errors import ConfigError, StageError
from pipeline.fitsio import read_keywords, read_linear, write_fits, write_linear
from pipeline.layout import Layout
from pipeline.numerics.colour import LUMINANCE, line_primaries
from pipeline.numerics.spectrum import LINES, black_body_photons
from pipeline.numerics.stack_stars import aperture_flux
from pipeline.qa import read_record
from pipeline.stages import fuse
from tests.unit.picture_layers import (
    ENTRY,
    LINE_SIGMA,
    RESPONSES,
    SETS,
    SHAPE,
    SIGMA,
    STAR_RATIO,
    make_layers,
    picture_settings,
    smooth,
    write_broadband,
    write_dual_band,
    write_lines,
)

ALL = {"Ha": 1.0, "OIII": 1.0}


@pytest.fixture(scope="module")
def layers():
    return make_layers()


@pytest.fixture
def layout(tmp_path, layers):
    layout = Layout(tmp_path)
    write_broadband(layout, layers)
    write_dual_band(layout, layers)
    write_lines(layout, layers)
    return layout


def _run(layout, settings=None, filter_sets=("wide", "duo")):
    fuse.run(layout, "fused", settings or picture_settings(), filter_sets=list(filter_sets))
    return read_linear(layout.fused())


def _flags(layout):
    return {flag["code"]: flag for flag in read_record(layout.qa("fuse", "fused"))["flags"]}


def _gains(layout):
    header = read_keywords(layout.fused())
    return np.array([header[f"WHITE_{channel}"] for channel in "RGB"])


@pytest.mark.parametrize("recipe", ["sum", "screen", "luminance"])
def test_a_boost_of_one_gives_the_broadband_scene_back(layout, layers, recipe):
    fused = _run(layout, picture_settings(fuse__boost=ALL, fuse__recipe=recipe))
    np.testing.assert_array_equal(fused.value, layers.broadband.value)
    np.testing.assert_array_equal(fused.variance, layers.broadband.variance)
    np.testing.assert_array_equal(fused.coverage, layers.broadband.coverage)


def test_a_boost_is_a_multiple_of_the_lines_own_luminance(layout, layers):
    fused = _run(layout, picture_settings(fuse__boost={"Ha": 4.0, "OIII": 1.0}, fuse__denoise_sigma=0.0))
    gains = _gains(layout)
    added = np.tensordot(LUMINANCE * gains, fused.value - layers.broadband.value, axes=1)
    own = float(LUMINANCE @ (gains * RESPONSES["Ha"])) * layers.truth["Ha"]
    gas = (layers.truth["Ha"] > 0.1) & _away_from_stars(layers)
    assert gas.sum() > 500
    # Sums over all of the gas: noise 0.02 in more than 500 pixels of more than 0.1 is below 1 %, remnants a little.
    assert added[gas].sum() / own[gas].sum() == pytest.approx(3.0, rel=0.02)


def test_gas_has_its_colour_on_the_display(layout, layers):
    fused = _run(layout, picture_settings(fuse__boost={"Ha": 30.0, "OIII": 30.0}))
    shown = _gains(layout)[:, None, None] * (fused.value - layers.broadband.value)
    red, green, blue = (smooth(plane)[90, 60] for plane in shown)
    assert red > 4 * green and red > 4 * blue
    red, green, blue = (smooth(plane)[115, 160] for plane in shown)
    assert green > 2 * red and blue > 2 * red


def test_stars_keep_the_colour_and_size_of_the_broadband(layout, layers):
    """With remnants of 5 % in the maps, boosted as the stage chooses; the bound of 2 % is the project's own."""
    fused = _run(layout)
    assert max(read_keywords(layout.fused())[f"BOOST{i}"] for i in (1, 2)) > 3
    edge = _away_from_gas(layers)
    x, y = layers.x[layers.bright & edge], layers.y[layers.bright & edge]
    assert x.size >= 5
    before, after = (
        np.array(
            [aperture_flux(v, s, x, y, radius_px=4.0)[0] for v, s in zip(i.value, i.variance, strict=True)]
        )
        for i in (layers.broadband, fused)
    )
    change = (after / after[1]) / (before / before[1]) - 1
    assert np.median(np.abs(change), axis=1).max() < 0.02
    core = [
        aperture_flux(i.value[1], i.variance[1], x, y, radius_px=1.5)[0] for i in (layers.broadband, fused)
    ]
    # Concentration, a stand-in for the FWHM that does not depend on a fit.
    assert np.median((core[1] / after[1]) / (core[0] / before[1])) == pytest.approx(1.0, abs=0.02)


def test_faint_gas_stands_out_further_than_in_the_broadband(layout, layers):
    fused = _run(layout)
    away = _away_from_stars(layers)
    gas = away & (layers.truth["Ha"] > 0.04) & (layers.truth["Ha"] < 0.08) & (layers.truth["OIII"] < 0.01)
    sky = away & (layers.truth["Ha"] < 1e-3) & (layers.truth["OIII"] < 1e-3)
    sky[:, 140:] = False

    def contrast(image):
        red = image.value[0]
        return (red[gas].mean() - np.median(red[sky])) / red[sky].std()

    # The line map is as noisy as the broadband here, so all that is gained comes from taking its noise away.
    assert contrast(fused) > 1.5 * contrast(layers.broadband)


def test_variance_is_that_of_both_layers(layout):
    fused = _run(layout, picture_settings(fuse__boost={"Ha": 3.0, "OIII": 1.0}))
    header, gains = read_keywords(layout.fused()), _gains(layout)
    assert (header["LINE1"], header["BOOST1"]) == ("Ha", 3.0)
    added = (fused.variance - SIGMA**2) / LINE_SIGMA**2
    assert np.ptp(added, axis=(1, 2)).max() < 1e-3
    share = np.sqrt(np.median(added, axis=(1, 2)))
    assert LUMINANCE @ (gains * share) == pytest.approx(2.0 * LUMINANCE @ (gains * RESPONSES["Ha"]), rel=1e-3)


def test_the_usual_star_is_white(layout):
    _run(layout)
    # 60 stars of which some 30 count; colours scatter by 12 %.
    np.testing.assert_allclose(_gains(layout), [1 / 0.8, 1.0, 1 / 0.6], rtol=0.08)


def test_broadband_alone_is_shown_as_it_is(tmp_path, layers):
    layout = Layout(tmp_path)
    write_broadband(layout, layers)
    fused = _run(layout, picture_settings({"wide": SETS["wide"]}), ["wide"])
    np.testing.assert_array_equal(fused.value, layers.broadband.value)
    assert read_record(layout.qa("fuse", "fused"))["verdict"] == "pass"


def test_dual_band_alone_shows_the_lines_in_their_colours(tmp_path, layers):
    layout = Layout(tmp_path)
    write_dual_band(layout, layers)
    write_lines(layout, layers, channels="")
    fused = _run(layout, picture_settings({"duo": SETS["duo"]}), ["duo"])
    assert _flags(layout)["no_broadband"]["severity"] == "warn"
    assert read_keywords(layout.fused())["BASE"] == "lines only"
    shown = _gains(layout)[:, None, None] * fused.value
    red, green, blue = (smooth(plane)[90, 60] for plane in shown)
    assert red > 2 * green and red > 2 * blue and red > 0
    red, green, blue = (smooth(plane)[115, 165] for plane in shown)
    assert green > 1.5 * red and blue > 1.5 * red


def test_a_colour_set_without_lines_or_broadband_is_shown_with_a_warning(tmp_path, layers):
    layout = Layout(tmp_path)
    write_dual_band(layout, layers)
    _run(layout, picture_settings({"duo": SETS["duo"]}), ["duo"])
    assert "shows filter set duo as it is" in _flags(layout)["single_set"]["message"]


def test_mono_sets_become_colours_by_their_passbands(tmp_path, layers):
    bands = {"first": [440, 500], "second": [600, 690], "third": [510, 580]}
    layout = Layout(tmp_path)
    entries = {name: {**ENTRY, "role": "broadband", "passbands_nm": [band]} for name, band in bands.items()}
    for name, channel in {"first": 2, "second": 0, "third": 1}.items():
        write_linear(layout.flat(name), _mono(layers, channel))
    fused = _run(layout, picture_settings(entries), list(entries))
    np.testing.assert_array_equal(fused.value, layers.broadband.value)
    assert "second red, third green, first blue" in _flags(layout)["colours_by_passband"]["message"]


def test_a_line_is_seen_by_the_mono_sets_that_pass_it(tmp_path, layers):
    """H-alpha lies in the red set only; a boost changes the picture by the line's share in that one channel."""
    layout = Layout(tmp_path)
    bands = {"red": [600, 690], "green": [510, 580], "blue": [440, 500]}
    entries = {name: {**ENTRY, "role": "broadband", "passbands_nm": [band]} for name, band in bands.items()}
    entries["hydrogen"] = {**ENTRY, "role": "narrowband", "lines": ["Ha"]}
    for channel, name in enumerate(bands):
        write_linear(layout.flat(name), _mono(layers, channel))
    write_linear(layout.flat("hydrogen"), _mono(layers, 0))
    write_linear(layout.continuum(), _mono(layers, 0), keywords={"CONTSET": ("red", "")})
    write_lines(layout, layers, channels="L", responses={"Ha": [1.0], "OIII": [1.0]})
    settings = picture_settings(entries, fuse__boost={"Ha": 3.0}, fuse__denoise_sigma=0.0)
    fused = _run(layout, settings, list(entries))
    gains = _gains(layout)
    added = np.tensordot(LUMINANCE * gains, fused.value - layers.broadband.value, axes=1)
    gas = (layers.truth["Ha"] > 0.1) & _away_from_stars(layers)
    own = LUMINANCE[0] * gains[0] * layers.truth["Ha"]
    assert added[gas].sum() / own[gas].sum() == pytest.approx(2.0, rel=0.02)


def test_one_mono_set_is_grey_and_two_share_green(tmp_path, layers):
    entries = {
        "near": {**ENTRY, "role": "broadband", "passbands_nm": [[600, 690]]},
        "far": {**ENTRY, "role": "broadband", "passbands_nm": [[420, 520]]},
    }
    layout = Layout(tmp_path)
    write_linear(layout.flat("near"), _mono(layers, 0))
    write_linear(layout.flat("far"), _mono(layers, 2))
    fused = _run(layout, picture_settings({"near": entries["near"]}), ["near"])
    np.testing.assert_array_equal(fused.value[0], fused.value[2])
    assert "grey_picture" in _flags(layout)
    fused = _run(layout, picture_settings(entries), ["near", "far"])
    np.testing.assert_allclose(fused.value[1], 0.5 * (fused.value[0] + fused.value[2]), rtol=1e-6)
    np.testing.assert_allclose(fused.variance[1], 0.25 * (fused.variance[0] + fused.variance[2]), rtol=1e-6)
    assert "two_colours" in _flags(layout)


def test_an_empty_set_is_named_and_the_rest_goes_on(layout, layers):
    nothing = np.zeros((3, *SHAPE), np.float32)
    write_linear(layout.flat("spare"), LinearImage(nothing, nothing, nothing))
    entries = {**SETS, "spare": {**SETS["wide"]}}
    _run(layout, picture_settings(entries), ["spare", "wide", "duo"])
    assert "spare" in _flags(layout)["set_without_data"]["message"]
    assert read_keywords(layout.fused())["BASE"] == "wide"


def test_the_set_that_measured_the_continuum_is_the_base(layout, layers):
    write_linear(layout.flat("other"), layers.broadband)
    entries = {"other": SETS["wide"], **SETS}
    _run(layout, picture_settings(entries), ["other", "wide", "duo"])
    assert read_keywords(layout.fused())["BASE"] == "wide"


@pytest.mark.parametrize(("measured_by", "taken_off"), [("wide", True), ("other", False)])
def test_haloes_found_with_the_continuum_are_not_in_the_picture(layout, layers, measured_by, taken_off):
    """They belong to the set that measured the continuum: those of another are none of the base's."""
    haloes = np.zeros_like(layers.broadband.value)
    haloes[:, 40:80, 40:80] = 0.3
    write_linear(
        layout.continuum(),
        layers.broadband,
        extensions={"HALOES": haloes},
        keywords={"CONTSET": (measured_by, ""), "HALODISC": (True, "")},
    )
    fused = _run(layout, picture_settings(fuse__boost=ALL))
    expected = layers.broadband.value - (haloes if taken_off else 0)
    np.testing.assert_allclose(fused.value, expected, atol=1e-5)


def test_nothing_at_all_is_a_clear_error(tmp_path):
    layout = Layout(tmp_path)
    nothing = np.zeros((3, *SHAPE), np.float32)
    write_linear(layout.flat("wide"), LinearImage(nothing, nothing, nothing))
    with pytest.raises(StageError, match="no filter set has a usable light"):
        _run(layout, picture_settings({"wide": SETS["wide"]}), ["wide"])
    assert read_record(layout.qa("fuse", "fused"))["verdict"] == "fail"


def test_a_line_that_was_not_solved_is_left_out(layout, layers):
    write_fits(
        layout.line("OIII"), np.zeros(SHAPE, np.float32),
        extensions={"VARIANCE": np.full(SHAPE, np.nan, np.float32)},
        keywords={"LINEWAVE": (500.684, ""), "SOLVED": (False, "")},
    )  # fmt: skip
    fused = _run(layout)
    assert "OIII" in _flags(layout)["line_missing"]["message"]
    assert np.isfinite(fused.value).all()
    assert "LINE2" not in read_keywords(layout.fused())


def test_a_given_colour_is_used_and_a_wrong_one_named(layout, layers):
    settings = picture_settings(fuse__boost={"Ha": 1.0, "OIII": 20.0}, fuse__line_purity=1.0)
    settings["fuse"]["line_colours"] = {"OIII": "#0000ff"}
    fused = _run(layout, settings)
    added = fused.value - layers.broadband.value
    assert np.abs(added[2]).max() > 0.1 and np.abs(added[:2]).max() < 1e-6
    settings["fuse"]["line_colours"] = {"OIII": "blue"}
    with pytest.raises(
        ConfigError, match=r'fuse\.line_colours\.OIII: expected a colour like "#00a8c8".*blue'
    ):
        _run(layout, settings)


def test_a_line_without_a_given_colour_has_the_hue_of_its_wavelength(layout, layers):
    settings = picture_settings(
        fuse__boost={"Ha": 1.0, "OIII": 20.0}, fuse__line_purity=1.0, fuse__line_colours={}
    )
    fused = _run(layout, settings)
    shown = _gains(layout)[:, None, None] * (fused.value - layers.broadband.value)
    colour = shown[:, 110, 120] / shown[:, 110, 120].max()
    np.testing.assert_allclose(colour, line_primaries(LINES["OIII"].components), atol=1e-3)


def test_natural_gas_has_the_colours_of_its_lines_only(layout, layers):
    """What the camera shows of a line in its own colours is gone; brightness is the same multiple as in recipe sum."""
    boosts = {"Ha": 3.0, "OIII": 3.0}
    options = {
        "fuse__boost": boosts,
        "fuse__denoise_sigma": 0.0,
        "fuse__line_purity": 1.0,
        "fuse__line_colours": {},
    }
    natural = _run(layout, picture_settings(fuse__recipe="natural", **options))
    gains = _gains(layout)
    plain = _run(layout, picture_settings(**options))
    gas = (layers.truth["OIII"] > 0.1) & (layers.truth["Ha"] < 0.06) & _away_from_stars(layers)
    assert gas.sum() > 100

    def mean(image):
        return gains * image.value[:, gas].mean(axis=1)

    # In sum a third of [O III] is as green as the camera sees it; in natural its blue over green is that of the line.
    _red, green, blue = line_primaries(LINES["OIII"].components)
    hydrogen = (
        3.0 * layers.truth["Ha"][gas].mean() * float(LUMINANCE @ (gains * RESPONSES["Ha"])) / LUMINANCE[0]
    )
    np.testing.assert_allclose(mean(natural)[2] / mean(natural)[1], blue / green, rtol=0.05)
    assert mean(natural)[0] == pytest.approx(hydrogen, rel=0.1)
    # Luminance: as in sum, of which the boosts make three times the camera's own.
    assert LUMINANCE @ mean(natural) == pytest.approx(LUMINANCE @ mean(plain), rel=0.01)


def test_smaller_stars_keep_their_colour_and_the_gas_stays(layout, layers):
    plain = _run(layout, picture_settings(fuse__boost=ALL))
    fused = _run(layout, picture_settings(fuse__boost=ALL, fuse__star_reduction=0.5))
    edge = layers.bright & _away_from_gas(layers)
    x, y = layers.x[edge], layers.y[edge]
    before, after = (
        np.array(
            [aperture_flux(v, s, x, y, radius_px=4.0)[0] for v, s in zip(i.value, i.variance, strict=True)]
        )
        for i in (plain, fused)
    )
    assert np.median(after / before) < 0.9
    change = (after / after[1]) / (before / before[1]) - 1
    assert np.median(np.abs(change), axis=1).max() < 0.02  # as without reduction
    away = _away_from_stars(layers, radius=25)
    np.testing.assert_allclose(fused.value[:, away], plain.value[:, away], atol=2 * SIGMA.max())
    assert (fused.variance <= plain.variance).all()


def test_line_contrast_raises_structure_of_the_gas(layout, layers):
    boosts = {"Ha": 10.0, "OIII": 10.0}
    plain = _run(layout, picture_settings(fuse__boost=boosts))
    raised = _run(layout, picture_settings(fuse__boost=boosts, fuse__line_contrast=1.0))
    sky = np.zeros(SHAPE, bool)
    sky[150:, 190:] = True
    sky &= _away_from_stars(layers, radius=20)
    assert raised.value[0][sky].std() < 1.05 * plain.value[0][sky].std()
    assert raised.value[0, 90, 70] > plain.value[0, 90, 70]
    with pytest.raises(ConfigError, match=r"fuse\.line_contrast.*denoise_sigma above 0"):
        _run(layout, picture_settings(fuse__line_contrast=1.0, fuse__denoise_sigma=0.0))


def test_a_star_of_ones_own_choice_is_white(layout, layers):
    apart = np.hypot(layers.x[:, None] - layers.x, layers.y[:, None] - layers.y) + 99 * np.eye(layers.x.size)
    inside = (layers.x > 20) & (layers.x < SHAPE[1] - 20) & (layers.y > 20) & (layers.y < SHAPE[0] - 20)
    k = np.flatnonzero(layers.bright & inside & (apart.min(axis=0) > 14) & _away_from_gas(layers))[0]
    place = [float(layers.x[k]), float(layers.y[k])]
    fused = _run(layout, picture_settings(fuse__boost=ALL, fuse__white_star_px=place))
    flux = [aperture_flux(v, v, place[:1], place[1:], radius_px=4.0)[0][0] for v in fused.value]
    shown = _gains(layout) * flux
    np.testing.assert_allclose(shown / shown[1], 1.0, atol=0.03)  # gas and noise in a 4 px aperture
    assert read_record(layout.qa("fuse", "fused"))["metrics"]["white_stars"] == 1
    _run(layout, picture_settings(fuse__white_star_px=[0, 0]))
    assert "no isolated, unclipped star at (0, 0)" in _flags(layout)["no_white_star"]["message"]


def test_a_class_of_stars_is_white_or_the_reason_why_not_is_told(layout, tmp_path):
    settings = picture_settings(fuse__white_class="G2V")
    _run(layout, settings)
    assert "do not tell what G2V looks like" in _flags(layout)["no_white_class"]["message"]
    # With the curves of a camera that sees sunlight in the colour of the usual star, that colour becomes white.
    rows = ["wavelength_nm,R,G,B"]
    for nm in (455, 456, 464, 465, 535, 536, 544, 545, 615, 616, 624, 625):
        inside = [centre - 4 <= nm <= centre + 4 for centre in (620, 540, 460)]
        response = [
            on * ratio / black_body_photons(centre, 5778.0) * 1e-20
            for on, ratio, centre in zip(inside, STAR_RATIO, (620.0, 540.0, 460.0), strict=True)
        ]
        rows.append(",".join(f"{value:.6g}" for value in (nm, *response)))
    (tmp_path / "camera.csv").write_text("\n".join(rows))
    settings["camera"]["response"] = tmp_path / "camera.csv"
    settings["filter_sets"] = {**SETS, "wide": {**SETS["wide"], "passbands_nm": [[400, 700]]}}
    _run(layout, settings)
    assert "no_white_class" not in _flags(layout)
    # As for the ensemble above: some 30 stars whose colours scatter by 12 %.
    np.testing.assert_allclose(_gains(layout), [1 / 0.8, 1.0, 1 / 0.6], rtol=0.08)
    metrics = read_record(layout.qa("fuse", "fused"))["metrics"]
    assert metrics["white_temperature_K"] == pytest.approx(5778, abs=1)
    assert metrics["white_b_v"] == pytest.approx(0.65, abs=0.001)
    with pytest.raises(ConfigError, match=r"fuse\.white_class: spectral classes go from O5 to M4, got M9"):
        _run(layout, picture_settings(fuse__white_class="M9"))
    with pytest.raises(ConfigError, match=r"fuse\.white_class, fuse\.white_star_px: expected one of them"):
        _run(layout, picture_settings(fuse__white_class="G2", fuse__white_star_px=[5, 5]))


def test_a_boost_for_a_line_without_map_is_named(layout):
    _run(layout, picture_settings(fuse__boost={"SII": 3.0}))
    assert "SII" in _flags(layout)["boost_unused"]["message"]


def test_holes_and_borders_without_data_spoil_nothing(tmp_path, layers):
    value, coverage = layers.broadband.value.copy(), layers.broadband.coverage.copy()
    coverage[:, :, :6] = 0
    coverage[:, 40:44, 60:64] = 0
    value[coverage == 0] = np.nan
    layout = Layout(tmp_path)
    write_linear(layout.flat("wide"), LinearImage(value, layers.broadband.variance, coverage))
    write_dual_band(layout, layers)
    variance = np.full(SHAPE, LINE_SIGMA**2, np.float32)
    variance[:, -9:] = np.nan
    variance[80:84, 80:84] = np.nan
    write_lines(layout, layers, variance=variance)
    fused = _run(layout, picture_settings(fuse__boost={"Ha": 10.0, "OIII": 10.0}))
    assert np.isfinite(fused.value).all() and np.isfinite(fused.variance).all()
    np.testing.assert_array_equal(fused.coverage, coverage)
    # Gas goes on across the hole in the line map: no darker than nine tenths of what surrounds it.
    red = fused.value[0] - layers.broadband.value[0]
    assert red[80:84, 80:84].mean() > 0.9 * red[74:90, 74:90].mean()


def test_gas_that_was_filled_behind_a_star_does_not_fade(tmp_path, layers):
    layout = Layout(tmp_path)
    write_broadband(layout, layers)
    write_dual_band(layout, layers)
    variance = np.full(SHAPE, LINE_SIGMA**2, np.float32)
    disc = np.zeros(SHAPE, bool)
    disc[70:90, 70:90] = True
    variance[disc] *= 400  # the ring round a bright star scatters 20 times as much as the noise
    write_lines(layout, layers, variance=variance, filled=disc)
    fused = _run(layout, picture_settings(fuse__boost={"Ha": 10.0, "OIII": 10.0}))
    red = fused.value[0] - layers.broadband.value[0]
    # By its variance it would be faded to a fifth or less; no darker than nine tenths of what surrounds it.
    assert red[disc].mean() > 0.9 * red[60:100, 60:100][~disc[60:100, 60:100]].mean()


def _mono(layers, channel):
    image = layers.broadband
    parts = (image.value, image.variance, image.coverage)
    return LinearImage(*(part[channel : channel + 1] for part in parts))


def _away_from_stars(layers, radius=14):
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]]
    away = np.ones(SHAPE, bool)
    for sx, sy, bright in zip(layers.x, layers.y, layers.bright, strict=True):
        away &= np.hypot(x - sx, y - sy) > (radius if bright else 6)
    return away


def _away_from_gas(layers):
    gas = sum(layers.truth.values())
    return gas[np.round(layers.y).astype(int), np.round(layers.x).astype(int)] < 0.02
