"""From flattened stacks to line maps and continuum: the steps around the per-pixel solver.

Planes are brought to one PSF; stars give the narrow/broad ratio of continuum by colour; curves, refined by
the data, give the mixing of the lines; the solver splits every pixel; what stars leave behind is removed.
"""

from dataclasses import dataclass, field

import numpy as np

from pipeline.numerics.bands import in_bands
from pipeline.numerics.common_psf import match_planes
from pipeline.numerics.levelled_stars import stars_of
from pipeline.numerics.line_mixing import block_means, mixing_from_curves, refined_mixing
from pipeline.numerics.reflection_halo import remove_haloes
from pipeline.numerics.separation import Mixture, separate
from pipeline.numerics.solution_notes import halo_notes, law_notes, psf_notes
from pipeline.numerics.spectrum import Curve
from pipeline.numerics.stack_stars import DETECTION_SIGMA
from pipeline.numerics.star_residue import clean_stars
from pipeline.numerics.starlight import colour_map, starlight_laws

__all__ = ["FilterSetData", "LineSolution", "solve_lines"]

COLOUR_PASSES = 1
"""Solutions made only to learn the colour of the continuum; the colour changes the lines by a few percent of the
continuum, so the next pass would change it by a few percent of that."""

BAND_ROWS = 64
"""Rows that are worked on at a time: they stay in the cache through all steps."""


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
    finer : pixels of the stack along the side of a pixel of the sensor
    """

    name: str
    image: object
    transmission: Curve
    responses: tuple
    throughput: dict = field(default_factory=dict)
    finer: int = 1


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
    stars : StackStars of the set that measures the continuum, else of the first
    notes : dict of figures for the QA record
    """

    lines: np.ndarray
    line_variance: np.ndarray
    filled: np.ndarray
    continuum: np.ndarray | None
    continuum_variance: np.ndarray | None
    broadband_response: np.ndarray
    owners: list
    stars: object = None
    notes: dict = field(default_factory=dict)


def solve_lines(
    broad, narrow, lines, *, stars=None, refine=True, clean=True, haloes=True, detection_sigma=DETECTION_SIGMA
):
    """Solve for the lines and the continuum.

    Parameters
    ----------
    broad : FilterSetData that measures the continuum, or None
    narrow : list of FilterSetData with lines
    lines : list of Line, each passed by at least one narrow set
    stars : StackStars of ``broad``, or without it of the first narrow set; None where they are to be found
    refine : let the data refine the cross-talk of sets with three channels and two lines
    clean : remove and fill what stars leave in the line maps
    haloes : take the haloes of stars off the line maps
    detection_sigma : threshold of star detection

    Returns
    -------
    LineSolution
    """
    sets = ([broad] if broad else []) + list(narrow)
    channels = [(s, c) for s in sets for c in range(s.image.shape[0])]
    if stars is None:
        stars = stars_of(sets[0].image.value, sets[0].image.valid, sigma=detection_sigma)
    matched = match_planes(
        [s.image.value[c] for s, c in channels],
        [s.image.variance[c] for s, c in channels],
        [s.image.coverage[c] > 0 for s, c in channels],
        stars,
    )
    shape = matched.value.shape[1:]
    n_broad = broad.image.shape[0] if broad else 0

    continuum_index = _continuum_index(channels, broad, narrow)
    laws, typical, from_stars = starlight_laws(matched, stars, channels, continuum_index, broad, n_broad)
    ratio = _ratio_table(laws, n_broad)
    owners, table = mixing_from_curves(channels, narrow, lines)
    colour_range = laws[0].colour_range if laws else (0.0, 0.0)

    def mixture(response):
        return Mixture(continuum_index, ratio, colour_range, response, np.arange(n_broad))

    notes = psf_notes(matched, channels)
    refinements = {}
    if refine:
        blocks = block_means(matched, stars)
        flat_colour = np.full(blocks[0].shape[1:], typical, dtype=np.float32)
        table, refinements = refined_mixing(table, blocks, flat_colour, mixture, channels, narrow, n_broad)
    colour = np.full(shape, typical, dtype=np.float32)
    for _ in range(COLOUR_PASSES if n_broad == 3 else 0):
        colour = colour_map(
            matched,
            table[:n_broad],
            separate(matched.value, matched.variance, colour, mixture(table), wanted=("lines",))[0],
            typical,
            stars,
        )
    line_maps, line_variance, remainder_variance = separate(
        matched.value, matched.variance, colour, mixture(table),
        wanted=("lines", "line_variance", "remainder_variance"),
    )  # fmt: skip

    residue, hidden = {}, np.zeros(shape, dtype=bool)
    fwhm, expected = matched.target_fwhm_px, []
    if (clean or haloes) and len(stars):
        np.clip(colour, *colour_range, out=colour)
        expected = [
            _expected_continuum(matched, line, owners, continuum_index, ratio, colour)
            for line in range(len(lines))
        ]
    # Two planes a datum: what follows needs them no more, and the memory is that of everything else together.
    del matched, colour
    if expected:
        found = {}
        for j, line in enumerate(lines if haloes else ()):
            line_maps[j], line_variance[j], found[line.name] = remove_haloes(
                line_maps[j], line_variance[j], expected[j], stars, fwhm, finer=sets[0].finer
            )
        notes.update(halo_notes(found))
        if clean:
            line_maps, line_variance, hidden, residue = clean_stars(
                line_maps, line_variance, expected, stars, fwhm
            )
        del expected
    continuum = continuum_variance = None
    if broad:
        known = np.isfinite(line_variance).all(axis=0)
        continuum, continuum_variance = np.empty_like(broad.image.value), remainder_variance

        def take_lines_away(start, stop):
            # At the broadband's own PSF: the lines are taken away, the stars stay as sharp as they are.
            rows = np.s_[start:stop]
            gas = [np.where(known[rows], line[rows], np.float32(0.0)) for line in line_maps]
            for c in range(n_broad):
                continuum[c, rows] = broad.image.value[c, rows]
                for response, line in zip(table[c], gas, strict=True):
                    continuum[c, rows] -= np.float32(response) * line
                np.copyto(continuum_variance[c, rows], broad.image.variance[c, rows], where=~known[rows])

        in_bands(take_lines_away, shape[0], rows=BAND_ROWS)
    notes.update(law_notes(laws, channels[n_broad:], typical, from_stars))
    notes.update(residue)
    notes["refinements"] = refinements
    notes["n_stars"] = len(stars)
    response = table[:n_broad]
    named = [(channels[d][0].name, channels[d][0].image.channels[channels[d][1]]) for d in owners]
    notes["mixing"] = {(s.name, s.image.channels[c]): table[d] for d, (s, c) in enumerate(channels)}
    return LineSolution(
        line_maps, line_variance, hidden, continuum, continuum_variance, response, named, stars, notes
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


def _ratio_table(laws, n_broad):
    terms = max([1] + [law.coefficients.size for law in laws])
    table = np.zeros((n_broad + len(laws), terms))
    table[:n_broad, 0] = 1.0
    for i, law in enumerate(laws):
        table[n_broad + i, : law.coefficients.size] = law.coefficients
    return table if n_broad else np.zeros((0, 1))


def _expected_continuum(matched, line, owners, continuum_index, ratio, colour):
    """Starlight expected in the channel of a line: what a remnant is held against."""
    d = owners[line]
    if continuum_index[d] < 0:
        return matched.value[d]
    law = np.zeros_like(colour)

    def band(start, stop):
        rows = slice(start, stop)
        for coefficient in ratio[d, ::-1]:
            law[rows] *= colour[rows]
            law[rows] += np.float32(coefficient)
        law[rows] *= matched.value[continuum_index[d], rows]

    in_bands(band, len(law), rows=BAND_ROWS)
    return law
