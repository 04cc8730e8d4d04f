"""The point-spread function (PSF) of a plane, measured on its stars.

A smooth profile holds nearly all of it; what stars leave of that is kept as far as it exceeds noise and gas. So the core is what
was measured, and the wings, which are all noise but hold percents of the light, are smooth.
"""

from dataclasses import dataclass, replace

import numpy as np
from scipy import ndimage

from pipeline.numerics.star_profile import Profile, fit_profile

__all__ = ["PointSpread", "measured_psf", "psf_fwhm", "stamps"]

ANNULUS_SHARE = 0.75
"""Outside this share of the half size a stamp counts as background."""

LIGHT_REACH = 2
"""Half sizes of a stamp within which light counts: the profile goes on beyond the stamp, a shallow one not to infinity."""


@dataclass(frozen=True)
class PointSpread:
    """A point-spread function: a profile and a remainder.

    Attributes
    ----------
    profile : Profile, of peak 1
    remainder : (k, k) float64, relative to that peak
    halves : None, or two remainders that come from a half of the stars each
    fits : StarFits that the profile is from
    """

    profile: Profile
    remainder: np.ndarray
    halves: tuple | None
    fits: object

    @property
    def half(self):
        """Half size of the stamps that it was measured on."""
        return self.remainder.shape[0] // 2

    def smooth(self, half):
        """(2 half + 1, 2 half + 1) float64, the share of a star's light in each pixel without the remainder."""
        return self.profile.on_grid(half) / self._light(0.0)

    def image(self, half, which=None):
        """The same with the remainder, of all stars or of one of ``halves``; ``half`` is at least that of the stamps."""
        remainder = self.remainder if which is None else self.halves[which]
        image = self.profile.on_grid(half)
        rim = half - self.half
        image[rim : image.shape[0] - rim, rim : image.shape[0] - rim] += remainder
        return image / self._light(remainder.sum())

    def with_slope(self, log_beta):
        """The same with another ln beta of its profile."""
        return replace(self, profile=self.fits.with_slope(log_beta))

    def _light(self, remainder):
        return self.profile.on_grid(LIGHT_REACH * self.half).sum() + remainder


def stamps(plane, x, y, half):
    """Cut-outs round stars, the pixels as they are.

    Parameters
    ----------
    plane : (ny, nx)
    x, y : (n,) positions at least ``half`` + 1 pixels inside the plane
    half : half size in pixels

    Returns
    -------
    cuts : (m, 2 half + 1, 2 half + 1) float64, of the stars without a pixel that is not finite
    dx, dy : (m,) places of these stars, pixels from the middles of their cut-outs
    """
    column, row = np.rint(x).astype(int), np.rint(y).astype(int)
    grid = np.arange(-half, half + 1)
    cuts = plane[row[:, None, None] + grid[:, None], column[:, None, None] + grid].astype(np.float64)
    whole = np.isfinite(cuts).all(axis=(1, 2))
    return cuts[whole], (x - column)[whole], (y - row)[whole]


def measured_psf(cuts, dx=None, dy=None):
    """PointSpread of stars; None where none is usable.

    The remainder of each ring of pixels is kept as far as it exceeds what stars differ by there (James & Stein 1961; from
    memory).

    Parameters
    ----------
    cuts : (n, k, k) float64, finite
    dx, dy : (n,) places of the stars, pixels from the middles of the cut-outs; None for 0
    """
    if not len(cuts):
        return None
    dx, dy = (np.zeros(len(cuts)) if offset is None else offset for offset in (dx, dy))
    half = cuts.shape[1] // 2
    grid = np.arange(-half, half + 1)
    radius = np.hypot(grid[:, None], grid[None, :])
    inside = radius <= ANNULUS_SHARE * half
    fits = fit_profile(cuts, dx, dy, ~inside)
    if fits is None:
        return None
    left = np.array(
        [
            ndimage.shift(rest / height, (-oy, -ox), order=3, mode="nearest")
            for rest, height, ox, oy in zip(fits.left, fits.height, fits.x, fits.y, strict=True)
        ]
    )
    ring = np.rint(radius).astype(int)

    def remainder(part):
        return np.where(inside, _significant(left[part], fits.weight[part], ring), 0.0)

    halves = tuple(remainder(np.s_[first::2]) for first in (0, 1)) if len(left) > 1 else None
    return PointSpread(fits.profile, remainder(np.s_[:]), halves, fits)


def _significant(left, weight, ring):
    """Weighted mean of what stars leave times, in each ring of pixels, the share of its power that is not their scatter."""
    weight = weight / weight.sum()
    mean = np.einsum("n,nyx->yx", weight, left)
    variance = np.einsum("n,nyx->yx", weight**2, (left - mean) ** 2)
    count = np.bincount(ring.ravel())
    power, noise = (np.bincount(ring.ravel(), plane.ravel()) / count for plane in (mean**2, variance))
    share = np.where(power > noise, 1 - noise / np.where(power > 0, power, 1.0), 0.0)
    return mean * ndimage.median_filter(share, 3, mode="nearest")[ring]


def psf_fwhm(psf):
    """Full width at half maximum: diameter of the disc whose area is that of the pixels above half the peak.

    The area is counted on a grid eight times finer, so that it changes smoothly with the width.

    Parameters
    ----------
    psf : (k, k) float64
    """
    fine = ndimage.zoom(psf, 8, order=3)
    # The outermost samples of both grids coincide.
    area = (fine > 0.5 * fine.max()).sum() * ((psf.shape[0] - 1) / (fine.shape[0] - 1)) ** 2
    return float(2 * np.sqrt(area / np.pi))
