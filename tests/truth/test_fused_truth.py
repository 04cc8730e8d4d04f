"""The fused picture against truth: flattened, separated and fused from stacks whose every part is known.

Bounds are the project's own. At equal total exposure: half of the time through each filter, against the broadband
alone for the whole time.
"""

from dataclasses import dataclass

import numpy as np
import pytest

from pipeline.bundles import LinearImage
from pipeline.fitsio import read_image, read_keywords, read_linear, write_linear
from pipeline.layout import Layout
from pipeline.numerics.colour import LUMINANCE
from pipeline.numerics.moffat_fit import fit_moffat
from pipeline.numerics.stack_stars import aperture_flux
from pipeline.numerics.starlet import denoise
from pipeline.settings.tables import all_keys
from pipeline.stages import find_stars, flatten, fuse, lines, survey_sky
from tests.unit.synthetic_stacks import (
    BROAD_PASSBANDS,
    DUAL_PASSBANDS,
    EXPOSURE_S,
    READ_VARIANCE,
    altered_response,
    make_scene,
)

ENTRY = {"filter_names": [], "lines": [], "transmission": None, "line_throughput": {}}
SETS = {
    "broad": {**ENTRY, "role": "broadband", "passbands_nm": [list(band) for band in BROAD_PASSBANDS]},
    "duo": {**ENTRY, "role": "dualband", "passbands_nm": [list(band) for band in DUAL_PASSBANDS]},
}
BLOCK_PX = 8
STAR_RADIUS_PX = 5.0


@dataclass
class Made:
    """A scene, what was made of it, and the broadband of twice the time."""

    scene: object
    layout: Layout
    whole: LinearImage

    @property
    def fused(self):
        return read_linear(self.layout.fused())

    @property
    def gains(self):
        header = read_keywords(self.layout.fused())
        return np.array([header[f"WHITE_{channel}"] for channel in "RGB"])

    def free_of_stars(self, radius=14.0):
        """(ny, nx) bool; bright stars reach further than faint ones."""
        ny, nx = self.whole.shape[1:]
        y, x = np.mgrid[:ny, :nx]
        free = np.ones((ny, nx), bool)
        stars = self.scene.stars
        for sx, sy, flux in zip(stars["x"], stars["y"], stars["broad"][1], strict=True):
            reach = radius * (1 + np.log10(max(flux, 1.0)) / 2)
            free &= np.hypot(x - sx, y - sy) > reach
        free[:10] = free[-10:] = free[:, :10] = free[:, -10:] = False
        return free


def _fuse_stacks(scene, layout):
    """The stages from flatten to fuse, by default settings, of a sensor whose curves are not given."""
    for name in SETS:
        write_linear(layout.stack(name), scene.stacks[name])
    settings = {"camera": {"response": None}, "filter_sets": SETS, "flatten": {}, "lines": {}, "fuse": {}}
    for key in all_keys():
        if key.section in ("flatten", "lines", "fuse"):
            settings[key.section][key.name] = key.default
    names = list(SETS)
    for name in names:
        find_stars.run(layout, name, settings)
    for name in names:
        survey_sky.run(layout, name, settings, filter_sets=names)
    for name in names:
        flatten.run(layout, name, settings, filter_sets=names)
    lines.run(layout, "lines", settings, filter_sets=names)
    fuse.run(layout, "fused", settings, filter_sets=names)


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    options = dict(
        seed=11, shape=(320, 384), n_stars=90, cover=0.4, gradient=0.3, fwhm={"broad": 2.8, "duo": 3.0}
    )
    scene, clean = make_scene(**options), make_scene(noise=False, **options)
    layout = Layout(tmp_path_factory.mktemp("fused"))
    _fuse_stacks(scene, layout)
    total = clean.stacks["broad"].value
    variance = (total + READ_VARIANCE) / (2 * EXPOSURE_S)
    noise = np.random.default_rng(12).standard_normal(total.shape) * np.sqrt(variance)
    value = (total + noise - scene.sky["broad"]).astype(np.float32)  # flattened without any error
    return Made(
        scene, layout, LinearImage(value, variance.astype(np.float32), scene.stacks["broad"].coverage)
    )


def _blocks(plane, use):
    """Means of blocks that lie wholly in ``use``."""
    ny, nx = (side // BLOCK_PX * BLOCK_PX for side in plane.shape)

    def cut(image):
        return image[:ny, :nx].reshape(ny // BLOCK_PX, BLOCK_PX, nx // BLOCK_PX, BLOCK_PX).swapaxes(1, 2)

    whole = cut(use).all(axis=(2, 3))
    return cut(plane).mean(axis=(2, 3))[whole]


def _signal_to_noise(plane, made, line, use):
    """Rise of a plane with the flux of a line, over the scatter about that, in means of blocks free of stars."""
    truth = [made.scene.lines["Ha"], made.scene.lines["OIII"], made.scene.dust["broad"][1]]
    design = np.stack([_blocks(part, use) for part in truth] + [_blocks(np.ones_like(plane), use)], axis=1)
    values = _blocks(plane.astype(np.float64), use)
    rise, *_ = np.linalg.lstsq(design, values, rcond=None)
    scatter = np.std(values - design @ rise)
    return rise[["Ha", "OIII"].index(line)] / scatter


@pytest.mark.parametrize(("line", "channel"), [("Ha", 0), ("OIII", 1)])
def test_gas_has_more_signal_to_noise_than_the_broadband_of_the_whole_time(made, line, channel):
    use = made.free_of_stars()
    fused = _signal_to_noise(made.fused.value[channel], made, line, use)
    broad = _signal_to_noise(made.whole.value[channel], made, line, use)
    print(f"signal to noise of {line}: {fused / broad:.2f} times that of the broadband alone")
    assert fused >= 1.8 * broad


def _stars(made, least):
    """Positions of stars of at least that flux, alone within 16 px and inside the field."""
    stars, (ny, nx) = made.scene.stars, made.whole.shape[1:]
    x, y, flux = stars["x"], stars["y"], stars["broad"][1]
    apart = np.hypot(x[:, None] - x, y[:, None] - y) + 99 * np.eye(x.size)
    good = (flux > least) & (apart.min(axis=0) > 16) & (x > 16) & (y > 16) & (x < nx - 17) & (y < ny - 17)
    return np.flatnonzero(good)


def _colours(image, made, chosen):
    """(2, n) ln(R / G) and ln(B / G) of stars."""
    x, y = made.scene.stars["x"][chosen], made.scene.stars["y"][chosen]
    flux = [aperture_flux(v, np.zeros_like(v), x, y, radius_px=STAR_RADIUS_PX)[0] for v in image.value]
    return np.log(np.array([flux[0], flux[2]]) / flux[1])


def test_stars_have_the_colours_of_the_broadband(made):
    chosen = _stars(made, 20.0)
    assert chosen.size >= 12
    truth = made.scene.stars["broad"][:, chosen]
    expected = np.log(truth[[0, 2]] / truth[1])
    error = np.median(np.abs(_colours(made.fused, made, chosen) - expected), axis=1)
    duo = _colours(read_linear(made.layout.flat("duo")), made, chosen) - expected
    # The best that one white balance can do for the dual-band alone.
    alone = np.median(np.abs(duo - np.median(duo, axis=1, keepdims=True)), axis=1)
    print(
        f"colour error of stars: fused {100 * error.max():.2f} %, dual-band alone {100 * alone.max():.0f} %"
    )
    assert error.max() < 0.02
    assert alone.max() > 3 * error.max()


def test_stars_are_no_wider_than_in_the_broadband(made):
    chosen = _stars(made, 20.0)
    x, y = made.scene.stars["x"][chosen], made.scene.stars["y"][chosen]
    flat = read_linear(made.layout.flat("broad"))
    widths = []
    for image in (made.fused, flat):
        frame = np.ascontiguousarray(image.value[1])
        fits = fit_moffat(
            frame, np.ones(frame.shape, bool), np.zeros((2, 2), np.uint8), x, y, fwhm_guess=3.0, radius=9
        )
        widths.append(np.where(fits.ok, fits.fwhm, np.nan))
    # A fit on gas that was added below the star: 1 %.
    assert np.nanmedian(widths[0] / widths[1]) < 1.01


@pytest.mark.parametrize("line", ["Ha", "OIII"])
def test_denoising_halves_the_error_of_faint_gas_and_keeps_its_flux(made, line):
    """Gas of one to five times the noise of a pixel; here it lies at the edges of bright gas, the hardest case."""
    flux, variance = read_image(made.layout.line(line)), read_image(made.layout.line(line), "VARIANCE")
    truth, free = made.scene.lines[line], made.free_of_stars()
    noise = np.sqrt(np.nanmedian(variance))
    faint = free & (truth > noise) & (truth < 5 * noise)
    assert faint.sum() > 1000
    usual = next(key.default for key in all_keys() if key.path == "fuse.denoise_sigma")
    clean = denoise(flux, variance, sigma=usual)

    def rms(image):
        error = (image - truth)[faint]
        return 1.4826 * np.median(np.abs(error - np.median(error)))

    bias = (clean - flux)[faint].mean() / truth[faint].mean()
    print(
        f"{line}: robust error after denoising {rms(clean) / rms(flux):.2f} of that before, bias {100 * bias:.1f} %"
    )
    assert rms(clean) <= 0.6 * rms(flux)
    assert abs(bias) <= 0.03
    # Contrast of structure: bright against faint parts of the gas at the scale of filaments.
    bright = free & (truth > np.quantile(truth[free], 0.97))
    assert clean[bright].mean() == pytest.approx(flux[bright].mean(), rel=0.03)


def test_the_sky_is_neutral_in_both(made):
    """Colour of star- and gas-free sky, fused less broadband. 3 % of a pixel's noise: what the median of 2000 pixels of a
    line map, times its boost, is known to.
    """
    sky = made.free_of_stars() & (sum(made.scene.lines.values()) + made.scene.dust["broad"][1] < 1e-3)
    assert sky.sum() > 2000
    flat = read_linear(made.layout.flat("broad"))
    shift = [np.median((f - b)[sky]) for f, b in zip(made.fused.value, flat.value, strict=True)]
    noise = [np.std(b[sky]) for b in flat.value]
    shown, scatter = made.gains * shift, made.gains * noise
    colour = np.abs(shown - LUMINANCE @ shown) / scatter
    print(f"colour of the sky in the fused picture: {100 * colour.max():.1f} % of its noise")
    assert colour.max() < 0.03


@pytest.mark.parametrize(("absent", "present"), [("OIII", "Ha"), ("Ha", "OIII")])
def test_a_line_that_is_not_there_does_not_colour_the_gas(tmp_path, absent, present):
    """No false teal in a field without [O III], no false red in one without H-alpha, with a camera unlike the typical one:
    3 %, the bound on leakage, holds for the light that is added to the picture, boosts and all.
    """
    scene = make_scene(
        seed=5, shape=(256, 320), n_stars=100, cover=0.4, gradient=0.3, line_peak={absent: 0.0},
        responses=altered_response(green_to_red=0.05, red_to_green=0.06),
    )  # fmt: skip
    layout = Layout(tmp_path)
    _fuse_stacks(scene, layout)
    header = read_keywords(layout.fused())
    boost = {header[f"LINE{i}"]: header[f"BOOST{i}"] for i in (1, 2)}
    truth = scene.lines[present]
    gas, sky = truth > 0.3 * truth.max(), truth == 0
    added = {}
    for name in (absent, present):
        flux = read_image(layout.line(name))
        added[name] = boost[name] * (np.median(flux[gas]) - np.median(flux[sky]))
    print(f"no {absent}: {100 * added[absent] / added[present]:.2f} % of the light added to the gas is its")
    assert abs(added[absent]) < 0.03 * added[present]
