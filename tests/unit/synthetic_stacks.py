"""Stacks with known truth for the tests of flatten and lines: made on the grid of the stack, no raw frames.

Each channel of each filter set is an integral of spectra over filter and response, so cross-talk, the line in
the broadband and the star-colour dependence of the narrow/broad ratio all follow from the curves, not from
the formulas under test.
"""

from dataclasses import dataclass

import colour
import numpy as np
from scipy import ndimage, signal

from pipeline.bundles import LinearImage
from pipeline.numerics.spectrum import (
    LINES,
    Curve,
    black_body_photons,
    in_band,
    line_response,
    top_hat,
    typical_response,
)

BROAD_PASSBANDS = ((400.0, 540.0), (600.0, 690.0))
DUAL_PASSBANDS = ((495.7, 505.7), (651.3, 661.3))
EXPOSURE_S = 6000.0
READ_VARIANCE = 0.002  # (e-/s)^2 per pixel times seconds, small beside the sky
LINE_NAMES = ("Ha", "OIII")
WIDTHS = {"broad": 3.2, "duo": 2.7}  # FWHM in px
MEASURED_CAMERA = "Nikon 5100 (NPL)"
DUST_TEMPERATURE = 12000.0  # K, of the starlight that dust reflects


@dataclass
class Scene:
    """Stacks by filter set, and what they were made of."""

    stacks: dict
    lines: dict  # name -> (ny, nx) flux in its strongest channel, e-/s, at the PSF of the broadest set
    mixing: dict  # set -> (3, n_lines)
    sky: dict  # set -> (3, ny, nx)
    nebula: dict  # set -> (3, ny, nx), gas and dust, without stars
    dust: dict  # set -> (3, ny, nx), the dust alone
    stars: dict  # x, y, temperature, flux per set (3, n)
    responses: dict
    transmissions: dict
    fwhm: dict  # set -> px
    owner: dict  # line -> channel of the dual-band set that sees it best
    dust_ratio: dict  # set -> (3,) its continuum over the broadband's, for dust


def cloud(rng, shape, *, cover, scale, fringe=0.6):
    """A cloud of peak 1 with structure on all scales that is exactly 0 outside ``cover`` of the field."""
    ny, nx = shape
    ky, kx = np.meshgrid(np.fft.fftfreq(ny) * scale, np.fft.rfftfreq(nx) * scale, indexing="ij")
    spectrum = (0.04 + ky**2 + kx**2) ** -1.4
    field = np.fft.irfft2(spectrum * np.fft.rfft2(rng.standard_normal(shape)), s=shape)
    edge = np.quantile(field, 1 - cover)
    field = np.clip(field - edge, 0, None)
    return np.minimum(field / np.quantile(field, 0.999), 1.2) ** (1 + fringe)


def moffat(half, fwhm, beta=3.5):
    alpha = fwhm / (2 * np.sqrt(2 ** (1 / beta) - 1))
    grid = np.arange(-half, half + 1)
    psf = (1 + (grid[:, None] ** 2 + grid[None, :] ** 2) / alpha**2) ** -beta
    return psf / psf.sum()


def altered_response(*, green_to_red=0.0, red_to_green=0.0):
    """The typical response with more cross-talk: shares of red added to green and of green added to red."""
    typical = typical_response()
    grid = typical["R"].wavelength_nm
    red, green, blue = (typical[c].value for c in "RGB")
    return {
        "R": Curve(grid, red + green_to_red * green),
        "G": Curve(grid, green + red_to_green * red),
        "B": Curve(grid, blue + 0.3 * red_to_green * red),
    }


def make_scene(
    *,
    seed=1,
    shape=(384, 512),
    cover=0.4,
    gradient=0.6,
    n_stars=250,
    fwhm=None,
    responses=None,
    line_peak=None,
    dust_peak=0.4,
    sets=("broad", "duo"),
    noise=True,
    bend=0.15,
    brightest=3000.0,
    temperatures=(3200.0, 18000.0),
    exposure_s=EXPOSURE_S,
):
    """A scene of nebula, dust and stars under a graded sky.

    Parameters
    ----------
    cover : share of the field with nebula (each line and the dust have half of it in common)
    gradient : peak to peak of the sky over its mean
    fwhm : dict set -> px
    line_peak : dict line -> e-/s in its strongest channel
    bend : quadratic part of the sky relative to its linear part
    temperatures : of the stars, K, spread evenly in the logarithm
    """
    rng = np.random.default_rng(seed)
    fwhm = {**WIDTHS, **(fwhm or {})}
    line_peak = {"Ha": 0.6, "OIII": 0.4, **(line_peak or {})}
    responses = responses or typical_response()
    channels = [responses[c] for c in "RGB"]
    transmissions = {
        "broad": top_hat(BROAD_PASSBANDS, transmission=0.95),
        "duo": top_hat(DUAL_PASSBANDS, transmission=0.9),
    }
    ny, nx = shape

    common = cloud(rng, shape, cover=cover, scale=220)
    inside = common > 0
    maps = {name: line_peak[name] * _within(rng, shape, inside) for name in LINE_NAMES}
    dust = dust_peak * _within(rng, shape, inside)

    def continuum(temperature, curve, response):
        return in_band(lambda w: black_body_photons(w, temperature), curve, response)

    unit = continuum(DUST_TEMPERATURE, transmissions["broad"], channels[1])
    temperatures = np.exp(rng.uniform(np.log(temperatures[0]), np.log(temperatures[1]), n_stars))
    table_t = np.geomspace(3000, 20000, 40)
    flux = np.minimum(4.0 * rng.pareto(0.6, n_stars) + 4.0, brightest)
    x, y = rng.uniform(12, nx - 13, n_stars), rng.uniform(12, ny - 13, n_stars)

    u, v = np.meshgrid(np.linspace(-1, 1, nx), np.linspace(-1, 1, ny))
    angle = rng.uniform(0, 2 * np.pi)
    ramp = u * np.cos(angle) + v * np.sin(angle)
    ramp = ramp + bend * (u**2 - 0.5 * u * v + 0.4 * v**2)
    ramp = (ramp - ramp.mean()) / np.ptp(ramp)

    own, owner = {}, {}
    for name in LINE_NAMES:
        seen = [line_response(LINES[name], transmissions["duo"], q) for q in channels]
        own[name], owner[name] = max(seen), int(np.argmax(seen))
    scene = Scene(
        stacks={}, lines={}, mixing={}, sky={}, nebula={}, dust={},
        stars={"x": x, "y": y, "temperature": temperatures}, responses=responses, transmissions=transmissions,
        fwhm={name: fwhm[name] for name in sets}, owner=owner, dust_ratio={},
    )  # fmt: skip
    sky_level = {"broad": np.array([3.0, 4.0, 2.5]), "duo": np.array([0.35, 0.5, 0.3])}
    for name in sets:
        curve = transmissions[name]
        psf = moffat(24, fwhm[name])
        mixing = np.array(
            [[line_response(LINES[line], curve, q) / own[line] for line in LINE_NAMES] for q in channels]
        )
        nebula, dusty, star_planes, sky = [], [], [], []
        star_flux = np.empty((3, n_stars))
        for c, q in enumerate(channels):
            relative = np.array(
                [continuum(t, curve, q) / continuum(t, transmissions["broad"], channels[1]) for t in table_t]
            )
            dust_here = dust * continuum(DUST_TEMPERATURE, curve, q) / unit
            gas = mixing[c, 0] * maps["Ha"] + mixing[c, 1] * maps["OIII"]
            dusty.append(signal.oaconvolve(np.pad(dust_here, 24, mode="reflect"), psf, mode="valid"))
            nebula.append(signal.oaconvolve(np.pad(gas + dust_here, 24, mode="reflect"), psf, mode="valid"))
            star_flux[c] = flux * np.interp(temperatures, table_t, relative)
            plane = np.zeros(shape)
            _add_stars(plane, x, y, star_flux[c], fwhm[name])
            star_planes.append(plane)
            sky.append(sky_level[name][c] * (1 + gradient * ramp))
        scene.mixing[name] = mixing
        scene.dust_ratio[name] = np.array(
            [
                continuum(DUST_TEMPERATURE, curve, q) / continuum(DUST_TEMPERATURE, transmissions["broad"], q)
                for q in channels
            ]
        )
        scene.nebula[name] = np.array(nebula)
        scene.dust[name] = np.array(dusty)
        scene.sky[name] = np.array(sky)
        scene.stars[name] = star_flux
        total = scene.nebula[name] + np.array(star_planes) + scene.sky[name]
        variance = total / exposure_s + READ_VARIANCE / exposure_s
        value = total + (rng.standard_normal(total.shape) * np.sqrt(variance) if noise else 0)
        scene.stacks[name] = LinearImage(
            value.astype(np.float32), variance.astype(np.float32), np.full(total.shape, 20, np.float32)
        )
    psf = moffat(24, max(fwhm[name] for name in sets))
    for name, plane in maps.items():
        scene.lines[name] = signal.oaconvolve(np.pad(plane, 24, mode="reflect"), psf, mode="valid")
    return scene


def _within(rng, shape, inside):
    """A cloud confined to ``inside``, itself covering two thirds of it, smooth at the border."""
    field = cloud(rng, shape, cover=0.67, scale=120)
    soft = ndimage.gaussian_filter(inside.astype(float), 4) * inside
    field = field * soft
    return field / np.quantile(field[inside], 0.995)


def _add_stars(plane, x, y, flux, fwhm, beta=3.5, half=24):
    alpha = fwhm / (2 * np.sqrt(2 ** (1 / beta) - 1))
    ny, nx = plane.shape
    norm = (beta - 1) / (np.pi * alpha**2)
    for sx, sy, f in zip(x, y, flux, strict=True):
        x0, x1 = max(int(sx) - half, 0), min(int(sx) + half + 1, nx)
        y0, y1 = max(int(sy) - half, 0), min(int(sy) + half + 1, ny)
        d2 = (np.arange(x0, x1)[None, :] - sx) ** 2 + (np.arange(y0, y1)[:, None] - sy) ** 2
        plane[y0:y1, x0:x1] += f * norm * (1 + d2 / alpha**2) ** -beta


def measured_response():
    """Curves of a camera as measured at a national laboratory, from the data sets of the colour-science package."""
    camera = colour.MSDS_CAMERA_SENSITIVITIES[MEASURED_CAMERA]
    return {c: Curve(camera.wavelengths, np.maximum(camera.values[:, i], 0.0)) for i, c in enumerate("RGB")}
