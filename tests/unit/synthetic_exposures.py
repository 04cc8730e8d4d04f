"""Small exposures with known truth for the tests of the stacking engine."""

from dataclasses import dataclass

import numpy as np

from pipeline.numerics.cfa import Cfa
from pipeline.numerics.frame_positions import Placement, frame_positions
from pipeline.numerics.pose import Pose
from pipeline.numerics.sampling import resample

EXPOSURE_S = 60.0
READ_NOISE_E = 3.0
SKY_E = np.array([400.0, 700.0, 500.0])
"""Sky electrons of an exposure in R, G, B: some 20 to 27 electrons of noise, a suburban broadband frame."""


@dataclass(frozen=True)
class Exposures:
    """Calibrated frames in electrons per second and what is true of them."""

    frames: np.ndarray
    cfa: Cfa
    placements: list
    fwhm: np.ndarray

    @property
    def variance(self):
        """(C,) of a sky pixel, (electron/s)^2."""
        return (SKY_E + READ_NOISE_E**2) / EXPOSURE_S**2

    def sampled(self, shape, *, kernel="ringless"):
        """values (N, C, ny, nx) float32 and weights uint8, as the stack hands them to rejection."""
        n_channels = len(self.cfa.channels)
        values = np.empty((len(self.frames), n_channels, *shape), dtype=np.float32)
        weights = np.empty(values.shape, dtype=np.uint8)
        y, x = np.mgrid[: shape[0], : shape[1]]
        for frame, placement, value, weight in zip(
            self.frames, self.placements, values, weights, strict=True
        ):
            positions = frame_positions(placement.pose, x.ravel(), y.ravel())
            v, w = resample(frame, self.cfa, placement, positions, kernel=kernel)
            value[:], weight[:] = v.reshape(value.shape), np.rint(255 * w).reshape(weight.shape)
        return values, weights


def expose(shape, n, *, seed, stars=(), fwhm=3.0, seeing_spread=0.0, pattern="RGGB", degrees=0.0, noise=True):
    """n dithered exposures.

    Parameters
    ----------
    stars : list of (x, y, electrons) on the anchor's grid, alike in all channels
    seeing_spread : FWHM varies evenly from (1 - s) to (1 + s) times ``fwhm``
    """
    rng = np.random.default_rng(seed)
    cfa = Cfa(pattern)
    widths = fwhm * (1 + seeing_spread * (np.linspace(-1, 1, n) if n > 1 else np.zeros(1)))
    ny, nx = shape
    rows, columns = np.mgrid[:ny, :nx]
    frames, placements = [], []
    for width in widths:
        angle = np.radians(degrees * rng.uniform(-1, 1))
        turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
        middle = np.array([(nx - 1) / 2, (ny - 1) / 2])
        pose = Pose.from_matrix(
            np.column_stack([turn, middle - turn @ middle + rng.uniform(-6, 6, 2)]), shape
        )
        sigma = width / (2 * np.sqrt(2 * np.log(2)))
        electrons = SKY_E[cfa.index_map(ny, nx)].astype(np.float64)
        for x_star, y_star, flux in stars:
            x, y = pose.inverse(x_star, y_star)
            r2 = (columns - x) ** 2 + (rows - y) ** 2
            electrons += flux / (2 * np.pi * sigma**2) * np.exp(-r2 / (2 * sigma**2))
        seen = rng.poisson(electrons) + rng.normal(0, READ_NOISE_E, shape) if noise else electrons
        frames.append((seen / EXPOSURE_S).astype(np.float32))
        placements.append(Placement(pose, np.zeros((len(cfa.channels), 2, 3))))
    return Exposures(np.array(frames), cfa, placements, widths)


def add_trail(frame, *, y0, slope, peak_e, fwhm=3.0):
    """A satellite trail with the profile of the seeing, in place."""
    rows, columns = np.mgrid[: frame.shape[0], : frame.shape[1]]
    distance = (rows - y0 - slope * columns) / np.hypot(1, slope)
    frame += (peak_e / EXPOSURE_S * np.exp(-4 * np.log(2) * (distance / fwhm) ** 2)).astype(np.float32)


def add_hits(frame, rng, n, *, largest_e=9000.0):
    """Particle hits of one to three pixels, in place; returns their (y, x)."""
    places = rng.integers(8, np.array(frame.shape) - 8, (n, 2))
    for y, x in places:
        energy = rng.uniform(300, largest_e)
        dy, dx = rng.integers(-1, 2, 2)
        for step in range(rng.integers(1, 4)):
            frame[y + step * dy, x + step * dx] += energy / EXPOSURE_S
    return places
