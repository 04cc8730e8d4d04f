"""Lines: what of the light is gas, what is starlight.

Reads the flattened stacks, decides what the filter sets at hand allow, solves, and writes one file a line and
the continuum. A line file is always written for each line that is asked for; if the line could not be solved,
its values are 0, its variance NaN, and the keyword SOLVED is F.
"""

from concurrent.futures import ThreadPoolExecutor

import numpy as np

from pipeline import qa
from pipeline.bundles import LinearImage
from pipeline.errors import InputError
from pipeline.filter_curves import channel_responses, transmission_of
from pipeline.fitsio import read_keywords, stored_linear
from pipeline.grid_keywords import finer_of
from pipeline.line_files import write_continuum, write_empty_line, write_line
from pipeline.numerics.balmer import hydrogen_notes
from pipeline.numerics.broadband_halo import remove_reflections
from pipeline.numerics.levelled_stars import stars_of
from pipeline.numerics.line_solution import FilterSetData, solve_lines
from pipeline.numerics.solution_notes import halo_notes
from pipeline.numerics.spectrum import LINES
from pipeline.numerics.spread_sample import every_nth, usual
from pipeline.settings.filters import CONTINUUM_ROLES, lines_of
from pipeline.star_tables import stars_of_set

__all__ = ["filter_set_data", "run"]

UNCERTAIN_CROSSTALK = 0.03
"""Error of a channel's response to a line, per unit, above which a record warns: leakage of that size is visible."""

BLENDS = {"NII": "Ha"}
"""Lines that one passband does not tell apart: the weaker is counted with the stronger."""


def filter_set_data(name, image, entry, response_path, *, finer=1):
    """A flattened stack with the curves of its filter and sensor.

    Parameters
    ----------
    name : filter set
    image : LinearImage
    entry : its settings
    response_path : CSV of the sensor's response, or None for the typical one
    finer : pixels of the stack along the side of a pixel of the sensor

    Returns
    -------
    FilterSetData
    """
    responses = channel_responses(image.channels, response_path)
    return FilterSetData(
        name, image, transmission_of(entry), responses, dict(entry["line_throughput"]), finer
    )


def run(layout, unit, settings, *, filter_sets):
    """Separate the lines of all ``filter_sets``."""
    options, camera = settings["lines"], settings["camera"]
    entries = settings["filter_sets"]
    with qa.record(layout, "lines", unit) as record, ThreadPoolExecutor(1) as files:
        promised = sorted({line for name in filter_sets for line in lines_of(entries[name])})
        loaded = _load(layout, filter_sets, entries, camera["response"], record)
        if not loaded:
            raise InputError("no filter set has a flattened stack with data, so there is nothing to separate")
        broad = _continuum_set(loaded, entries, record)
        narrow, lines = _narrow_sets(loaded, entries, broad, record)
        shape = loaded[0].image.shape[1:]
        if broad is None:
            record.flag(
                "no_continuum_set",
                "warn",
                "there is no broadband or unfiltered set: starlight stays in the line maps (through narrow bands the "
                "light of stars is a mixture of the lines' own colours, so it cannot be told apart), and there is "
                "no natural-colour continuum",
            )
        solved, written = [], []
        first = broad or (narrow or loaded)[0]
        stars = stars_of_set(layout, first.name, options["star_sigma"], record)
        if lines:
            refine = options["crosstalk"] == "measured" or (
                options["crosstalk"] == "auto" and not camera["response"]
            )
            solution = solve_lines(
                broad,
                narrow,
                lines,
                stars=stars,
                refine=refine,
                clean=options["remove_star_remnants"],
                haloes=options["remove_haloes"],
                detection_sigma=options["star_sigma"],
            )
            _report(record, solution, lines, broad, camera["response"])
            record.metrics(hydrogen_notes(solution, lines, narrow))
            solved = [line.name for line in lines]
            # Reflections in the continuum are looked for meanwhile, mostly on one core.
            written = [
                files.submit(write_line, layout, line, solution, index, broad)
                for index, line in enumerate(lines)
            ]
            continuum, stars = _continuum_image(broad, solution), solution.stars
        else:
            record.flag(
                "no_lines", "info", "no filter set with data carries an emission line: continuum only"
            )
            continuum = broad.image if broad else None
        for name in promised:
            if name not in solved:
                reason = _why_not(name, solved, entries, filter_sets)
                record.flag("line_not_solved", "fail", f"{LINES[name].label} ({name}) is not given: {reason}")
                write_empty_line(layout, LINES[name], shape)
        record.metrics(
            {"lines_solved": ", ".join(solved) or None, "continuum_set": broad.name if broad else None}
        )
        haloes = None
        if continuum is not None and options["remove_haloes"]:
            if stars is None:
                stars = stars_of(continuum.value, continuum.valid, sigma=options["star_sigma"])
            continuum, haloes, models = remove_reflections(
                continuum, stars, stars.typical_fwhm, finer=broad.finer
            )
            record.metrics(halo_notes(dict(zip(continuum.channels, models, strict=False))))
        for line in written:
            line.result()
        write_continuum(layout, continuum, broad, shape, solved, haloes)


def _load(layout, filter_sets, entries, response_path, record):
    loaded = []
    for name in filter_sets:
        path = layout.flat(name)
        record.input(path)
        # Coverage is looked at and goes on with the continuum, like what was rejected.
        image = stored_linear(path, variance=True) if path.is_file() else None
        if image is None or not image.has_data:
            record.flag("set_without_data", "warn", f"filter set {name} has no data and is left out")
            continue
        finer = finer_of(read_keywords(path))
        loaded.append(filter_set_data(name, image, entries[name], response_path, finer=finer))
    shapes = {data.image.shape[1:] for data in loaded}
    if len(shapes) > 1:
        raise InputError(f"flattened stacks should have one size, found {sorted(shapes)}")
    return loaded


def _continuum_set(loaded, entries, record):
    """The set that measures the continuum: broadband before unfiltered, colour before mono, the deepest first."""
    candidates = [data for data in loaded if entries[data.name]["role"] in CONTINUUM_ROLES]
    if not candidates:
        return None

    def preference(data):
        image = data.image
        noise = (
            usual(np.where(image.valid, image.variance, np.float32(np.nan))) if len(candidates) > 1 else 0.0
        )
        return CONTINUUM_ROLES.index(entries[data.name]["role"]), -image.shape[0], noise

    chosen = min(candidates, key=preference)
    if entries[chosen.name]["role"] == "unfiltered":
        record.flag(
            "unfiltered_continuum", "info", f"{chosen.name} has no filter and serves as the continuum set"
        )
    for data in candidates:
        if data is not chosen:
            record.flag(
                "set_not_used", "info", f"{data.name} is not used here: {chosen.name} measures the continuum"
            )
    return chosen


def _narrow_sets(loaded, entries, broad, record):
    """Sets with lines, and the lines that they can tell apart."""
    narrow, names = [], []
    for data in loaded:
        carried = lines_of(entries[data.name])
        if not carried:
            continue
        narrow.append(data)
        names += [name for name in carried if name not in names]
    names = [
        name for name in names if BLENDS.get(name) not in names or not _share_all_sets(name, narrow, entries)
    ]
    data_count = sum(data.image.shape[0] for data in narrow)
    while len(names) > data_count:
        dropped = names.pop()
        record.flag(
            "too_few_channels",
            "fail",
            f"{dropped} cannot be told apart: {data_count} narrow channels see {len(names) + 1} lines",
        )
    return narrow, [LINES[name] for name in names]


def _share_all_sets(name, narrow, entries):
    """Whether each set that carries ``name`` carries the line that it blends with, too."""
    return all(
        BLENDS[name] in lines_of(entries[data.name])
        for data in narrow
        if name in lines_of(entries[data.name])
    )


def _why_not(name, solved, entries, filter_sets):
    if BLENDS.get(name) in solved:
        return f"one passband holds it together with {BLENDS[name]}, whose file has the light of both"
    sets = [other for other in filter_sets if name in lines_of(entries[other])]
    return f"the data of {', '.join(sets)} do not allow it"


def _report(record, solution, lines, broad, response_path):
    notes = dict(solution.notes)
    refinements, mixing = notes.pop("refinements"), notes.pop("mixing")
    record.metrics(notes)
    for (name, channel), row in mixing.items():
        for line, value in zip(lines, row, strict=True):
            record.metric(f"response_{name}_{channel}_{line.name}", value)
    record.metric("crosstalk_source", _crosstalk_source(refinements, response_path))
    for name, result in refinements.items():
        for c, channel in enumerate("RGB"):
            for j, line in enumerate(lines):
                record.metric(f"response_error_{name}_{channel}_{line.name}", result.error[c, j])
        for j, line in enumerate(lines):
            worst = float(result.error[:, j].max())
            if result.measured[j] and worst > UNCERTAIN_CROSSTALK:
                record.flag(
                    "crosstalk_uncertain",
                    "warn",
                    f"{name}: the response of one channel to {line.label} is known to {worst:.3f} only, since "
                    "hardly any gas shows that line alone; the other line's map may hold that share of it",
                    value=worst,
                    limit=UNCERTAIN_CROSSTALK,
                )
            if not result.measured[j]:
                record.flag(
                    "crosstalk_not_measured",
                    "info" if response_path else "warn",
                    f"{name}: too little bright {line.label} gas to measure which channels see it; the "
                    f"{'given' if response_path else 'typical'} response curves stand",
                )
    for j, line in enumerate(lines):
        flux, spread = every_nth(solution.lines[j]), every_nth(solution.line_variance[j])
        if not np.isfinite(spread).any():
            flux, spread = solution.lines[j], solution.line_variance[j]
        known = np.isfinite(spread)
        if known.any():
            record.metric(f"line_noise_e_s_{line.name}", float(np.sqrt(np.median(spread[known]))))
            record.metric(f"line_p99_e_s_{line.name}", float(np.percentile(flux[known], 99)))
        record.metric(f"line_channel_{line.name}", " ".join(solution.owners[j]))
    record.metric("filled_fraction", float(solution.filled.mean()))
    if broad is not None and not notes["continuum_ratio_from_stars"]:
        record.flag(
            "continuum_ratio_predicted",
            "warn",
            "too few stars to measure the narrow/broad ratio of starlight; it is computed from the curves for "
            "black bodies",
        )
    if notes["psf_stars"] == 0:
        record.flag(
            "psf_not_matched", "warn", "no isolated star to measure the sharpness on: stars may leave rings"
        )


def _crosstalk_source(refinements, response_path):
    start = "given response curves" if response_path else "typical response curves"
    return f"{start}, refined from the data of {', '.join(refinements)}" if refinements else start


def _continuum_image(broad, solution):
    if broad is None:
        return None
    image = broad.image
    return LinearImage(solution.continuum, solution.continuum_variance, image.coverage, image.rejected)
