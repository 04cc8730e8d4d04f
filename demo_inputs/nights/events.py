"""What passes through a night: satellites and particles."""

import numpy as np

__all__ = ["particle_hits", "satellite_trails"]

TRAIL_PEAK_E = (350.0, 1800.0)
"""Electrons per pixel in the middle of a trail, unfiltered: from a faint satellite to a bright one."""

HIT_E = (400.0, 9000.0)
"""Electrons of a particle hit."""


def satellite_trails(scene, rng, fwhm_px):
    """Straight trails of one exposure.

    Returns
    -------
    trails : list of (x1, y1, x2, y2, peak electrons)
    electrons : (ny, nx) float64, or None without any
    """
    ny, nx = scene.shape
    trails = []
    for _ in range(rng.poisson(scene.events.trails_per_frame)):
        angle = rng.uniform(0, np.pi)
        through = rng.uniform(0.1, 0.9, 2) * (nx, ny)
        far = np.hypot(nx, ny) * np.array([np.cos(angle), np.sin(angle)])
        trails.append((*(through - far), *(through + far), rng.uniform(*TRAIL_PEAK_E)))
    if not trails:
        return [], None
    y, x = np.mgrid[:ny, :nx]
    electrons = np.zeros(scene.shape)
    for x1, y1, x2, y2, peak in trails:
        length = np.hypot(x2 - x1, y2 - y1)
        across = ((x - x1) * (y2 - y1) - (y - y1) * (x2 - x1)) / length
        electrons += peak * np.exp(-0.5 * (across / (0.5 * fwhm_px)) ** 2)
    return trails, electrons


def particle_hits(scene, rng, *, share=1.0):
    """(ny, nx) electrons of particle hits: single pixels and short straight tracks."""
    ny, nx = scene.shape
    electrons = np.zeros(scene.shape)
    count = rng.poisson(scene.events.hits_per_megapixel * ny * nx / 1e6 * share)
    for _ in range(count):
        x, y, angle = rng.uniform(0, nx), rng.uniform(0, ny), rng.uniform(0, np.pi)
        length = rng.exponential(2.5)
        energy = np.exp(rng.uniform(*np.log(HIT_E)))
        for step in np.linspace(0, length, int(length) + 1):
            i, j = int(x + step * np.cos(angle)), int(y + step * np.sin(angle))
            if 0 <= i < nx and 0 <= j < ny:
                electrons[j, i] += energy / (int(length) + 1)
    return electrons
