"""What is on the sky: stars, gas and dust on a plane of sky pixels, (0, 0) at the centre of the field."""

from dataclasses import dataclass

import numpy as np
from scipy import ndimage

__all__ = ["Field", "make_field"]

MARGIN_PX = 220
"""The sky reaches beyond the frame by this, for dithers and turned frames."""


@dataclass(frozen=True)
class Field:
    """The sky of a scene.

    Attributes
    ----------
    x, y : (n,) positions of the stars, sky pixels
    magnitude, temperature_k : (n,)
    h_alpha, oxygen, dust : (my, mx) float32 maps, 0 to about 1, times the scene's peak rates
    origin : (x, y) of the maps' first pixel, sky pixels
    """

    x: np.ndarray
    y: np.ndarray
    magnitude: np.ndarray
    temperature_k: np.ndarray
    h_alpha: np.ndarray
    oxygen: np.ndarray
    dust: np.ndarray
    origin: tuple[float, float]


def make_field(scene):
    """The sky of a scene, from its seed alone."""
    ny, nx = scene.shape
    diagonal = int(np.ceil(np.hypot(nx, ny)))
    my = mx = diagonal + 2 * MARGIN_PX
    rng = np.random.default_rng([scene.seed, 1])
    stars = scene.stars
    # Inverse of the cumulative distribution 10^(slope m), truncated at both ends.
    low, high = (10.0 ** (stars.slope * m) for m in (stars.brightest_mag, stars.faintest_mag))
    # The count is per frame; the sky plane is larger.
    count = round(stars.count * my * mx / (ny * nx))
    magnitude = np.log10(low + rng.random(count) * (high - low)) / stars.slope
    x, y = (rng.random((2, count)) - 0.5) * mx
    logs = np.log(stars.coolest_k), np.log(stars.hottest_k)
    # Most stars of a field are yellow to orange, few are hot.
    temperature = np.exp(logs[0] + (logs[1] - logs[0]) * rng.beta(2.0, 2.6, count))
    h_alpha, oxygen, dust = _clouds(scene, my, mx, np.random.default_rng([scene.seed, 2]))
    return Field(x, y, magnitude, temperature, h_alpha, oxygen, dust, (-0.5 * (mx - 1), -0.5 * (my - 1)))


def _clouds(scene, my, mx, rng):
    nebula = scene.nebula
    y, x = np.mgrid[:my, :mx].astype(np.float32)
    x -= 0.5 * (mx - 1)
    y -= 0.5 * (my - 1)
    radius = nebula.radius_px

    def noise(steepness):
        return _turbulence(rng, my, mx, steepness, nebula.smoothing_px)

    warp_x, warp_y = 0.22 * radius * noise(3.4), 0.22 * radius * noise(3.4)
    r = np.hypot(x + warp_x, 1.15 * (y + warp_y))
    angle = np.arctan2(y + warp_y, x + warp_x)
    ridges = np.exp(-2.2 * np.abs(noise(2.7)))
    threads = np.exp(-4.5 * np.abs(noise(2.5)))
    shell = np.exp(-0.5 * ((r - 0.80 * radius) / (0.16 * radius)) ** 2)
    body = np.exp(-0.5 * (r / (0.85 * radius)) ** 2)
    lane = np.clip(1.0 - 0.9 * np.exp(-1.5 * np.abs(noise(3.0) + 0.4 * x / radius)) * body, 0.05, 1.0)
    open_side = 0.65 + 0.35 * np.cos(angle - 0.6)
    h_alpha = (
        0.85 * shell * open_side * (0.35 + 0.65 * ridges) + 0.40 * body * ridges + 0.35 * body * threads
    ) * lane
    inner_r = np.hypot(x - 0.12 * radius + 0.7 * warp_y, y + 0.10 * radius - 0.7 * warp_x)
    bubble = np.exp(-0.5 * (inner_r / (0.42 * radius)) ** 2)
    front = (
        np.exp(-0.5 * ((inner_r - 1.18 * radius) / (0.07 * radius)) ** 2)
        * np.clip(np.cos(angle + 2.3), 0, 1) ** 1.5
    )
    oxygen = 0.8 * bubble * (0.45 + 0.55 * ridges) + 0.9 * front * (0.3 + 0.7 * threads)
    far = np.hypot(x + 1.15 * radius, y - 0.75 * radius)
    dust = np.exp(-0.5 * (far / (0.50 * radius)) ** 2) * (0.35 + 0.65 * np.exp(-1.2 * np.abs(noise(3.0))))
    # Nothing reaches the rim of the sky plane, so that free sky exists in every scene.
    return tuple(_peak_of_one(plane) for plane in (h_alpha, oxygen, dust))


def _turbulence(rng, my, mx, steepness, smoothing):
    """A Gaussian random field with power spectrum k^-steepness, unit variance, cut off below ``smoothing`` pixels."""
    white = np.fft.rfft2(rng.standard_normal((my, mx)))
    k = np.hypot(np.fft.fftfreq(my)[:, None], np.fft.rfftfreq(mx)[None, :])
    k[0, 0] = np.inf
    amplitude = k ** (-0.5 * steepness) * np.exp(
        -2.0 * (np.pi * smoothing * np.where(np.isinf(k), 0, k)) ** 2
    )
    # Structure larger than a third of the plane would only tilt it.
    amplitude *= 1.0 - np.exp(-((np.where(np.isinf(k), 0, k) * max(my, mx) / 3.0) ** 2))
    field = np.fft.irfft2(white * amplitude, s=(my, mx))
    return ((field - field.mean()) / field.std()).astype(np.float32)


def _peak_of_one(plane):
    plane = ndimage.gaussian_filter(np.maximum(plane, 0.0), 1.5)
    # Faint outskirts end; without this a Gaussian body would leave a trace of gas on all of the sky.
    plane = np.maximum(plane - 0.02 * plane.max(), 0.0)
    return (plane / np.quantile(plane, 0.9995)).astype(np.float32)
