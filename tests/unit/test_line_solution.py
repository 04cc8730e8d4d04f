"""Line separation of synthetic stacks: leakage, gain, stars."""

from dataclasses import replace

import numpy as np
import pytest

from pipeline.bundles import LinearImage
from pipeline.numerics.balmer import hydrogen_notes
from pipeline.numerics.line_solution import FilterSetData, solve_lines
from pipeline.numerics.spectrum import (
    LINES,
    black_body_photons,
    in_band,
    line_response,
    top_hat,
    typical_response,
)
from tests.unit.separation_figures import (
    coupling,
    noise_figures,
    noisy_and_quiet,
    solved,
    star_free,
    star_residues,
)
from tests.unit.synthetic_stacks import BROAD_PASSBANDS, DUAL_PASSBANDS, altered_response, make_scene

NAMES = ("Ha", "OIII")
OTHER_CAMERA = altered_response(green_to_red=0.05, red_to_green=0.06)


def _assert_couples(found, *, gain, other, continuum):
    for line in found.values():
        assert abs(line.gain - 1) < gain
        assert abs(line.other) < other
        assert abs(line.continuum) < continuum


def test_leakage_with_known_curves():
    """Targets of the project: 1 % between lines, 2 % of the continuum in the line's own narrow channel. Gain: 1 %."""
    scene = make_scene(seed=1)
    solution, _ = solved(scene)
    found = coupling(scene, solution, star_free(scene))
    _assert_couples(found, gain=0.01, other=0.01, continuum=0.02)


@pytest.mark.parametrize("seed", [1, 3])
def test_leakage_self_calibrated_with_wrong_curves(seed):
    """The camera differs from the assumed curves by 0.06 in green/red at H-alpha and 0.05 in red/green at [O III];
    the data put that right to the promised 3 %.
    """
    scene = make_scene(seed=seed, responses=OTHER_CAMERA)
    solution, _ = solved(scene, assumed=typical_response())
    found = coupling(scene, solution, star_free(scene))
    _assert_couples(found, gain=0.01, other=0.03, continuum=0.02)


def test_wrong_curves_uncorrected_do_leak():
    """So that the test above shows something: without refinement the same scene leaks more than 3 %."""
    scene = make_scene(seed=2, responses=OTHER_CAMERA)
    solution, _ = solved(replace(scene, responses=typical_response()))
    found = coupling(scene, solution, star_free(scene))
    assert max(abs(line.other) for line in found.values()) > 0.03


@pytest.mark.parametrize("absent", NAMES)
def test_an_absent_line_stays_absent(absent):
    scene = make_scene(seed=2, responses=OTHER_CAMERA, line_peak={absent: 0.0})
    solution, _ = solved(scene, assumed=typical_response())
    mask = star_free(scene)
    index = NAMES.index(absent)
    present = scene.lines[NAMES[1 - index]][mask]
    slope = np.polyfit(present, solution.lines[index][mask], 1)[0]
    assert abs(slope) < 0.03


def test_gain_is_constant_over_the_field():
    """Gain in nine fields of the image, where there is gas; 3 %: the noise of the smaller fields is below 1 %."""
    scene = make_scene(seed=5, cover=0.6)
    solution, _ = solved(scene)
    mask = star_free(scene)
    ny, nx = mask.shape
    gains = []
    for i in range(3):
        for j in range(3):
            part = np.zeros_like(mask)
            part[i * ny // 3 : (i + 1) * ny // 3, j * nx // 3 : (j + 1) * nx // 3] = True
            use = mask & part & (scene.lines["Ha"] > 0.1)
            if use.sum() > 500:
                gains.append(np.sum(solution.lines[0][use]) / np.sum(scene.lines["Ha"][use]))
    assert len(gains) >= 4
    assert np.ptp(gains) < 0.03


def test_stars_leave_little():
    """Isolated bright stars: residue of the solver itself, before anything is filled; and after filling, no pixel
    at a star departs by more than a tenth of its narrow-band peak.
    """
    scene = make_scene(seed=3, cover=0.2, brightest=600.0)
    solution, _ = solved(scene)
    assert solution.notes["star_residue_median"] < 0.05
    bright = np.argsort(-scene.stars["duo"][0])[:15]
    error = np.abs(solution.lines[0] - scene.lines["Ha"])
    peaks = (
        0.07 * scene.stars["duo"][0][bright]
    )  # a Moffat star of FWHM 3.2 px has 7 % of its light in one pixel
    for star, peak in zip(bright, peaks, strict=True):
        x, y = int(scene.stars["x"][star]), int(scene.stars["y"][star])
        window = error[max(y - 6, 0) : y + 7, max(x - 6, 0) : x + 7]
        assert window.max() < max(0.1 * peak, 0.03)


def test_continuum_plus_lines_is_the_broadband_again():
    """What fuse relies on, to float32."""
    scene = make_scene(seed=2)
    solution, data = solved(scene)
    again = solution.continuum + np.tensordot(solution.broadband_response, solution.lines, axes=1)
    np.testing.assert_allclose(again, data["broad"].image.value, atol=2e-5, rtol=1e-5)


def test_noise_reaches_the_bound_and_variance_is_honest():
    """Noise alone (the same scene with and without) against the bound of generalised least squares for the stacks given,
    target 1.10, and against VARIANCE, target 5 %. 600 windows and two lines give a ratio to 2 %, a sigma; twice that is
    allowed on top of the target for VARIANCE.
    """
    how = {"seed": 4, "cover": 0.2, "n_stars": 40, "dust_peak": 0.0, "brightest": 100.0}
    scene = make_scene(**how)
    solution, _, quiet = noisy_and_quiet(scene, make_scene(**how, noise=False))
    ratios = np.array([noise_figures(scene, solution, quiet, name)[:2] for name in NAMES])
    over_bound, over_variance = np.sqrt(np.mean(ratios**2, axis=0))
    assert over_bound < 1.10
    assert over_variance == pytest.approx(1.0, abs=0.09)


def test_isolated_stars_leave_a_percent():
    """Median over isolated bright stars of the light left in a line map, before anything is filled, over their light in
    the narrow channel. Target 1 %; noise alone leaves up to 0.7 %, and five to ten stars a scene add half of that.
    """
    scene = make_scene(seed=1, cover=0.5, temperatures=(3000.0, 20000.0))
    solution, _ = solved(scene, clean=False)
    left = np.concatenate([np.abs(star_residues(scene, solution, name)) for name in NAMES])
    assert left.size >= 10
    assert np.median(left) < 0.012


def test_gas_under_the_stars_does_not_bend_the_law_of_starlight():
    """Two scenes half full of gas that is as bright as most stars: where all that is known of a law are fluxes above rings of one
    level, its stars leave 2.7 % on average. What is left is its level, known to a percent or two from sixty stars in gas.
    """
    left = []
    for seed in (4, 5):
        scene = make_scene(
            seed=seed, cover=0.5, fwhm={"broad": 3.6, "duo": 2.75}, temperatures=(3000.0, 20000.0)
        )
        solution, _ = solved(scene, clean=False)
        residues = [np.abs(star_residues(scene, solution, name)) for name in NAMES]
        assert min(found.size for found in residues) >= 10
        left += [np.median(found) for found in residues]
    assert np.mean(left) < 0.015


def test_dual_band_alone_gives_lines_with_the_starlight_in_them():
    scene = make_scene(seed=2, sets=("duo",), dust_peak=0.0)
    solution, _ = solved(scene, sets=("duo",))
    assert solution.continuum is None
    mask = star_free(scene)
    for j, name in enumerate(NAMES):
        assert np.polyfit(scene.lines[name][mask], solution.lines[j][mask], 1)[0] == pytest.approx(
            1, abs=0.03
        )
    x, y = int(scene.stars["x"][0]), int(scene.stars["y"][0])
    assert solution.lines[0][y - 1 : y + 2, x - 1 : x + 2].max() > 0


def test_four_lines_through_two_dual_band_filters():
    """H-beta and [S II] beside H-alpha and [O III], each as its passband says. No star is there to measure anything
    on, so all follows from the curves: 1 % is what the polynomial in colour leaves of dust.
    """
    rng = np.random.default_rng(3)
    shape, responses = (48, 64), typical_response()
    channels = [responses[c] for c in "RGB"]
    curves = {
        "broad": top_hat(BROAD_PASSBANDS),
        "duo": top_hat(DUAL_PASSBANDS),
        "other": top_hat(((481.0, 491.0), (667.0, 677.0))),
    }
    names = ("Ha", "OIII", "Hb", "SII")
    maps = {name: rng.uniform(0.2, 1.0, shape) for name in names}
    dust = rng.uniform(0.5, 1.0, shape)
    data = {}
    for name, curve in curves.items():
        reflected = [in_band(lambda w: black_body_photons(w, 8000.0), curve, q) for q in channels]
        value = np.empty((3, *shape))
        scale = in_band(lambda w: black_body_photons(w, 8000.0), curves["broad"], channels[1])
        for c, q in enumerate(channels):
            value[c] = reflected[c] / scale * dust
            value[c] += sum(line_response(LINES[n], curve, q) * maps[n] for n in names)
        image = LinearImage(
            value.astype(np.float32),
            np.full(value.shape, 1e-6, np.float32),
            np.ones(value.shape, np.float32),
        )
        data[name] = FilterSetData(name, image, curve, tuple(channels))
    solution = solve_lines(
        data["broad"], [data["duo"], data["other"]], [LINES[n] for n in names], refine=False
    )
    assert [owner[0] for owner in solution.owners] == ["duo", "duo", "other", "other"]
    for j, name in enumerate(names):
        owner, channel = solution.owners[j]
        own = line_response(LINES[name], curves[owner], responses[channel])
        assert np.abs(solution.lines[j] / (own * maps[name]) - 1).max() < 0.05
        assert np.median(solution.lines[j] / (own * maps[name])) == pytest.approx(1, abs=0.01)
    # Hydrogen's ratio in energy: that of the photons times that of the wavelengths (NIST, from memory).
    photons = maps["Ha"].sum() / maps["Hb"].sum()
    lines = [LINES[n] for n in names]
    found = hydrogen_notes(solution, lines, [data["duo"], data["other"]])
    assert found["hydrogen_ratio"] == pytest.approx(photons * 486.13 / 656.28, rel=0.01)
    assert hydrogen_notes(solution, lines[1:2], []) == {}
