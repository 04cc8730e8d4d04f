"""From flattened stacks to line maps and continuum: the steps around the per-pixel solver.

Planes are brought to one PSF; stars give the narrow/broad ratio of continuum by colour; curves, refined by
the data, give the mixing of the lines; the solver splits every pixel; what stars leave behind is removed.
"""

from dataclasses import dataclass, field

import numpy as np
from scipy import ndimage
from scipy.spatial import cKDTree

from pipeline.numerics.common_psf import match_planes
from pipeline.numerics.continuum_ratio import (
    ColourLaw,
    colour_index,
    fit_colour_law,
    predict_colour_law,
    smoothed_colour,
)
from pipeline.numerics.crosstalk import refine_mixing
from pipeline.numerics.reflection_halo import remove_haloes
from pipeline.numerics.separation import Mixture, separate
from pipeline.numerics.spectrum import Curve, line_response
from pipeline.numerics.stack_stars import aperture_flux, detect_stars, isolated, star_mask
from pipeline.numerics.star_residue import clean_stars

__all__ = ["FilterSetData", "LineSolution", "solve_lines"]

APERTURE_FWHM = 1.6
"""Aperture radius in FWHM; all planes have one PSF, so what falls outside cancels in the ratio."""

MIN_STAR_S_N = 30.0
"""Signal to noise in the broadband of a star whose ratio is used."""

PLACES, PLACE_RADII = 8, 5.0
"""Apertures without a star round each star, and their distance in radii: they tell how gas moves its flux. Apertures
and their rings, 2.8 radii wide, hardly overlap with the star's."""

BLOCK_PX = 8
"""Blocks on which the mixing is refined: 64 pixels bring the noise down eight times."""

COLOUR_PASSES = 1
"""Solutions made only to learn the colour of the continuum; the colour changes the lines by a few percent of the
continuum, so the next pass would change it by a few percent of that."""

COLOUR_SMOOTHING_FWHM = 0.6
"""Sigma of the smoothing of the continuum colour, in FWHM: about one PSF, so a star keeps its own colour."""


@dataclass(frozen=True)
class FilterSetData:
    """A flattened stack and what is known of its filter and sensor.

    Attributes
    ----------
    name : filter set
    image : LinearImage
    transmission : Curve
    responses : tuple of Curve, one a channel
    throughput : dict line name -> transmission where that is known better than from the curve
    """

    name: str
    image: object
    transmission: Curve
    responses: tuple
    throughput: dict = field(default_factory=dict)


@dataclass
class LineSolution:
    """Result of :func:`solve_lines`.

    Attributes
    ----------
    lines, line_variance : (L, ny, nx) float32; 0 and NaN where nothing could be solved
    filled : (ny, nx) bool, pixels under star remnants, interpolated
    continuum, continuum_variance : (C, ny, nx) float32 or None; broadband minus its lines, at the broadband's PSF
    broadband_response : (C, L)
    owners : per line (set name, channel name) in whose units it is given
    notes : dict of figures for the QA record
    """

    lines: np.ndarray
    line_variance: np.ndarray
    filled: np.ndarray
    continuum: np.ndarray | None
    continuum_variance: np.ndarray | None
    broadband_response: np.ndarray
    owners: list
    notes: dict = field(default_factory=dict)


def solve_lines(broad, narrow, lines, *, refine=True, clean=True, detection_sigma=5.0):
    """Solve for the lines and the continuum.

    Parameters
    ----------
    broad : FilterSetData that measures the continuum, or None
    narrow : list of FilterSetData with lines
    lines : list of Line, each passed by at least one narrow set
    refine : let the data refine the cross-talk of sets with three channels and two lines
    clean : remove and fill what stars leave in the line maps
    detection_sigma : threshold of star detection

    Returns
    -------
    LineSolution
    """
    sets = ([broad] if broad else []) + list(narrow)
    channels = [(s, c) for s in sets for c in range(s.image.shape[0])]
    value = np.concatenate([s.image.value for s in sets])
    variance = np.concatenate([s.image.variance for s in sets])
    valid = np.concatenate([s.image.valid for s in sets])
    stars = detect_stars(
        sets[0].image.value.mean(axis=0), sets[0].image.valid.all(axis=0), sigma=detection_sigma
    )
    matched = match_planes(value, variance, valid, stars)
    n_broad = broad.image.shape[0] if broad else 0

    continuum_index = _continuum_index(channels, broad, narrow)
    laws, typical, from_stars = _colour_laws(matched, stars, channels, continuum_index, broad, n_broad)
    ratio = _ratio_table(laws, n_broad)
    owners, table = _mixing(channels, narrow, lines)
    colour_range = laws[0].colour_range if laws else (0.0, 0.0)

    def mixture(response):
        return Mixture(continuum_index, ratio, colour_range, response, np.arange(n_broad))

    notes = _psf_notes(matched, channels)
    refinements = {}
    if refine:
        blocks = _blocks(matched, stars)
        flat_colour = np.full(blocks[0].shape[1:], typical, dtype=np.float32)
        table, refinements = _refined(table, blocks, flat_colour, mixture, channels, narrow, n_broad)
    colour = np.full(value.shape[1:], typical, dtype=np.float32)
    for _ in range(COLOUR_PASSES if n_broad == 3 else 0):
        first = separate(matched.value, matched.variance, colour, mixture(table))[1]
        colour = _colour_map(matched, table[:n_broad], first, typical)
    _, line_maps, line_variance, remainder_variance = separate(
        matched.value, matched.variance, colour, mixture(table)
    )

    residue, hidden = {}, np.zeros(value.shape[1:], dtype=bool)
    if clean and len(stars):
        expected = [
            _expected_continuum(matched, line, owners, channels, continuum_index, ratio, typical)
            for line in range(len(lines))
        ]
        haloes = {}
        for j, line in enumerate(lines):
            line_maps[j], line_variance[j], haloes[line.name] = remove_haloes(
                line_maps[j], line_variance[j], expected[j], stars, matched.target_fwhm_px
            )
        line_maps, line_variance, hidden, residue = clean_stars(
            line_maps, line_variance, expected, stars, matched.target_fwhm_px
        )
        notes.update(_halo_notes(haloes))
    continuum = continuum_variance = None
    if broad:
        known = np.isfinite(line_variance).all(axis=0)
        # At the broadband's own PSF: the lines are taken away, the stars stay as sharp as they are.
        removed = np.tensordot(table[:n_broad], np.where(known, line_maps, 0.0), axes=1)
        continuum = (broad.image.value - removed).astype(np.float32)
        continuum_variance = np.where(known, remainder_variance, broad.image.variance).astype(np.float32)
    notes.update(_law_notes(laws, channels[n_broad:], typical, from_stars))
    notes.update(residue)
    notes["refinements"] = refinements
    notes["n_stars"] = len(stars)
    response = table[:n_broad]
    named = [(channels[d][0].name, channels[d][0].image.channels[channels[d][1]]) for d in owners]
    notes["mixing"] = {(s.name, s.image.channels[c]): table[d] for d, (s, c) in enumerate(channels)}
    return LineSolution(
        line_maps, line_variance, hidden, continuum, continuum_variance, response, named, notes
    )


def _continuum_index(channels, broad, narrow):
    """Continuum channel behind each datum: the broadband's of the same name; for a mono narrow set behind a
    colour broadband, the one whose pixels see most of the narrow filter.
    """
    if broad is None:
        return np.full(len(channels), -1)
    names = broad.image.channels
    index = []
    for s, c in channels:
        if s.image.channels == names:
            index.append(c)
        elif len(names) == 1:
            index.append(0)
        else:
            grid = np.arange(380.0, 1000.0)
            passed = [np.sum(s.transmission(grid) * response(grid)) for response in broad.responses]
            index.append(int(np.argmax(passed)))
    return np.array(index)


def _colour_laws(matched, stars, channels, continuum_index, broad, n_broad):
    """Narrow/broad law of each narrow datum, the typical colour, and whether stars gave the laws."""
    if not n_broad:
        return [], 0.0, False
    shape = matched.value.shape[1:]
    blue, red = (n_broad - 1, 0) if n_broad == 3 else (0, 0)
    good = np.zeros(0, dtype=int)
    if len(stars) and np.isfinite(matched.target_fwhm_px):
        radius = APERTURE_FWHM * matched.target_fwhm_px
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
    laws, fluxes = [], []
    if good.size:
        x, y = stars.x[good], stars.y[good]
        around = _empty_places(x, y, stars, radius, shape)
        fluxes = [
            _star_flux(v, np.nan_to_num(s), x, y, around, radius)
            for v, s in zip(matched.value, matched.variance, strict=True)
        ]
        bright = np.all([fluxes[c][0] > MIN_STAR_S_N * fluxes[c][1] for c in range(n_broad)], axis=0)
        fluxes = [tuple(values[bright] for values in triple) for triple in fluxes]
    for d in range(n_broad, len(channels)):
        law = None
        base = continuum_index[d]
        if good.size and fluxes[0][0].size:
            colour = colour_index(fluxes[blue][0], fluxes[red][0])
            ratio = fluxes[d][0] / fluxes[base][0]
            error = np.hypot(fluxes[d][2], ratio * fluxes[base][2]) / fluxes[base][0]
            law = fit_colour_law(
                colour, ratio, error, expected=predicted[d - n_broad], max_terms=3 if n_broad == 3 else 1
            )
        laws.append(law)
    from_stars = bool(laws) and all(law is not None for law in laws)
    if not from_stars:
        laws = predicted
    if from_stars:
        typical = float(np.median(colour_index(fluxes[blue][0], fluxes[red][0])))
    else:
        typical = float(np.mean(laws[0].colour_range)) if laws else 0.0
    return _common_range(laws), typical, from_stars


def _empty_places(x, y, stars, radius, shape):
    """(n, PLACES, 2) centres of apertures round each star that hold no star and lie inside; NaN for the others."""
    turn = 2 * np.pi * np.arange(PLACES) / PLACES
    at = np.stack(
        [x[:, None] + PLACE_RADII * radius * np.cos(turn), y[:, None] + PLACE_RADII * radius * np.sin(turn)],
        axis=-1,
    )
    nearest = cKDTree(np.column_stack([stars.x, stars.y])).query(at)[0]
    edge = 3.0 * radius
    inside = (at > edge).all(axis=-1) & (at < np.array(shape)[::-1] - 1 - edge).all(axis=-1)
    return np.where((inside & (nearest > 2.0 * radius))[..., None], at, np.nan)


def _star_flux(plane, variance, x, y, around, radius):
    """Flux of stars, its photon noise, and its error with the gas around: what apertures without a star scatter by."""
    flux, photons = aperture_flux(plane, variance, x, y, radius_px=radius)
    use = np.isfinite(around[..., 0])
    empty = np.zeros(use.shape)
    if use.any():
        empty[use] = aperture_flux(plane, variance, *around[use].T, radius_px=radius)[0]
    count = use.sum(axis=1)
    structure = np.sqrt((empty**2).sum(axis=1) / np.maximum(count, 1))
    # Where too few places are empty, the usual structure of the field has to do.
    usual = np.median(structure[count >= PLACES // 2]) if (count >= PLACES // 2).any() else 0.0
    return flux, photons, np.maximum(photons, np.where(count >= PLACES // 2, structure, usual))


def _common_range(laws):
    """All laws over the range of colours that each of them has seen."""
    if not laws:
        return laws
    low, high = max(law.colour_range[0] for law in laws), min(law.colour_range[1] for law in laws)
    return [ColourLaw(law.coefficients, (low, high), law.scatter, law.n_stars) for law in laws]


def _ratio_table(laws, n_broad):
    terms = max([1] + [law.coefficients.size for law in laws])
    table = np.zeros((n_broad + len(laws), terms))
    table[:n_broad, 0] = 1.0
    for i, law in enumerate(laws):
        table[n_broad + i, : law.coefficients.size] = law.coefficients
    return table if n_broad else np.zeros((0, 1))


def _mixing(channels, narrow, lines):
    """Response of every datum to every line, in units of the line's strongest narrow channel."""
    raw = np.array([[_response(s, c, line) for line in lines] for s, c in channels])
    is_narrow = np.array([any(s is n for n in narrow) for s, _ in channels])
    owners = np.where(is_narrow[:, None], raw, -1.0).argmax(axis=0)
    return owners, raw / raw[owners, np.arange(len(lines))]


def _response(filter_set, channel, line):
    """Response of a channel of a filter set to a line, in the unit of the curves."""
    response = filter_set.responses[channel]
    if line.name in filter_set.throughput:
        return filter_set.throughput[line.name] * line_response(line, response)
    return line_response(line, filter_set.transmission, response)


def _blocks(matched, stars):
    """Block means of all data, star-covered pixels left out: (value, variance), each (D, by, bx) float32."""
    _, ny, nx = matched.value.shape
    covered = (
        star_mask(stars, (ny, nx), surface_brightness=0.3 * stars.noise)
        if len(stars)
        else np.zeros((ny, nx), bool)
    )
    by, bx = ny // BLOCK_PX, nx // BLOCK_PX

    def folded(plane):
        return (
            plane[: by * BLOCK_PX, : bx * BLOCK_PX]
            .reshape(by, BLOCK_PX, bx, BLOCK_PX)
            .sum(axis=(1, 3), dtype=np.float64)
        )

    value, variance = (np.full((len(matched.value), by, bx), np.nan, dtype=np.float32) for _ in range(2))
    for d, (v, s) in enumerate(zip(matched.value, matched.variance, strict=True)):
        use = ~covered & np.isfinite(s)
        count = folded(use)
        enough = count >= BLOCK_PX**2 / 4
        value[d][enough] = folded(np.where(use, v, 0))[enough] / count[enough]
        variance[d][enough] = folded(np.where(use, s, 0))[enough] / count[enough] ** 2
    return value, variance


def _refined(table, blocks, colour, mixture, channels, narrow, n_broad):
    """Refine the cross-talk of each colour set that sees two lines; the broadband follows by its filter."""
    table, found = table.copy(), {}
    value, variance = blocks
    for s in narrow:
        rows = np.array([d for d, (other, _) in enumerate(channels) if other is s])
        prior = table[rows]
        if len(rows) != 3 or prior.shape[1] != 2 or not (prior.max(axis=0) > 0.5).all():
            continue
        continuum = separate(value, variance, colour, mixture(table))[0] if n_broad else None
        used = np.isfinite(variance).all(axis=0)
        rest = value[rows][:, used].astype(np.float64)
        if n_broad:
            kept = mixture(table)
            law = np.polynomial.polynomial.polyval(colour[used], kept.ratio[rows].T)
            rest = rest - law * continuum[kept.continuum[rows]][:, used]
        scale = prior.max(axis=0)
        result = refine_mixing(rest, np.sqrt(variance[rows][:, used]), prior / scale)
        # The same pixels look through the broadband filter: its cross-talk changes by the same factor.
        factor = np.divide(result.matrix * scale, prior, out=np.ones_like(prior), where=prior > 0)
        if n_broad == 3:
            table[:3] *= factor
        table[rows] = result.matrix * scale
        found[s.name] = result
    return table, found


def _colour_map(matched, response, lines, typical):
    """Colour of the continuum at every pixel, given the line maps of the pass before."""
    sigma = (
        max(COLOUR_SMOOTHING_FWHM * matched.target_fwhm_px, 1.0)
        if np.isfinite(matched.target_fwhm_px)
        else 1.0
    )
    smooth, noise = {}, {}
    for c in (0, 2):
        plane = matched.value[c] - np.tensordot(response[c], lines, axes=1)
        smooth[c] = ndimage.gaussian_filter(plane.astype(np.float32), sigma)
        # Noise of a Gaussian mean of uncorrelated pixels: 1 / (4 pi sigma^2) of the variance.
        noise[c] = float(np.sqrt(np.nanmedian(matched.variance[c]) / (4 * np.pi * sigma**2)))
    return smoothed_colour(smooth[2], smooth[0], noise[2], noise[0], typical)


def _expected_continuum(matched, line, owners, channels, continuum_index, ratio, typical):
    """Starlight expected in the channel of a line: what a remnant is held against."""
    d = owners[line]
    if continuum_index[d] < 0:
        return matched.value[d]
    k = np.polynomial.polynomial.polyval(typical, ratio[d])
    return (k * matched.value[continuum_index[d]]).astype(np.float32)


def _psf_notes(matched, channels):
    notes = {"psf_stars": matched.n_stars, "psf_target_fwhm_px": matched.target_fwhm_px}
    for (s, c), fwhm, kernel in zip(channels, matched.fwhm_px, matched.kernels, strict=True):
        name = f"{s.name}_{s.image.channels[c]}"
        notes[f"psf_fwhm_px_{name}"] = float(fwhm)
        notes[f"psf_kernel_{name}"] = kernel.method
        notes[f"psf_match_residual_{name}"] = kernel.residual
    return notes


def _halo_notes(haloes):
    """Of each line: how many discs were taken off round stars, and the one with most light."""
    notes = {}
    for name, model in haloes.items():
        notes[f"halo_discs_{name}"] = len(model.discs)
        if model.discs:
            strongest = max(model.discs, key=lambda disc: abs(disc.light_share))
            notes[f"halo_radius_px_{name}"] = strongest.radius_px
            notes[f"halo_light_share_{name}"] = strongest.light_share
    return notes


def _law_notes(laws, channels, typical, from_stars):
    notes = {"continuum_ratio_from_stars": from_stars, "typical_colour": typical}
    for (s, c), law in zip(channels, laws, strict=False):
        name = f"{s.name}_{s.image.channels[c]}"
        notes[f"continuum_ratio_{name}"] = float(law(typical))
        notes[f"continuum_ratio_scatter_{name}"] = law.scatter
        notes[f"continuum_ratio_stars_{name}"] = law.n_stars
    return notes
