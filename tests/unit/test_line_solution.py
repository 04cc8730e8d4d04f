"""Line separation of synthetic stacks: leakage, gain, stars."""

from dataclasses import replace

import numpy as np
import pytest

from pipeline.numerics.line_solution import FilterSetData, solve_lines
from pipeline.numerics.spectrum import LINES, typical_response
from tests.unit.synthetic_stacks import altered_response, make_scene

NAMES = ("Ha", "OIII")
OTHER_CAMERA = altered_response(green_to_red=0.05, red_to_green=0.06)


def _solved(scene, *, assumed=None, sets=("broad", "duo"), **options):
    responses = assumed or scene.responses
    data = {}
    for name in sets:
        image = scene.stacks[name]
        flat = replace(image, value=(image.value - scene.sky[name]).astype(np.float32))
        data[name] = FilterSetData(name, flat, scene.transmissions[name], tuple(responses[c] for c in "RGB"))
    narrow = [data["duo"]] if "duo" in data else []
    return solve_lines(
        data.get("broad"), narrow, [LINES[n] for n in NAMES], refine=assumed is not None, **options
    ), data


def _star_free(scene, radius=8):
    shape = next(iter(scene.lines.values())).shape
    mask = np.zeros(shape, bool)
    mask[16:-16, 16:-16] = True
    yy, xx = np.mgrid[: shape[0], : shape[1]]
    for x, y in zip(scene.stars["x"], scene.stars["y"], strict=True):
        mask &= (xx - x) ** 2 + (yy - y) ** 2 > radius**2
    return mask


def _coupling(scene, solution, mask):
    """Regression of each solved map on the true maps and the narrow-band continuum of dust: rows are solved lines,
    columns gain and leakage from Ha, OIII, and from what the continuum gives in the line's channel.
    """
    truth = [scene.lines[name][mask] for name in NAMES]
    rows = []
    for j, channel in enumerate((0, 1)):
        dust = scene.dust["duo"][channel][mask]
        terms = np.column_stack([*truth, dust, np.ones(mask.sum())])
        rows.append(np.linalg.lstsq(terms, solution.lines[j][mask], rcond=None)[0][:3])
    return np.array(rows)


@pytest.mark.parametrize("seed", [1, 2])
def test_leakage_with_known_curves(seed):
    """The project promises 3 % between lines, 5 % of continuum; here the 3 % is met threefold, since curves are
    exact. Gain: 2 %, for the ring-free star fill and PSF matching move little light.
    """
    scene = make_scene(seed=seed)
    solution, _ = _solved(scene)
    (ha_gain, ha_leak, ha_dust), (oiii_leak, oiii_gain, oiii_dust) = _coupling(
        scene, solution, _star_free(scene)
    )
    assert abs(ha_gain - 1) < 0.02 and abs(oiii_gain - 1) < 0.02
    assert abs(ha_leak) < 0.01 and abs(oiii_leak) < 0.01
    assert abs(ha_dust) < 0.05 and abs(oiii_dust) < 0.05


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_leakage_self_calibrated_with_wrong_curves(seed):
    """The camera differs from the assumed curves by 0.06 in green/red at H-alpha and 0.05 in red/green at [O III];
    the data put that right to the promised 3 %.
    """
    scene = make_scene(seed=seed, responses=OTHER_CAMERA)
    solution, _ = _solved(scene, assumed=typical_response())
    (ha_gain, ha_leak, ha_dust), (oiii_leak, oiii_gain, oiii_dust) = _coupling(
        scene, solution, _star_free(scene)
    )
    assert abs(ha_leak) < 0.03 and abs(oiii_leak) < 0.03
    assert abs(ha_gain - 1) < 0.03 and abs(oiii_gain - 1) < 0.03
    assert abs(ha_dust) < 0.05 and abs(oiii_dust) < 0.05


def test_wrong_curves_uncorrected_do_leak():
    """So that the test above shows something: without refinement the same scene leaks more than 3 %."""
    scene = make_scene(seed=2, responses=OTHER_CAMERA)
    solution, _ = _solved(replace(scene, responses=typical_response()))
    coupling = _coupling(scene, solution, _star_free(scene))
    assert max(abs(coupling[0, 1]), abs(coupling[1, 0])) > 0.03


@pytest.mark.parametrize("absent", NAMES)
def test_an_absent_line_stays_absent(absent):
    scene = make_scene(seed=2, responses=OTHER_CAMERA, line_peak={absent: 0.0})
    solution, _ = _solved(scene, assumed=typical_response())
    mask = _star_free(scene)
    index = NAMES.index(absent)
    present = scene.lines[NAMES[1 - index]][mask]
    slope = np.polyfit(present, solution.lines[index][mask], 1)[0]
    assert abs(slope) < 0.03


def test_gain_is_constant_over_the_field():
    """Gain in nine fields of the image, where there is gas; 3 %: the noise of the smaller fields is below 1 %."""
    scene = make_scene(seed=5, cover=0.6)
    solution, _ = _solved(scene)
    mask = _star_free(scene)
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
    solution, _ = _solved(scene)
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
    solution, data = _solved(scene)
    again = solution.continuum + np.tensordot(solution.broadband_response, solution.lines, axes=1)
    np.testing.assert_allclose(again, data["broad"].image.value, atol=2e-5, rtol=1e-5)


def test_variance_is_honest_on_blocks():
    """Scatter of 24 x 24 block means about the truth in empty sky, times 576, against VARIANCE (equivalent uncorrelated
    variance). Some 300 blocks give the variance to 8 % (two sigma: 16 %); smoothing moves a few percent of the
    noise across block borders, which lowers the scatter.
    """
    scene = make_scene(seed=4, shape=(528, 720), cover=0.2, n_stars=40, dust_peak=0.0, brightest=100.0)
    solution, _ = _solved(scene)
    ny, nx = scene.lines["Ha"].shape

    def folded(plane):
        return plane.reshape(ny // 24, 24, nx // 24, 24).mean(axis=(1, 3))

    clean = folded(_star_free(scene, radius=10).astype(float)) > 0.9
    for j, name in enumerate(NAMES):
        empty = clean & (folded(scene.lines[name]) < 1e-3)
        assert empty.sum() > 200
        scatter = folded(solution.lines[j] - scene.lines[name])[empty].var() * 576
        assert scatter == pytest.approx(folded(solution.line_variance[j])[empty].mean(), rel=0.2)


def test_dual_band_alone_gives_lines_with_the_starlight_in_them():
    scene = make_scene(seed=2, sets=("duo",), dust_peak=0.0)
    solution, _ = _solved(scene, sets=("duo",))
    assert solution.continuum is None
    mask = _star_free(scene)
    for j, name in enumerate(NAMES):
        assert np.polyfit(scene.lines[name][mask], solution.lines[j][mask], 1)[0] == pytest.approx(
            1, abs=0.03
        )
    x, y = int(scene.stars["x"][0]), int(scene.stars["y"][0])
    assert solution.lines[0][y - 1 : y + 2, x - 1 : x + 2].max() > 0
