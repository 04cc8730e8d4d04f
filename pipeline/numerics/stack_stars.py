"""Stars in a stacked image: where they are, how bright, and how far their light reaches."""

from dataclasses import dataclass

import numpy as np
import sep
from scipy.spatial import cKDTree

from pipeline.numerics.discs import cover_discs, disc_sums
from pipeline.numerics.robust import mad_std
from pipeline.numerics.spread_sample import every_nth

__all__ = [
    "DETECTION_SIGMA",
    "RING_RADII",
    "SIGMA_PER_FWHM",
    "StackStars",
    "aperture_flux",
    "detect_stars",
    "isolated",
    "no_stars",
    "star_mask",
]

DETECTION_SIGMA = 5.0
"""Threshold of the detection in the noise of a pixel where nobody asks for another; a source has five such pixels at least."""

RING_RADII = (1.8, 2.8)
"""Ring that gives the level under an aperture, in its radii: beyond the core, near enough to follow a nebula."""

MESH_PX = 32
"""Mesh of the background under the detection image; larger than a star, smaller than most nebular structure."""

FWHM_TOLERANCE = 0.35
"""Relative departure from the typical FWHM beyond which a source is no single star (knot, blend, artefact)."""

MAX_ELONGATION = 1.5
"""Axis ratio beyond which a source is a blend, a knot or a trail."""

BRIGHT_PART, MUCH_WIDER = 4, 1.75
"""Where the brightest fourth of the sources is this much wider than the median, the faint ones are no stars: without dither
hot pixels stay in a stack. Second moments of bright stars see more of the wings; that makes them wider by up to 1.45."""

NEIGHBOUR_FLUX = 0.02
"""Relative flux of a neighbour that spoils a star as a measure of the point-spread function."""

SATURATED_TOP = 0.5
"""Share of the brightest peak above which a star may be clipped: a mean of dithered, clipped frames is not flat."""

PIXSTACK = 5_000_000
SUB_OBJECT_LIMIT = 4096
"""Limits of sep, raised because its defaults stop on crowded fields."""

WING_SLOPE = 3.0
"""Moffat beta of the wings that the mask assumes: a little shallower than most (2.5 to 4.5 are seen), so that
wings and faint haloes are covered."""

SIGMA_PER_FWHM = 1 / 2.3548200450309493
"""1 / (2 sqrt(2 ln 2))."""


@dataclass(frozen=True)
class StackStars:
    """Point sources of a stack, the brightest first.

    Attributes
    ----------
    x, y : (n,) float64, pixels
    flux : (n,) float64, isophotal flux in the unit of the image
    peak : (n,) float64
    fwhm : (n,) float64, from second moments, pixels
    elongation : (n,) float64, a / b
    typical_fwhm : float, median of round sources, pixels; NaN without stars
    noise : float, robust scatter of the detection image
    """

    x: np.ndarray
    y: np.ndarray
    flux: np.ndarray
    peak: np.ndarray
    fwhm: np.ndarray
    elongation: np.ndarray
    typical_fwhm: float
    noise: float

    def __len__(self):
        return self.x.size

    def starlike(self):
        """(n,) bool: round, and of the typical size."""
        return (self.elongation < MAX_ELONGATION) & (
            np.abs(self.fwhm / self.typical_fwhm - 1) < FWHM_TOLERANCE
        )

    def surely_unsaturated(self):
        """(n,) bool: the peak is well below the brightest one, which may be clipped."""
        return self.peak < SATURATED_TOP * self.peak.max() if len(self) else np.zeros(0, dtype=bool)


def no_stars(noise=np.nan):
    """:class:`StackStars` of an image that shows none."""
    return StackStars(*np.zeros((6, 0)), np.nan, noise)


def detect_stars(image, valid, *, sigma=DETECTION_SIGMA):
    """Find compact sources above ``sigma`` times the noise of their surroundings.

    Parameters
    ----------
    image : (ny, nx) float32
    valid : (ny, nx) bool; pixels without data are ignored

    Returns
    -------
    StackStars
    """
    sep.set_extract_pixstack(PIXSTACK)
    sep.set_sub_object_limit(SUB_OBJECT_LIMIT)
    image = np.ascontiguousarray(image, dtype=np.float32)
    mask = np.ascontiguousarray(~valid)
    if mask.all():
        return no_stars()
    background = sep.Background(image, mask=mask, bw=MESH_PX, bh=MESH_PX, fw=3, fh=3)
    residual = image - background.back(dtype=np.float32)
    some = every_nth(residual)[every_nth(valid)]
    noise = float(mad_std(some if some.size else residual[valid]))
    if not noise > 0:
        return no_stars(noise)
    # A mask costs sep a third more time, even an empty one.
    found = sep.extract(residual, sigma, err=noise, mask=mask if mask.any() else None, minarea=5)
    return _stars_from(found, noise)


def isolated(stars, *, radius_px, shape):
    """(n,) bool: no brighter or comparable source (flux above 2 %) within ``radius_px``, and not at the edge."""
    ny, nx = shape
    inside = (
        (stars.x > radius_px)
        & (stars.y > radius_px)
        & (stars.x < nx - 1 - radius_px)
        & (stars.y < ny - 1 - radius_px)
    )
    positions = np.column_stack([stars.x, stars.y])
    alone = np.ones(len(stars), dtype=bool)
    if len(stars) > 1:
        for first, second in cKDTree(positions).query_pairs(radius_px, output_type="ndarray"):
            if stars.flux[second] > NEIGHBOUR_FLUX * stars.flux[first]:
                alone[first] = False
            if stars.flux[first] > NEIGHBOUR_FLUX * stars.flux[second]:
                alone[second] = False
    return inside & alone


def star_mask(stars, shape, *, surface_brightness, growth=1.0):
    """Pixels where starlight exceeds ``surface_brightness``.

    Each star is covered by a disc whose radius follows from Moffat wings,
    I(r) = F (beta - 1) / (pi alpha^2) (1 + (r / alpha)^2)^-beta (Moffat 1969; from memory).

    Parameters
    ----------
    surface_brightness : limit in the unit of the image that the stars were found on
    growth : factor on the radii

    Returns
    -------
    (ny, nx) bool
    """
    mask = np.zeros(shape, dtype=bool)
    if not len(stars) or not np.isfinite(stars.typical_fwhm):
        return mask
    alpha = stars.typical_fwhm / (2 * np.sqrt(2 ** (1 / WING_SLOPE) - 1))
    centre = stars.flux * (WING_SLOPE - 1) / (np.pi * alpha**2)
    ratio = np.maximum(centre / surface_brightness, 1.0) ** (1 / WING_SLOPE)
    radius = growth * np.maximum(alpha * np.sqrt(ratio - 1), stars.typical_fwhm)
    cover_discs(mask, stars.x, stars.y, radius)
    return mask


def aperture_flux(plane, variance, x, y, *, radius_px):
    """Flux in circular apertures above the mean of a surrounding annulus, exact areas.

    Parameters
    ----------
    plane, variance : (ny, nx), what is not finite counts as 0; without a variance, None, the error is 0
    x, y : (n,) positions
    radius_px : radius of the aperture; the annulus is that of ``RING_RADII``

    Returns
    -------
    flux, error : (n,) float64
    """
    return disc_sums(
        plane, variance, x, y, radius=radius_px, ring=tuple(factor * radius_px for factor in RING_RADII)
    )


def _typical(fwhm):
    """Median FWHM of sources, the brightest first; that of the wider ones where hot pixels outnumber the stars."""
    brightest = float(np.median(fwhm[: max(1, len(fwhm) // BRIGHT_PART)]))
    wide = fwhm > brightest / MUCH_WIDER
    return float(np.median(fwhm[wide] if np.median(fwhm) * MUCH_WIDER < brightest else fwhm))


def _stars_from(found, noise):
    if not len(found):
        return no_stars(noise)
    found = found[np.argsort(-found["flux"], kind="stable")]
    a, b = np.maximum(found["a"], 0.3), np.maximum(found["b"], 0.3)  # 0.3 px: one pixel's own second moment
    # FWHM = 2 sqrt(2 ln 2) sigma with sigma^2 = (a^2 + b^2) / 2.
    fwhm = np.sqrt(0.5 * (a**2 + b**2)) / SIGMA_PER_FWHM
    elongation = a / b
    rounds = elongation < MAX_ELONGATION
    typical = _typical(fwhm[rounds] if rounds.any() else fwhm)
    as_float = {name: found[name].astype(np.float64) for name in ("x", "y", "flux", "peak")}
    return StackStars(**as_float, fwhm=fwhm, elongation=elongation, typical_fwhm=typical, noise=noise)
