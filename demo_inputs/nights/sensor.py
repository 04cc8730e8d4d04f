"""The sensor: colour pattern, fixed flaws, and the way from electrons to whole numbers."""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from scipy import ndimage

__all__ = ["Sensor", "channel_index", "make_sensor", "optics_flat", "read_out"]


@dataclass(frozen=True)
class Sensor:
    """Fixed properties of every pixel.

    Attributes
    ----------
    bias : (ny, nx) float32, ADU
    dark : (ny, nx) float32, electrons per second
    response : (ny, nx) float32, about 1
    """

    bias: np.ndarray
    dark: np.ndarray
    response: np.ndarray


def channel_index(scene):
    """(ny, nx) int64 channel index of each stored pixel."""
    ny, nx = scene.shape
    if scene.image.cfa == "mono":
        return np.zeros((ny, nx), dtype=np.int64)
    cell = np.array(["RGB".index(colour) for colour in scene.image.cfa]).reshape(2, 2)
    return np.tile(cell, (ny // 2 + 1, nx // 2 + 1))[:ny, :nx].astype(np.int64)


def make_sensor(scene):
    """The sensor of a scene, from its seed alone."""
    ny, nx = scene.shape
    camera = scene.camera
    rng = np.random.default_rng([scene.seed, 3])
    columns = rng.standard_normal(nx) * 0.6 * camera.bias_pattern_adu
    rows = ndimage.gaussian_filter1d(rng.standard_normal(ny), 9.0) * 2.0 * camera.bias_pattern_adu
    bias = camera.offset_adu + columns[None, :] + rows[:, None]
    dark = camera.dark_current_e_s * rng.gamma(4.0, 0.25, (ny, nx))
    hot = rng.random((ny, nx)) < camera.hot_pixel_share
    dark[hot] += camera.hot_pixel_e_s * rng.lognormal(0.0, 1.0, int(hot.sum()))
    y, x = np.mgrid[:ny, :nx]
    corner = np.hypot((nx - 1 - x) / (0.11 * nx), (ny - 1 - y) / (0.16 * ny))
    dark += camera.amplifier_glow_e_s * np.exp(-corner)
    response = 1.0 + camera.pixel_response * rng.standard_normal((ny, nx))
    return Sensor(bias.astype(np.float32), dark.astype(np.float32), response.astype(np.float32))


@lru_cache(maxsize=4)
def _shadow_parameters(seed, count, nx, ny):
    rng = np.random.default_rng(seed)
    return [
        (rng.random() * nx, rng.random() * ny, rng.uniform(9, 26), rng.uniform(0.015, 0.07))
        for _ in range(count)
    ]


def optics_flat(scene, filter_name):
    """(ny, nx) float32: vignetting and dust shadows as seen through a filter, 1 where nothing is lost."""
    ny, nx = scene.shape
    y, x = np.mgrid[:ny, :nx].astype(np.float64)
    r2 = ((x - 0.5 * nx) ** 2 + (y - 0.5 * ny) ** 2) / (0.25 * (nx * nx + ny * ny))
    flat = 1.0 - scene.optics.vignetting * r2 * (0.7 + 0.3 * r2)
    own = sorted(scene.filters).index(filter_name)
    shadows = [
        *_shadow_parameters((scene.seed, 4), scene.optics.sensor_dust, nx, ny),
        *_shadow_parameters((scene.seed, 5, own), scene.optics.filter_dust, nx, ny),
    ]
    for x0, y0, radius, depth in shadows:
        r = np.hypot(x - x0, y - y0)
        # A ring-like shadow: out-of-focus image of a grain under an open aperture.
        flat *= 1.0 - depth * np.clip((radius - r) / 3.0 + 0.5, 0, 1)
    return flat.astype(np.float32)


def read_out(scene, sensor, electrons_per_s, exposure_s, rng, *, extra_electrons=None):
    """Expose and digitise.

    Parameters
    ----------
    electrons_per_s : (ny, nx) rate of light that reaches the pixel's electrode, or None for a closed shutter
    extra_electrons : (ny, nx) electrons of particle hits, without shot noise

    Returns
    -------
    (ny, nx) uint16
    """
    camera = scene.camera
    mean = sensor.dark.astype(np.float64)
    if electrons_per_s is not None:
        mean = mean + electrons_per_s * sensor.response
    electrons = rng.poisson(mean * exposure_s).astype(np.float64)
    if extra_electrons is not None:
        electrons += extra_electrons
    electrons += camera.read_noise_e * rng.standard_normal(scene.shape)
    adu = sensor.bias + electrons / camera.electrons_per_adu
    return np.clip(np.rint(adu), 0, camera.full_scale_adu).astype(np.uint16)
