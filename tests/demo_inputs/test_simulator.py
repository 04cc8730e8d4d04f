"""The simulator against physics from outside, and against itself."""

import hashlib
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import yaml
from astropy import units
from astropy.io import fits
from astropy.modeling.models import BlackBody
from scipy import integrate

from demo_inputs.nights import spectra
from demo_inputs.nights.exposure import Observatory
from demo_inputs.nights.geometry import Pose, horizon
from demo_inputs.nights.kernels import add_stars
from demo_inputs.nights.scene import SceneError, Site, build_scene
from demo_inputs.nights.schedule import lights
from demo_inputs.simulate import simulate

SCENE = Path(__file__).resolve().parents[2] / "demo_inputs" / "scene.yaml"


def small(**changes):
    content = yaml.safe_load(SCENE.read_text(encoding="utf-8"))
    content["image"].update(width=200, height=160)
    content["stars"]["count"] = 120
    content["nebula"]["radius_px"] = 45
    content["spoiled"] = []
    for night in content["nights"]:
        night["filters"] = {"town": 1, "duo": 1}
    content["calibration"] = {"bias": 2, "dark": 2, "flat": 2, "darkflat": 2}
    content.update(changes)
    return build_scene(content)


def test_black_body_ratios_agree_with_astropy():
    """Outside check: astropy's BlackBody, turned from energy to photons by a factor of wavelength."""
    for kelvin in (3500.0, 6000.0, 15000.0):
        energy = BlackBody(
            kelvin * units.K, scale=1 * units.erg / (units.s * units.cm**2 * units.AA * units.sr)
        )
        photons = energy(spectra.GRID_NM * units.nm).value * spectra.GRID_NM
        photons /= np.interp(550.0, spectra.GRID_NM, photons)
        # The constants differ in the seventh digit.
        np.testing.assert_allclose(spectra.photon_spectrum(kelvin), photons, rtol=1e-5)


def test_moffat_star_holds_its_flux():
    image, index = np.zeros((301, 301)), np.zeros((301, 301), dtype=np.int64)
    one = np.array([[150.3]])
    add_stars(image, index, one, one - 0.4, np.array([[1000.0]]), 2.5, 3.4, 0.8, 0.3, np.array([140.0]))
    # Outside of 140 px lies (1 + (140/2.5)^2)^(1-beta), far below 1e-6; sampling a width of 2.5 px costs less than 1e-4.
    assert image.sum() == pytest.approx(1000.0, rel=1e-3)


def test_airmass_and_parallactic_angle_at_known_places():
    """On the meridian the zenith distance is |latitude - declination| and the parallactic angle 0 or 180 degrees."""
    airmass, angle, _ = horizon(Site(47.0, 0.0, 17.0), 0.0)
    # Kasten & Young (1989) at 30 degrees from the zenith: 1.154 (plane-parallel: 1.1547).
    assert airmass == pytest.approx(1.1539, abs=5e-4)
    assert np.degrees(angle) == pytest.approx(0.0, abs=1e-9)
    assert abs(np.degrees(horizon(Site(20.0, 0.0, 50.0), 0.0)[1])) == pytest.approx(180.0)


def test_pose_inverts():
    pose = Pose(1.004, 2.9, (3.0, -8.0), (160, 200), (4e-4, 0.0, -3e-4))
    x, y = pose.to_frame(np.array([10.0, -50.0]), np.array([4.0, 60.0]), 2)
    np.testing.assert_allclose(pose.to_sky(x, y, 2), ([10.0, -50.0], [4.0, 60.0]), atol=1e-9)


def test_line_passes_the_dual_band_and_lamps_do_not_pass_the_broadband():
    observatory = Observatory(small())
    assert observatory.diffuse_rates("duo")["h_alpha"][0] == pytest.approx(0.75)
    assert observatory.diffuse_rates("duo")["oxygen"][1] == pytest.approx(0.50)
    assert observatory.glow_rates("duo").max() < 0.1 * observatory.glow_rates("clear").max()
    assert observatory.glow_rates("town")[1] < 0.5 * observatory.glow_rates("clear")[1]


def test_photon_transfer_of_flats():
    """Variance over mean of a pair of flats gives the gain (EMVA 1288 mean-variance relation)."""
    scene = small()
    observatory = Observatory(scene)
    first, second = (observatory.expose_calibration("flat", 1, "town", n, 2.5).astype(float) for n in (1, 2))
    a, b = first[40:120:2, 40:160:2], second[40:120:2, 40:160:2]
    level = 0.5 * (a.mean() + b.mean()) - scene.camera.offset_adu
    variance = np.var(a - b * a.mean() / b.mean()) / 2
    # 2400 pixels tell a variance to 3 %; the level of the second flat adds under a per cent.
    assert level / variance == pytest.approx(scene.camera.electrons_per_adu, rel=0.12)


@pytest.mark.parametrize("pattern", ["RGGB", "BGGR", "GRBG", "GBRG"])
def test_colour_pattern_is_as_stored(pattern):
    scene = small()
    scene = replace(scene, image=replace(scene.image, cfa=pattern))
    flat = Observatory(scene).expose_calibration("flat", 1, "duo", 1, 2.5)
    levels = {}
    for place, colour in enumerate(pattern):
        levels.setdefault(colour, []).append(np.median(flat[place // 2 :: 2, place % 2 :: 2]))
    assert abs(levels["G"][0] / levels["G"][1] - 1) < 0.02
    assert abs(levels["R"][0] / levels["G"][0] - 1) > 0.02


def test_same_bytes_for_any_number_of_processes(tmp_path):
    scene, sums = small(), []
    for processes in (1, 2):
        out = tmp_path / str(processes)
        bad = simulate(scene, out, nights=[1], processes=processes)
        assert len(bad) == 6
        sums.append(
            {
                str(p.relative_to(out)): hashlib.sha256(p.read_bytes()).hexdigest()
                for p in sorted(out.rglob("*.fits"))
            }
        )
    assert sums[0] == sums[1]
    with fits.open(
        tmp_path / "1" / "night_1" / "lights" / "duo" / "light_duo_001.fits", checksum=True
    ) as hdus:
        header = hdus[0].header
        assert hdus[0].verify_checksum() == 1
        for keyword in ("IMAGETYP", "FILTER", "EXPTIME", "GAIN", "EGAIN", "OFFSET", "CCD-TEMP", "BAYERPAT", "XBAYROFF",
                        "YBAYROFF", "ROWORDER", "DATE-OBS", "OBJECT", "XPIXSZ", "FOCALLEN", "XBINNING"):  # fmt: skip
            assert keyword in header
        assert hdus[0].data.dtype == np.uint16
    assert (tmp_path / "1_truth" / "truth.json").is_file() and (
        tmp_path / "1_truth" / "camera_response.csv"
    ).is_file()


def test_glow_gradient_turns_with_the_field():
    first, last = (lights(small(), [n])[0] for n in (1, 2))
    angles = [np.arctan2(light.gradient[1], light.gradient[0]) for light in (first, last)]
    assert abs(np.degrees(angles[0] - angles[1])) > 5


def test_mistakes_in_a_scene_are_all_named():
    content = yaml.safe_load(SCENE.read_text(encoding="utf-8"))
    content["sky"]["glow"] = 3
    del content["stars"]["slope"]
    content["image"]["width"] = "wide"
    with pytest.raises(SceneError) as error:
        build_scene(content)
    for part in ("sky.glow: unknown key", "stars.slope: missing", "image.width: expected int, found 'wide'"):
        assert part in str(error.value)


def test_dust_is_bluer_than_its_star():
    ratio = spectra.dust_spectrum() / spectra.photon_spectrum(9000.0)
    blue, red = (integrate.simpson(ratio[a:b]) for a, b in ((100, 140), (500, 540)))
    assert blue > 1.4 * red
