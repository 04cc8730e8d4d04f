"""Figures of flatten and lines on synthetic stacks against their truth; used by tests and by the benchmark of scenes.

Nothing that the stages say of themselves enters, save the VARIANCE that is put to the test.
"""

from dataclasses import dataclass, replace
from unittest import mock

import numpy as np
from scipy import ndimage, special
from scipy.spatial import cKDTree

from pipeline.numerics import line_solution
from pipeline.numerics.common_psf import match_planes
from pipeline.numerics.free_cells import explained_cells
from pipeline.numerics.levelled_stars import stars_of
from pipeline.numerics.line_solution import FilterSetData, solve_lines
from pipeline.numerics.psf_match import convolved
from pipeline.numerics.robust import clipped_stats
from pipeline.numerics.sky_cells import cell_table
from pipeline.numerics.sky_model import fit_sky
from pipeline.numerics.spectrum import LINES
from pipeline.stages.flatten import find_skies, flatten
from pipeline.stages.survey_sky import tabulate
from tests.unit.synthetic_stacks import LINE_NAMES

__all__ = [
    "Coupling",
    "Flattened",
    "coupling",
    "flattened",
    "flattened_by_truth",
    "gain_spread",
    "noise_figures",
    "noisy_and_quiet",
    "sky_figures",
    "solved",
    "star_free",
    "star_noise",
    "star_residues",
]

CELL_PX = 24
"""Cells of flattening: sixteen across the shorter side, which is what the stage would choose."""

WINDOW_PX = 7.0
"""Sigma of the window under which noise is compared: kernels of matching, sigma about 1 px, lose 1 % of it."""

APART_PX = 17
"""Distance of samples under that window: correlation exp(-17^2 / 4 / 7^2) = 0.2."""

JACKKNIFE = 6
"""Blocks across the field of which one is left out at a time."""

RESIDUE_SIGMA = 100.0
"""Flux over noise of stars whose residue is looked at, so that noise alone leaves less than 1 %."""

APERTURE_FWHM = 1.6
"""Radius of the aperture about a star: holds 90 % of a Moffat profile."""


_NORMAL = special.ndtri((np.arange(99) + 0.5) / 99)
"""Quantiles of a normal distribution."""


@dataclass(frozen=True)
class Coupling:
    """Regression of a solved map on the true maps: gain, leakage of the other line, leakage of the continuum in the
    line's own narrow channel; and the standard errors of the three.
    """

    gain: float
    other: float
    continuum: float
    error: tuple


@dataclass(frozen=True)
class Flattened:
    """A flattened stack, what was subtracted, its Sky by channel, and the cells free of nebula."""

    image: object
    background: np.ndarray
    skies: list
    free: np.ndarray


def _tables(scene):
    """dict set -> Cells, by the functions of the stages."""
    stars = [stars_of(image.value, image.valid, sigma=5.0) for image in scene.stacks.values()]
    return {
        name: tabulate(image, stars, cell=CELL_PX, star_growth=1.0) for name, image in scene.stacks.items()
    }


def flattened(scene, *, max_order=3):
    """dict set -> Flattened, by the functions of the stage."""
    tables = _tables(scene)
    roles, owners = {"broad": "broadband", "duo": "dualband"}, {"duo": sorted(scene.owner.values())}
    out = {}
    for name in tables:
        skies, free, _ = find_skies(
            name, tables, {n: roles[n] for n in tables}, {n: c for n, c in owners.items() if n in tables},
            max_order=max_order, clip_sigma=3.0,
        )  # fmt: skip
        flat, background = flatten(scene.stacks[name], skies)
        out[name] = Flattened(flat, background, skies, free)
    return out


def flattened_by_truth(scene, *, max_order=3):
    """As :func:`flattened`, but by the cells that truly hold no nebula, in every channel of every set: less than half of what
    noise makes of the cell. Those that the wings of a bright star lift are clipped.
    """
    tables = _tables(scene)
    free = True
    for name, cells in tables.items():
        nebula = scene.nebula[name]
        gas = cell_table(nebula, np.ones_like(nebula), np.ones(nebula.shape, bool), cell=CELL_PX).value
        free = free & (gas < 0.5 * cells.error).all(axis=0)
    out = {}
    for name, cells in tables.items():
        dark = explained_cells(cells, free, None, order=max_order, clip_sigma=3.0)
        skies = fit_sky(cells, dark, max_order=max_order)
        out[name] = Flattened(*flatten(scene.stacks[name], skies), skies, dark)
    return out


def sky_figures(scene, flat):
    """Per set and channel: (residual gradient, flux error), in the nebula's 10-90 range and in its flux.

    Parameters
    ----------
    flat : from :func:`flattened`

    Returns
    -------
    (n, 2) float64
    """
    rows = []
    for name, result in flat.items():
        background = result.background
        for c in range(len(background)):
            nebula = scene.nebula[name][c]
            inside = nebula > 0.01 * nebula.max()
            error = background[c] - scene.sky[name][c]
            spread = np.ptp(np.percentile(nebula[inside], (10, 90)))
            rows.append((np.ptp(error) / spread, abs(error[inside].sum() / nebula[inside].sum())))
    return np.array(rows)


def solved(scene, *, assumed=None, sets=("broad", "duo"), flat=None, **options):
    """Solve the lines of a scene.

    Parameters
    ----------
    assumed : responses that the solver is told, which the data then refine; None for the true ones
    flat : from :func:`flattened`; None for the true sky

    Returns
    -------
    solution : LineSolution
    data : dict set -> FilterSetData
    """
    responses = assumed or scene.responses
    data = {}
    for name in sets:
        image = scene.stacks[name]
        if flat is None:
            image = replace(image, value=(image.value - scene.sky[name]).astype(np.float32))
        else:
            image = flat[name].image
        data[name] = FilterSetData(name, image, scene.transmissions[name], tuple(responses[c] for c in "RGB"))
    narrow = [data["duo"]] if "duo" in data else []
    lines = [LINES[name] for name in LINE_NAMES]
    return solve_lines(data.get("broad"), narrow, lines, refine=assumed is not None, **options), data


def noisy_and_quiet(scene, quiet_scene, **how):
    """Solutions of a scene with and without noise, unfilled, with the kernels that the noisy one was matched by.

    Kernels, laws of starlight and cross-talk are measured in noise, too. What they err by is one and the same for all
    pixels: it shows as what stars leave, as continuum and as leakage, each of which is a figure of its own, and grows with the
    light itself. So it is no part of VARIANCE.

    Returns
    -------
    noisy : LineSolution
    quiet : LineSolution without noise, by the laws and the cross-talk of the noisy one
    own : LineSolution without noise, by its own
    """
    matched, kept = [], {}

    def match(value, variance, valid, stars):
        if not matched:
            matched.append(match_planes(value, variance, valid, stars))
            return matched[0]
        kernels = matched[0].kernels
        planes = [convolved(plane, k) for plane, k in zip(value, kernels, strict=True)]
        spread = [convolved(plane, k) for plane, k in zip(variance, kernels, strict=True)]
        return replace(matched[0], value=np.array(planes), variance=np.array(spread))

    def solution(of):
        return solved(of, clean=False, haloes=False, **how)[0]

    def keeping(name):
        measure = getattr(line_solution, name)

        def measured(*arguments):
            if name not in kept:
                kept[name] = measure(*arguments)
            return kept[name]

        return mock.patch.object(line_solution, name, measured)

    with mock.patch.object(line_solution, "match_planes", match):
        with keeping("starlight_laws"), keeping("refined_mixing"):
            noisy, quiet = solution(scene), solution(quiet_scene)
        return noisy, quiet, solution(quiet_scene)


def star_free(scene, radius=8):
    """(ny, nx) bool: away from stars and edges."""
    shape = next(iter(scene.lines.values())).shape
    mask = np.zeros(shape, bool)
    mask[16:-16, 16:-16] = True
    yy, xx = np.mgrid[: shape[0], : shape[1]]
    for x, y in zip(scene.stars["x"], scene.stars["y"], strict=True):
        mask &= (xx - x) ** 2 + (yy - y) ** 2 > radius**2
    return mask


def coupling(scene, solution, mask):
    """dict line -> Coupling, over the pixels of ``mask`` that are measured, not filled.

    The standard errors are those of a jackknife over blocks of the field (Tukey 1958; from memory): noise, and what single stars do.
    """
    out = {}
    mask = mask & ~solution.filled
    ny, nx = mask.shape
    block = (np.arange(ny) * JACKKNIFE // ny)[:, None] * JACKKNIFE + np.arange(nx) * JACKKNIFE // nx
    block = block[mask]
    for j, name in enumerate(LINE_NAMES):
        other = LINE_NAMES[1 - j]
        dust = scene.dust["duo"][scene.owner[name]][mask]
        planes = (scene.lines[name][mask], scene.lines[other][mask], dust, np.ones(mask.sum()))
        # A line or continuum that is not there has no share.
        present = [np.ptp(plane) > 0 or i == 3 for i, plane in enumerate(planes)]
        terms = np.column_stack([plane for plane, use in zip(planes, present, strict=True) if use])
        found = solution.lines[j][mask]
        parts = [terms[block == b] for b in range(JACKKNIFE**2)]
        normal = np.array([part.T @ part for part in parts])
        right = np.array([part.T @ found[block == b] for b, part in enumerate(parts)])
        values, errors = np.full(4, np.nan), np.full(4, np.nan)
        values[present] = np.linalg.solve(normal.sum(axis=0), right.sum(axis=0))
        without = np.linalg.solve(normal.sum(axis=0) - normal, (right.sum(axis=0) - right)[..., None])[..., 0]
        errors[present] = np.std(without, axis=0) * np.sqrt(len(parts) - 1)
        out[name] = Coupling(*values[:3], tuple(errors[:3]))
    return out


def gain_spread(scene, solution, mask, name, *, noise=0.0):
    """Standard deviation of the gain over nine fields of the image that hold gas.

    Parameters
    ----------
    noise : (ny, nx) what of the map is noise, if that is not to count: faint gas in a ninth of a small field may be known to
        1 % only
    """
    truth, found = scene.lines[name], solution.lines[LINE_NAMES.index(name)] - noise
    ny, nx = mask.shape
    gains = []
    for rows in np.array_split(np.arange(ny), 3):
        for columns in np.array_split(np.arange(nx), 3):
            part = np.ix_(rows, columns)
            use = mask[part] & (truth[part] > 0.15 * np.quantile(truth, 0.995))
            if use.sum() > 1000:
                gains.append(np.polyfit(truth[part][use], found[part][use], 1)[0])
    return float(np.std(gains)) if len(gains) > 1 else np.nan


def star_residues(scene, solution, name):
    """Light that isolated stars leave in a line map over their narrowband light, both in one aperture: (n,) float64.

    Stars without a neighbour of 1 % of their light within four widths, bright enough that noise is below 1 %.
    """
    return _residues_and_noise(scene, solution, name)[0]


def star_noise(scene, solution, name):
    """Median of |residue| of the same stars that noise alone would make: what no law of starlight could be below."""
    noise = _residues_and_noise(scene, solution, name)[1]
    return np.median(np.abs(noise[:, None] * _NORMAL)) if noise.size else np.nan


def _residues_and_noise(scene, solution, name):
    j, c = LINE_NAMES.index(name), scene.owner[name]
    x, y, flux = scene.stars["x"], scene.stars["y"], scene.stars["duo"][c]
    fwhm = max(scene.fwhm.values())
    alone = np.ones(x.size, bool)
    for a, b in cKDTree(np.column_stack([x, y])).query_pairs(4 * fwhm):
        alone[a] &= flux[b] < 0.01 * flux[a]
        alone[b] &= flux[a] < 0.01 * flux[b]
    error = solution.lines[j] - scene.lines[name]
    ny, nx = error.shape
    out = []
    for s in np.flatnonzero(alone):
        x0, y0 = int(x[s]), int(y[s])
        reach = int(np.ceil(4 * fwhm))
        if not (reach < x0 < nx - reach - 1 and reach < y0 < ny - reach - 1):
            continue
        window = np.s_[y0 - reach : y0 + reach + 1, x0 - reach : x0 + reach + 1]
        r = np.hypot(
            *np.mgrid[-reach : reach + 1, -reach : reach + 1]
            - np.array([y[s] - y0, x[s] - x0])[:, None, None]
        )
        core, ring = r <= APERTURE_FWHM * fwhm, (r > 2.5 * fwhm) & (r <= 4 * fwhm)
        noise = np.sqrt(np.sum(solution.line_variance[j][window][core]))
        light = 0.9 * flux[s]
        if light < RESIDUE_SIGMA * noise:
            continue
        cut = error[window]
        out.append(((cut[core] - np.median(cut[ring])).sum() / light, noise / light))
    return np.array(out).reshape(-1, 2).T


def noise_figures(scene, solution, quiet, name):
    """Noise of a line map over the bound of generalised least squares, and over its own VARIANCE.

    Parameters
    ----------
    solution : of the scene
    quiet : of the same scene without noise; the difference is noise alone

    Returns
    -------
    over_bound, over_variance : float, ratios of standard deviations
    error : their relative standard error
    least : the first for the best estimate by the mixing that the solution was made with. Where a line is not there its
        mixing is that of curves, and no data can tell how far these are off: its two channels are weighed by them
    """
    j = LINE_NAMES.index(name)
    noise = np.where(solution.filled | quiet.filled, 0.0, solution.lines[j] - quiet.lines[j])
    part = np.s_[APART_PX:-APART_PX:APART_PX, APART_PX:-APART_PX:APART_PX]
    clean = ndimage.gaussian_filter((solution.filled | quiet.filled).astype(float), WINDOW_PX)[part] < 0.01
    smooth = ndimage.gaussian_filter(noise, WINDOW_PX)[part][clean]
    # A mean under a Gaussian window of sigma S has the variance of a pixel over 4 pi S^2. Each window is held against
    # what is expected of it, and outliers are clipped: a few hold stars, whose remnants differ between the two solutions.
    smooth = smooth * np.sqrt(4 * np.pi) * WINDOW_PX
    stated = ndimage.gaussian_filter(solution.line_variance[j], WINDOW_PX)[part][clean]
    bound = _bound(scene, scene.mixing, j, part, clean)
    used = {
        name: np.array([row for (owner, _), row in solution.notes["mixing"].items() if owner == name])
        for name in scene.mixing
    }
    least = np.median(_bound(scene, used, j, part, clean) / bound)
    over_bound, over_variance = (clipped_stats(smooth / scale)[2] for scale in (bound, np.sqrt(stated)))
    # Of a standard deviation of n independent values; those of neighbouring windows correlate by 0.2, their squares by 0.04.
    return over_bound, over_variance, 1 / np.sqrt(2 * smooth.size), least


def _bound(scene, mixing, j, part, clean):
    """(n,) standard deviation of the best linear unbiased estimate with a mixing (Gauss-Markov), by window."""
    sets = list(scene.stacks)
    ratio = np.concatenate([scene.dust_ratio[name] for name in sets])
    design = np.zeros((3 * len(sets), 3 + len(LINE_NAMES)))
    for d in range(len(design)):
        design[d, d % 3] = ratio[d]
    design[:, 3:] = np.concatenate([mixing[name] for name in sets])
    variance = np.concatenate([scene.stacks[name].variance for name in sets])
    planes = np.array([ndimage.gaussian_filter(v, WINDOW_PX)[part][clean] for v in variance])
    found = [
        np.linalg.inv((design / planes[:, i, None]).T @ design)[3 + j, 3 + j] for i in range(planes.shape[1])
    ]
    return np.sqrt(found)
