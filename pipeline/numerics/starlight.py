"""Starlight in the narrow sets: its ratio to the broadband by colour, measured on the stars of the field."""

from dataclasses import dataclass, replace

import numpy as np
from scipy import ndimage
from scipy.spatial import cKDTree

from pipeline.numerics.bands import in_bands
from pipeline.numerics.continuum_ratio import (
    colour_index,
    fit_colour_law,
    levelled,
    predict_colour_law,
    smoothed_colour,
)
from pipeline.numerics.gaussian import blurred
from pipeline.numerics.spread_sample import usual
from pipeline.numerics.stack_stars import isolated, star_mask
from pipeline.numerics.star_flux import core_weights, ring_weights

__all__ = ["colour_map", "starlight_laws"]

APERTURE_FWHM = 1.6
"""Radius in FWHM of the aperture that sets the level of a law: holds 90 % of a star's light."""

MIN_STAR_S_N = 30.0
"""Flux over its error, gas and all, in every channel of the broadband, of a star that is used: its colour is then known to 5 %
and stands for no other."""

MAX_STARS = 1000
"""Stars that are looked at, the brightest; more would lower no error."""

PLACES, PLACE_FWHM = 8, 8.0
"""Places without a star round each star, and their distance in FWHM: what is measured there tells how gas moves its flux."""

CLEAR_FWHM = 3.2
"""Distance of such a place from any star, in FWHM."""

NOWHERE = 1 << 24
"""Pixels from a star to a place that is outside any plane."""

WIDE_PX, WIDE_BLOCKS = 4, 3
"""Blocks on which the colour of dust is taken, pixels, and sigma of the window over them: 12 pixels, some widths of a star."""

LEAST_WIDE_SHARE = 0.1
"""Share of such a window that must be free of stars."""

STAR_LIMIT_SIGMA = 0.3
"""Starlight above this share of the pixel noise is kept out of those windows."""

SKY_ERROR = 0.05
"""Error of the zero of the sky over the noise of a pixel: what flattening leaves, which no window averages away."""

COLOUR_SMOOTHING_FWHM = 0.6
"""Sigma of the smoothing of the continuum colour, in FWHM: about one PSF, so a star keeps its own colour."""

COLOUR_ROWS = 64
"""Rows whose colour is computed at a time: they stay in the cache from step to step."""


def starlight_laws(matched, stars, channels, continuum_index, broad, n_broad):
    """Narrow/broad law of each narrow datum, from stars where there are enough, else from the curves.

    Parameters
    ----------
    matched : MatchedPlanes, those of ``broad`` first
    stars : StackStars
    channels : list of (FilterSetData, channel index), one a plane
    continuum_index : (D,) int, plane of the broadband behind each plane
    broad : FilterSetData or None
    n_broad : number of its channels, the first planes

    Returns
    -------
    laws : list of ColourLaw, one a narrow plane, all over one range of colours
    typical : float, median colour of the stars
    from_stars : bool
    """
    if not n_broad:
        return [], 0.0, False
    shape = matched.value.shape[1:]
    blue, red = (n_broad - 1, 0) if n_broad == 3 else (0, 0)
    good = np.zeros(0, dtype=int)
    if len(stars) and np.isfinite(matched.target_fwhm_px):
        good = np.flatnonzero(
            isolated(stars, radius_px=3.0 * matched.target_fwhm_px, shape=shape)
            & stars.starlike()
            & stars.surely_unsaturated()
        )
    predicted = [
        predict_colour_law(
            (s.transmission, s.responses[c]),
            (broad.transmission, broad.responses[continuum_index[n_broad + i]]),
            (broad.transmission, broad.responses[blue]),
            (broad.transmission, broad.responses[red]),
        )
        for i, (s, c) in enumerate(channels[n_broad:])
    ]
    fluxes = _fluxes(matched, stars, good[:MAX_STARS], n_broad) if good.size else []
    laws = []
    for d in range(n_broad, len(channels)):
        law = None
        base = continuum_index[d]
        if fluxes:
            (flux, error), (light, light_error) = fluxes[d].core, fluxes[base].core
            colour = colour_index(fluxes[blue].core[0], fluxes[red].core[0])
            ratio = flux / light
            law = fit_colour_law(
                colour, ratio, np.hypot(error, ratio * light_error) / light,
                expected=predicted[d - n_broad], max_terms=3 if n_broad == 3 else 1,
            )  # fmt: skip
        if law is not None and np.isfinite(fluxes[base].aperture[0]).any():
            (flux, error), (whole, whole_error) = fluxes[d].aperture, fluxes[base].aperture
            # Errors by the light that cores tell: gas that dims a star in its aperture would else make it count more.
            likely = light * np.nanmedian(whole / light)
            law = levelled(law, colour, flux / whole, np.hypot(error, law(colour) * whole_error) / likely)
        laws.append(law)
    from_stars = bool(laws) and all(law is not None for law in laws)
    if not from_stars:
        laws = predicted
    if from_stars:
        typical = float(np.median(colour))
    else:
        typical = float(np.mean(laws[0].colour_range)) if laws else 0.0
    return _common_range(laws), typical, from_stars


def colour_map(matched, response, lines, typical, stars):
    """Colour of the continuum at every pixel, given the line maps of the pass before.

    The light of one PSF tells the colour of a star. Dust is too faint for that, but its colour changes slowly: where
    the light of one PSF tells nothing, wide windows without stars do; where these tell nothing, it is the usual star's.
    """
    known = np.isfinite(matched.target_fwhm_px)
    sigma = max(COLOUR_SMOOTHING_FWHM * matched.target_fwhm_px, 1.0) if known else 1.0
    plane = {c: np.empty_like(matched.value[c]) for c in (0, 2)}

    def without_lines(start, stop):
        rows = slice(start, stop)
        for c, left in plane.items():
            left[rows] = matched.value[c][rows]
            for share, line in zip(response[c], lines, strict=True):
                left[rows] -= np.float32(share) * line[rows]

    in_bands(without_lines, len(plane[0]), rows=COLOUR_ROWS)
    pixel = {c: float(np.sqrt(usual(matched.variance[c]))) for c in (0, 2)}
    wide = _wide_colour(plane, pixel, typical, stars)
    smooth = {c: blurred(plane.pop(c), sigma) for c in (0, 2)}
    # Noise of a Gaussian mean of uncorrelated pixels: 1 / (4 pi sigma^2) of the variance.
    noise = {c: pixel[c] / np.sqrt(4 * np.pi * sigma**2) for c in (0, 2)}
    colour = np.empty_like(smooth[0])

    def band(start, stop):
        rows = slice(start, stop)
        colour[rows] = smoothed_colour(smooth[2][rows], smooth[0][rows], noise[2], noise[0], wide[rows])

    in_bands(band, len(colour), rows=COLOUR_ROWS)
    return colour


def _wide_colour(plane, pixel, typical, stars):
    """(ny, nx) float32 colour of the continuum between stars, in windows of ``WIDE_BLOCKS`` blocks."""
    ny, nx = plane[0].shape
    free = np.ones((ny, nx), dtype=bool)
    if len(stars):
        free = ~star_mask(stars, (ny, nx), surface_brightness=STAR_LIMIT_SIGMA * stars.noise)
    share = _binned(free, free) / WIDE_PX**2
    weight = ndimage.gaussian_filter(share, WIDE_BLOCKS)
    seen = weight > LEAST_WIDE_SHARE
    safe = np.where(seen, weight, np.float32(1.0))
    mean = {
        c: np.where(
            seen, ndimage.gaussian_filter(_binned(plane[c], free), WIDE_BLOCKS) / safe / WIDE_PX**2, 0.0
        )
        for c in (0, 2)
    }
    sigma = WIDE_PX * WIDE_BLOCKS
    noise = {c: pixel[c] * np.hypot(1 / np.sqrt(4 * np.pi * sigma**2), SKY_ERROR) for c in (0, 2)}
    colour = smoothed_colour(mean[2], mean[0], noise[2], noise[0], typical)
    return np.repeat(np.repeat(colour, WIDE_PX, axis=0), WIDE_PX, axis=1)[:ny, :nx]


def _binned(plane, use):
    """float32 sums over blocks of ``WIDE_PX``, the last ones filled up with 0, of what is in ``use`` (ny, nx)."""
    ny, nx = plane.shape
    sums = np.empty((-(-ny // WIDE_PX), -(-nx // WIDE_PX)), dtype=np.float32)

    def band(start, stop):
        rows = np.s_[start * WIDE_PX : stop * WIDE_PX]
        part = np.where(use[rows], plane[rows], np.float32(0.0))
        part = np.pad(part, ((0, -len(part) % WIDE_PX), (0, -nx % WIDE_PX)))
        # Rows are added first, whole: that is most of the work, and the fastest order.
        columns = part.reshape(stop - start, WIDE_PX, -1).sum(axis=1)
        sums[start:stop] = columns.reshape(stop - start, -1, WIDE_PX).sum(axis=2)

    in_bands(band, len(sums), rows=COLOUR_ROWS // WIDE_PX)
    return sums


@dataclass(frozen=True)
class _Fluxes:
    """Of n stars in one plane, their flux and its error, (n,) float64 each: of their cores, and in an aperture."""

    core: tuple
    aperture: tuple


def _fluxes(matched, stars, chosen, n_broad):
    """Fluxes of the chosen stars in every plane, of those whose colour is known; an empty list without such stars."""
    x, y, fwhm = stars.x[chosen], stars.y[chosen], matched.target_fwhm_px
    around = _empty_places(x, y, stars, fwhm)
    core = core_weights(x, y, fwhm)
    cores = [_flux(v, s, core, around) for v, s in zip(matched.value, matched.variance, strict=True)]
    known = np.all([flux > MIN_STAR_S_N * error for flux, error in cores[:n_broad]], axis=0)
    if not known.any():
        return []
    aperture = ring_weights(x[known], y[known], APERTURE_FWHM * fwhm)
    found = []
    for (flux, error), v, s in zip(cores, matched.value, matched.variance, strict=True):
        found.append(_Fluxes((flux[known], error[known]), _flux(v, s, aperture, around[:, known])))
    return found


def _empty_places(x, y, stars, fwhm):
    """(PLACES, n, 2) whole pixels from each star to places without a star; far outside for those that hold one."""
    turn = 2 * np.pi * np.arange(PLACES) / PLACES
    step = np.rint(PLACE_FWHM * fwhm * np.column_stack([np.cos(turn), np.sin(turn)])).astype(int)
    at = np.column_stack([x, y]) + step[:, None]
    nearest = cKDTree(np.column_stack([stars.x, stars.y])).query(at)[0]
    return np.where((nearest > CLEAR_FWHM * fwhm)[..., None], step[:, None], NOWHERE)


def _flux(plane, variance, weights, around):
    """Flux of stars and its error with the gas around: the larger of photon noise and what places without a star scatter by."""
    photons = weights.photon_noise(variance)
    empty = np.array([weights.flux(plane, *offset.T) for offset in around])
    seen = np.isfinite(empty)
    count = seen.sum(axis=0)
    structure = np.sqrt((np.where(seen, empty, 0.0) ** 2).sum(axis=0) / np.maximum(count, 1))
    # Where too few places are empty, the usual structure of the field has to do.
    enough = count >= PLACES // 2
    usual_structure = np.median(structure[enough]) if enough.any() else 0.0
    return weights.flux(plane), np.maximum(photons, np.where(enough, structure, usual_structure))


def _common_range(laws):
    """All laws over the range of colours that each of them has seen."""
    if not laws:
        return laws
    low, high = max(law.colour_range[0] for law in laws), min(law.colour_range[1] for law in laws)
    return [replace(law, colour_range=(low, high)) for law in laws]
