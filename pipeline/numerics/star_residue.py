"""What stars leave behind in a line map: measure it, and replace it where it shows.

Even matched PSFs leave remnants around bright stars (their spectra are no smooth continua, their cores may be
saturated, filters differ in their haloes). A remnant is covered by a disc and the gas is continued smoothly
through it. A source whose line light is no mere remnant of its continuum (a planetary nebula, an emission-line
star) is left alone.
"""

import numpy as np

from pipeline.numerics.fill import filled
from pipeline.numerics.stack_stars import isolated
from pipeline.numerics.star_cores import core_figures

__all__ = ["clean_stars", "looks_saturated"]

CORE_FWHM = 1.2
"""Radius of the core in which a remnant is looked for."""

RING_FWHM = (2.5, 4.0)
"""Ring that gives the local level and scatter."""

LIMIT_SIGMA = 5.0
"""Departure of a pixel in the core from the ring, in units of noise and structure there, that shows."""

REMNANT_SHARE = 0.5
"""Line light below this share of the star's continuum in the narrow channel is a remnant; so is what is negative,
however much."""

REMNANT_IN_WINGS = 0.25
"""Share of a star's light in the narrow channel that may remain in its wings: how far matched PSFs still differ."""

OUTSHINES_SIGMA = 50.0
"""Excess of a remnant beyond which nearby gas cannot be mistaken for it."""

MAX_RADIUS_FWHM = 8.0
"""Largest disc; beyond it lie haloes, which are faint and smooth."""

QUIET_SIGMA = 0.8 * LIMIT_SIGMA
"""A core whose pixels all lie within this of the ring's median shows nothing, whatever slope the gas has."""

MEASURED_SIGMA = 100.0
"""Starlight over noise, both in the core, of the stars whose residue is quoted: noise alone leaves 0.7 % of them."""

FLATTENED_CORE = 0.75
"""Peak over flux, relative to the typical star, below which a bright star's core is clipped."""


def looks_saturated(stars):
    """(n,) bool: bright stars whose core is flatter than the others' (peak / flux too low)."""
    if not len(stars):
        return np.zeros(0, dtype=bool)
    sharpness = stars.peak / stars.flux
    starlike = stars.starlike()
    typical = np.median(sharpness[starlike]) if starlike.any() else np.median(sharpness)
    return (
        (sharpness < FLATTENED_CORE * typical)
        & (stars.peak > 0.3 * stars.peak.max())
        & (stars.elongation < 2)
    )


def clean_stars(lines, variance, continuum, stars, fwhm):
    """Fill the remnants of stars in line maps.

    Parameters
    ----------
    lines, variance : (L, ny, nx) float32
    continuum : per line (ny, nx), starlight expected in the line's channel
    stars : StackStars
    fwhm : of the line maps, pixels

    Returns
    -------
    lines, variance : (L, ny, nx) float32; under a disc the variance grows by the square of the ring's scatter
    hidden : (ny, nx) bool, pixels filled in any line
    figures : dict; of bright, isolated, unsaturated stars the median of |light left in the core| over their light in
        the line's channel before anything was filled, and their number; discs used
    """
    shape = lines.shape[1:]
    fwhm = fwhm if np.isfinite(fwhm) else stars.typical_fwhm
    saturated = looks_saturated(stars)
    out, out_variance = np.empty_like(lines), variance.copy()
    hidden = np.zeros(shape, dtype=bool)
    residues, discs = [], 0
    alone = isolated(stars, radius_px=RING_FWHM[1] * fwhm, shape=shape) if len(stars) else saturated
    measured = alone & stars.starlike() & stars.surely_unsaturated() if len(stars) else saturated
    for j in range(len(lines)):
        mask = np.zeros(shape, dtype=bool)
        seen, told = core_figures(
            lines[j], variance[j], continuum[j], stars.x, stars.y, core=CORE_FWHM * fwhm,
            ring=tuple(fwhm * np.array(RING_FWHM)), quiet_sigma=QUIET_SIGMA, closely=measured | saturated,
        )  # fmt: skip
        for index in np.flatnonzero(seen):
            where = (stars.x[index], stars.y[index], fwhm)
            share, excess, noise, scatter, strength = told[index]
            if measured[index] and strength > MEASURED_SIGMA:
                residues.append(abs(share))
            if saturated[index] or (excess > LIMIT_SIGMA and share < REMNANT_SHARE):
                radius = _reach(lines[j], continuum[j], *where, noise, excess)
                window, disc = _disc(shape, stars.x[index], stars.y[index], radius)
                mask[window] |= disc
                out_variance[j][window][disc] += np.float32(scatter**2)
                discs += 1
        out[j] = filled(lines[j], mask)
        hidden |= mask
    figures = {
        "star_residue_median": float(np.median(residues)) if residues else None,
        "star_residue_stars": len(residues),
        "star_discs": discs,
    }
    return out, out_variance, hidden, figures


def _reach(line, light, x, y, fwhm, noise, excess):
    """Radius to which a remnant shows.

    Outwards while the share of starlight that a remnant may have still shows above the noise and above what the gas
    differs by about the star, for a hole in uneven gas would be worse than such a remnant. The line map itself is a poor
    guide, for gas has edges of its own; but around a star whose remnant outshines any gas nearby (a saturated core, say,
    spread by the kernel) it is a good one.
    """
    window, distance = _surroundings(line.shape, x, y, MAX_RADIUS_FWHM * fwhm)
    line, light = line[window], light[window]
    outside = distance > (MAX_RADIUS_FWHM - 1) * fwhm
    level, background = (
        float(np.median(plane[outside])) if outside.any() else 0.0 for plane in (line, light)
    )
    radius = 2.0 * fwhm
    while radius < MAX_RADIUS_FWHM * fwhm:
        ring = (distance > radius) & (distance <= radius + 0.5 * fwhm)
        if not ring.any():
            break
        # Half of what lies between these is a standard deviation; an edge shows when it crosses a third of the ring.
        least = max(noise, 0.5 * np.ptp(np.percentile(line[ring], (16, 84))))
        starlight = REMNANT_IN_WINGS * np.mean(light[ring] - background) > least
        remnant = excess > OUTSHINES_SIGMA and abs(np.median(line[ring]) - level) > 2 * least
        if not (starlight or remnant):
            break
        radius += 0.5 * fwhm
    # The last ring within the noise is left out of the hole's rim, from which it is filled.
    return radius + fwhm if excess > OUTSHINES_SIGMA else radius


def _surroundings(shape, x, y, radius):
    """Window of at least ``radius`` about a star, as far as the image goes, and the distances from it there."""
    reach = int(np.ceil(radius)) + 1
    ny, nx = shape
    x0, x1 = max(int(x) - reach, 0), min(int(x) + reach + 1, nx)
    y0, y1 = max(int(y) - reach, 0), min(int(y) + reach + 1, ny)
    distance = np.hypot(np.arange(x0, x1)[None, :] - x, np.arange(y0, y1)[:, None] - y)
    return (slice(y0, y1), slice(x0, x1)), distance


def _disc(shape, x, y, radius):
    ny, nx = shape
    x0, x1 = max(int(x - radius), 0), min(int(x + radius) + 2, nx)
    y0, y1 = max(int(y - radius), 0), min(int(y + radius) + 2, ny)
    distance2 = (np.arange(x0, x1)[None, :] - x) ** 2 + (np.arange(y0, y1)[:, None] - y) ** 2
    return (slice(y0, y1), slice(x0, x1)), distance2 <= radius**2
