"""Calibrated star frames with known truth, for the tests of measuring and registration."""

from dataclasses import dataclass

import numpy as np

from pipeline.numerics.camera import NoiseModel
from pipeline.numerics.cfa import Cfa
from pipeline.numerics.moffat import quadratic_form

EXPOSURE_S = 60.0
READ_NOISE_E = 3.0
SKY_E_S = 3.0
COLOURS = {"R": 1.0, "G": 0.7, "B": 0.5}
"""Share of a star's flux in each channel, unless a frame is asked for otherwise."""

STAMP_PX = 42
"""Half width of the square a star is drawn on: five FWHM of the widest star tested."""

FULL_SCALE_E_S = 500.0


@dataclass
class StarFrame:
    """A calibrated frame and the truth about its stars.

    Attributes
    ----------
    value, variance : (ny, nx) float32, the variance being that of the noise that was drawn
    saturated : (ny, nx) bool
    x, y, flux : (n,) of the stars, flux in a channel of share 1
    cfa : Cfa
    """

    value: np.ndarray
    variance: np.ndarray
    saturated: np.ndarray
    x: np.ndarray
    y: np.ndarray
    flux: np.ndarray
    cfa: Cfa

    noise = NoiseModel(1.0, READ_NOISE_E, EXPOSURE_S)

    @property
    def bad(self):
        """No pixel is known to be bad."""
        return np.zeros(self.value.shape, dtype=bool)

    @property
    def coefficients(self):
        """(n, 3) of the variance about each star."""
        return np.tile(self.noise.coefficients(), (len(self.x), 1))


def star_frame(
    x,
    y,
    flux,
    *,
    shape,
    pattern="RGGB",
    fwhm=3.0,
    beta=3.0,
    elongation=1.0,
    angle=0.0,
    seed=1,
    extra=0.0,
    lateral=None,
):
    """Draw Moffat stars, sampled at pixel centres, with photon and read noise.

    ``extra`` is added to the scene (electron/s, broadcast to the frame); ``lateral`` gives channel -> (dx, dy).
    """
    cfa = Cfa(pattern)
    ny, nx = shape
    a, b, c = quadratic_form(fwhm, elongation, angle, beta)
    norm = (beta - 1) * np.sqrt(a * c - b * b) / np.pi
    index = cfa.index_map(ny, nx)
    share = np.array([1.0 if cfa.is_mono else COLOURS[channel] for channel in cfa.channels])
    value = np.zeros(shape)
    for k, channel in enumerate(cfa.channels):
        shift = (lateral or {}).get(channel, (0.0, 0.0))
        for x_star, y_star, light in zip(np.add(x, shift[0]), np.add(y, shift[1]), flux, strict=True):
            top, left = max(0, int(y_star) - STAMP_PX), max(0, int(x_star) - STAMP_PX)
            cut = np.s_[top : int(y_star) + STAMP_PX, left : int(x_star) + STAMP_PX]
            rows, columns = np.mgrid[cut[0].start : min(ny, cut[0].stop), cut[1].start : min(nx, cut[1].stop)]
            dx, dy = columns - x_star, rows - y_star
            star = light * share[k] * norm * (1 + a * dx * dx + 2 * b * dx * dy + c * dy * dy) ** -beta
            value[cut] += np.where(index[cut] == k, star, 0.0)
    value += SKY_E_S + extra
    variance = value / EXPOSURE_S + (READ_NOISE_E / EXPOSURE_S) ** 2
    value += np.random.default_rng(seed).normal(size=shape) * np.sqrt(variance)
    return StarFrame(
        np.minimum(value, FULL_SCALE_E_S).astype(np.float32),
        variance.astype(np.float32),
        value > FULL_SCALE_E_S,
        np.asarray(x, dtype=float),
        np.asarray(y, dtype=float),
        np.asarray(flux, dtype=float),
        cfa,
    )


def grid_of_stars(shape, *, step, margin, seed, flux):
    """x, y on a jittered grid, so that no star disturbs another, and equal fluxes."""
    rng = np.random.default_rng(seed)
    y, x = np.mgrid[margin : shape[0] - margin : step, margin : shape[1] - margin : step].astype(float)
    x, y = x.ravel() + rng.uniform(-3, 3, x.size), y.ravel() + rng.uniform(-3, 3, y.size)
    return x, y, np.full(x.size, float(flux))


def random_stars(shape, n, *, seed, faintest=20.0, brightest=3e4):
    """x, y uniform, fluxes falling off as real ones do (a factor of 2.5 more stars per magnitude)."""
    rng = np.random.default_rng(seed)
    flux = np.minimum(faintest * 10 ** rng.exponential(0.7, n), brightest)
    return rng.uniform(0, shape[1], n), rng.uniform(0, shape[0], n), flux


MEASURE = {
    "detection_sigma": 4.0,
    "background_mesh_px": 64,
    "spike_sigma": 8.0,
    "min_star_snr": 6.0,
    "edge_px": 8,
    "aperture_radius_fwhm": 1.5,
    "max_stars": 3000,
    "min_stars": 6,
    "max_elongation": 1.6,
    "max_fwhm_ratio": 1.6,
    "max_fwhm_px": None,
    "min_transparency": 0.3,
    "max_saturated_fraction": 0.2,
}
"""The defaults of section "measure"."""

REGISTER = {
    "poses": ["similarity", "affine", "quadratic"],
    "min_matched": 6,
    "max_residual_px": 1.0,
    "min_coverage": 0.3,
    "max_scale_difference": 0.01,
    "max_scale_difference_of_sets": 0.04,
    "allow_mirrored": False,
    "shared_distortion": False,
    "list_frames": 20,
}
"""The defaults of section "register"."""
