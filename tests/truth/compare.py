"""Figures of a finished run against the simulator's truth."""

import json
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from astropy.io import fits
from astropy.table import Table
from scipy import ndimage

from demo_inputs.nights.geometry import Pose as TruePose
from demo_inputs.nights.scene import build_scene
from demo_inputs.nights.sensor import optics_flat
from pipeline.fitsio import read_image, read_linear
from pipeline.layout import Layout
from pipeline.numerics.pose import Pose
from pipeline.numerics.robust import mad_std
from pipeline.numerics.stack_stars import aperture_flux
from pipeline.plan import load_session
from pipeline.qa import read_record
from pipeline.tables import read_table

__all__ = ["Figure", "Run", "all_figures"]

BLOCK_PX = 8
"""Blocks on which noise and maps are compared."""

BARE_SKY = 0.1
"""Gas and dust below this share of the sky's glow add less than 5 % to its noise."""

BRIGHT_SIGMA = 50.0
"""Stars above this are held to the flux bounds."""


@dataclass(frozen=True)
class Figure:
    """One figure, its bound and the reason for the bound."""

    name: str
    value: float
    bound: float
    reason: str
    at_least: bool = False

    @property
    def holds(self):
        return bool(self.value >= self.bound) if self.at_least else bool(self.value <= self.bound)


class Run:
    """A finished run beside its truth, on the anchor's grid."""

    def __init__(self, results, truth, frames):
        self.layout, self.frames = Layout(results), str(frames)
        self.truth = json.loads((Path(truth) / "truth.json").read_text(encoding="utf-8"))
        with fits.open(Path(truth) / "truth.fits") as hdus:
            self.maps = {
                name: hdus[name.upper()].data.astype(np.float64) for name in ("h_alpha", "oxygen", "dust")
            }
            self.stars = Table(hdus["STARS"].data)
        self.scene = build_scene(self.truth["scene"])
        self.lights = {light["path"]: light for light in self.truth["lights"]}
        self.anchor = json.loads(self.layout.anchor().read_text(encoding="utf-8"))
        self.shape = (self.anchor["height"], self.anchor["width"])
        self.processed = {
            str(Path(row["path"]).relative_to(self.frames))
            for _, table in self.frame_tables()
            for row in table
        }
        self.anchor_pose = self.true_pose(self.light(self.anchor["path"]))

    def light(self, path):
        """Truth of a light by the path that the pipeline knows it by."""
        return self.lights[str(Path(path).relative_to(self.frames))]

    def true_pose(self, light):
        pose = light["pose"]
        return TruePose(
            pose["scale"], pose["rotation_rad"], tuple(pose["shift"]), self.shape, tuple(pose["lateral"])
        )

    def reference(self, filter_set):
        """Truth of the reference frame of a filter set: its air is that of the stack."""
        return self.light(read_table(self.layout.link(filter_set)).meta["path"])

    def on_anchor(self, name, *, fwhm_px):
        """A true map on the anchor's grid, blurred to ``fwhm_px``, in units of the peak of the map."""
        y, x = np.mgrid[: self.shape[0], : self.shape[1]].astype(np.float64)
        sx, sy = self.anchor_pose.to_sky(x, y)
        ox, oy = self.truth["map_origin"]
        plane = ndimage.map_coordinates(self.maps[name], [sy - oy, sx - ox], order=1, mode="constant")
        return ndimage.gaussian_filter(plane, fwhm_px / 2.3548) / self.anchor_pose.scale**2

    def flat_mean(self, filter_set):
        """What a flat field of mean 1 takes off all rates: light lost to vignetting and dust, on average."""
        return float(optics_flat(self.scene, filter_set).mean())

    def sets(self):
        """Filter set name -> role, of those that have a flattened stack."""
        return [path.stem for path in sorted((self.layout.root / "flat").glob("*.fits"))]

    def frame_tables(self):
        for path in sorted((self.layout.root / "sessions").glob("*/frames.ecsv")):
            yield load_session(self.layout.session_plan(path.parent.name)), read_table(path)


def registration(run):
    """Pose errors of good lights over a grid of the field, and lights that were lost."""
    errors, lost, good = [], 0, 0
    grid_y, grid_x = (axis.ravel() for axis in np.mgrid[0 : run.shape[0] - 1 : 7j, 0 : run.shape[1] - 1 : 9j])
    for plan, table in run.frame_tables():
        for row in table:
            light = run.light(row["path"])
            if light["spoiled"] in ("defocus", "trailed"):
                continue
            good += 1
            if row["verdict"] != "accept":
                lost += 1
                continue
            sky = run.true_pose(light).to_sky(grid_x, grid_y)
            expected = run.anchor_pose.to_frame(*sky)
            found = Pose.from_row(row["pose"], (plan.height, plan.width)).forward(grid_x, grid_y)
            errors.append(np.median(np.hypot(found[0] - expected[0], found[1] - expected[1])))
    return [
        Figure("good lights not registered", lost, 0, "every good light counts"),
        Figure(
            "pose error, median of lights (px)",
            float(np.median(errors)),
            0.15,
            "a twentieth of a star's width",
        ),
        Figure(
            "pose error, worst light (px)",
            float(np.max(errors)),
            0.3,
            "a tenth of a star's width is not seen",
        ),
    ]


def spoiled(run):
    """Whether each spoiled light was rejected, or weighs less, for the right reason."""
    words = {"cloud": "cloud", "defocus": "focus", "trailed": "trailed"}
    wrong = 0
    for _, table in run.frame_tables():
        weight = [name for name in table.colnames if name.startswith("weight_")]
        for row in table:
            kind = run.light(row["path"])["spoiled"]
            if not kind:
                continue
            usual = np.median([table[name] for name in weight])
            lighter = row["verdict"] == "reject" or np.median([row[name] for name in weight]) < 0.5 * usual
            wrong += not (lighter and words[kind] in str(row["reason"]))
    return [Figure("spoiled lights not dealt with", wrong, 0, "each has a cause that its stars show")]


def star_fluxes(run, filter_set):
    """Scatter of stack flux over true flux, and of colours, for bright isolated stars."""
    image = read_linear(run.layout.stack(filter_set))
    # By the seeing of the nights: what a stage says of widths must not choose the stars that it is judged by.
    fwhm = np.median([light["fwhm_px"] for light in run.truth["lights"] if light["filter"] == filter_set])
    reference = run.reference(filter_set)
    x, y = run.anchor_pose.to_frame(np.asarray(run.stars["x"]), np.asarray(run.stars["y"]))
    margin = 30
    inside = (x > margin) & (y > margin) & (x < run.shape[1] - margin) & (y < run.shape[0] - margin)
    rates = np.asarray(run.stars[f"rate_{filter_set}"])
    total = rates.sum(axis=1)
    alone = _isolated(x, y, total, radius=4.5 * fwhm)
    pick = inside & alone
    x, y, rates = x[pick], y[pick], rates[pick]
    throughput = np.array(reference["throughput"]["dust"])
    ratios, strong = [], np.ones(x.size, dtype=bool)
    # Clipped stars have no flux to compare: neither in the sum of stars nor in any channel.
    iy, ix = np.rint(y).astype(int), np.rint(x).astype(int)
    for c in range(image.shape[0]):
        whole = ndimage.minimum_filter(image.coverage[c], 9) > 0.7 * np.median(image.coverage[c])
        strong &= whole[iy, ix]
        flux, error = aperture_flux(image.value[c], image.variance[c], x, y, radius_px=1.8 * fwhm)
        ratios.append(flux / (rates[:, c] * throughput[c]))
        strong &= flux > BRIGHT_SIGMA * error
    ratios = np.array(ratios)[:, strong]
    colours = [ratios[i] / ratios[1] for i in range(len(ratios)) if i != 1] if len(ratios) == 3 else []
    return [
        Figure(f"{filter_set}: stars compared", int(strong.sum()), 20, "enough for a scatter", at_least=True),
        Figure(
            f"{filter_set}: flux scatter", max(float(mad_std(r / np.median(r))) for r in ratios), 0.03,
            "50 sigma allow 2 %, crowding and flats the rest",
        ),
        *(
            Figure(f"{filter_set}: colour scatter {n}", float(mad_std(c / np.median(c))), 0.03, "two fluxes of 50 sigma: 2.8 %")
            for n, c in zip(("R/G", "B/G"), colours, strict=False)
        ),
        *(
            Figure(
                f"{filter_set}: colour offset {n}", abs(float(np.median(c)) - 1), 0.02,
                "extinction of the reference is divided out for the usual star",
            )
            for n, c in zip(("R/G", "B/G"), colours, strict=False)
        ),
    ]  # fmt: skip


def line_maps(run):
    """Leakage between the maps and from the continuum, gain and its constancy."""
    set_name = run.truth["scene"]["nebula"]["with_lines"]
    metrics = read_record(run.layout.qa("lines", "lines"))["metrics"]
    fwhm = metrics["psf_target_fwhm_px"]
    reference, rates = run.reference(set_name), run.truth["rates"][set_name]["diffuse"]
    owner = {"h_alpha": 0, "oxygen": 1} if len(run.truth["channels"]) == 3 else {"h_alpha": 0, "oxygen": 0}
    true = {
        name: run.on_anchor(name, fwhm_px=fwhm)
        * rates[name][c]
        * reference["throughput"][name][c]
        * run.flat_mean(set_name)
        for name, c in owner.items()
    }
    dust = run.on_anchor("dust", fwhm_px=fwhm)
    figures = []
    for line, name, other in (("Ha", "h_alpha", "oxygen"), ("OIII", "oxygen", "h_alpha")):
        found = read_image(run.layout.line(line))
        known = np.isfinite(read_image(run.layout.line(line), "VARIANCE")) & (
            read_image(run.layout.line(line), "FILLED") == 0
        )
        c = owner[name]
        continuum = dust * rates["dust"][c] * reference["throughput"]["dust"][c]
        blocks = [_blocks(plane, known) for plane in (found, true[name], true[other], continuum)]
        use = np.isfinite(blocks).all(axis=0)
        design = np.stack([np.ones(use.sum()), *(plane[use] for plane in blocks[1:])], axis=1)
        _, gain, leak, starlight = np.linalg.lstsq(design, blocks[0][use], rcond=None)[0]
        figures += [
            Figure(
                f"{line}: gain error", abs(gain - 1), 0.05, "the curves of the sensor are only typical ones"
            ),
            Figure(f"{line}: leakage of the other line", abs(leak), 0.03, "seen as a wrong hue above this"),
            Figure(
                f"{line}: leakage of continuum, of the broadband's",
                abs(starlight) * _share(run, set_name, c),
                0.05,
                "dust glows red above this",
            ),
            Figure(
                f"{line}: gain change over the field",
                _gain_spread(blocks[0], blocks[1] * gain, use),
                0.05,
                "flat fields and scale hold everywhere",
            ),
        ]
    return figures


def background(run, filter_set):
    """What is left of the gradient, and the gain of the nebula after flattening."""
    image = read_linear(run.layout.flat(filter_set))
    metrics = read_record(run.layout.qa("lines", "lines"))["metrics"]
    reference, rates = run.reference(filter_set), run.truth["rates"][filter_set]["diffuse"]
    worst, gains = 0.0, []
    for c in range(image.shape[0]):
        truth = sum(
            run.on_anchor(name, fwhm_px=metrics["psf_target_fwhm_px"])
            * rates[name][c]
            * reference["throughput"][name][c]
            for name in run.maps
        )
        truth = truth * run.flat_mean(filter_set)
        free = _star_free(run, filter_set, c)
        found, true = _blocks(image.value[c], free, size=32), _blocks(truth, free, size=32)
        use = np.isfinite(found) & np.isfinite(true)
        iy, ix = np.nonzero(use)
        u, v = ix / found.shape[1] - 0.5, iy / found.shape[0] - 0.5
        terms = np.stack([np.ones(u.size), u, v, u * u, u * v, v * v, true[use]], axis=1)
        weight = np.ones(u.size)
        for _ in range(5):
            solution = np.linalg.lstsq(terms * weight[:, None], found[use] * weight, rcond=None)[0]
            residual = found[use] - terms @ solution
            weight = (np.abs(residual) < 3.5 * mad_std(residual)).astype(float)
        surface = terms[:, 1:6] @ solution[1:6]
        low, high = np.quantile(true[use][true[use] > 0.02 * true[use].max()], (0.1, 0.9))
        worst = max(worst, float(np.ptp(surface) / (high - low)))
        gains.append(solution[6])
    return [
        Figure(f"{filter_set}: residual gradient / nebula range", worst, 0.10, "a tenth of the object is hard to see"),
        Figure(f"{filter_set}: nebula gain error", float(np.max(np.abs(np.array(gains) - 1))), 0.05, "the sky model must not eat the nebula"),
    ]  # fmt: skip


def noise(run, filter_set):
    """Noise of 8 x 8 blocks of bare sky in the stack over that of the best mean of the simulator's own lights.

    Nothing that the pipeline says of itself enters: measured from the pixels of the stack, held against the simulator's
    sky, camera, air and flat field.
    """
    image = read_linear(run.layout.stack(filter_set))
    reference, rates = run.reference(filter_set), run.truth["rates"][filter_set]["diffuse"]
    fwhm = reference["fwhm_px"]
    ratios = []
    for c in range(image.shape[0]):
        gas = run.flat_mean(filter_set) * sum(
            run.on_anchor(name, fwhm_px=fwhm) * rates[name][c] * reference["throughput"][name][c]
            for name in run.maps
        )
        bare = _away_from_stars(run, filter_set, c, fwhm) & (gas < BARE_SKY * reference["sky_e_s"][c])
        bare &= image.coverage[c] > 0.9 * np.median(image.coverage[c])
        mean = _blocks(image.value[c] - gas, bare)
        ideal = _ideal_block_noise(run, filter_set, c, mean.shape)
        # Blocks two apart share no pixel of the sensor; their difference is free of gradients.
        apart = (mean[:, 2:] - mean[:, :-2]) / np.hypot(ideal[:, 2:], ideal[:, :-2])
        ratios.append(float(mad_std(apart[np.isfinite(apart)])))
    return [
        Figure(
            f"{filter_set}: noise of 8x8 blocks / ideal",
            max(ratios),
            1.25,
            "weights, rejection, sampling and the noise of the masters may cost so much",
        )
    ]


def _ideal_block_noise(run, filter_set, channel, shape):
    """Standard error of a block by inverse-variance weights of every light that is not spoiled for good.

    A pixel of a light varies by (rate + dark current + read noise^2 / t) / t, and is divided by the flat field and by
    the air's share (Poisson statistics and propagation of errors).
    """
    camera, exposure = run.scene.camera, run.scene.exposure_s
    cell = run.truth["scene"]["image"]["cfa"]
    density = cell.count("RGB"[channel]) / 4 if cell != "mono" else 1.0
    reference = run.reference(filter_set)["throughput"]["dust"][channel]
    flat, mean = optics_flat(run.scene, filter_set).astype(np.float64), run.flat_mean(filter_set)
    ny, nx = run.shape
    y, x = np.mgrid[: shape[0], : shape[1]] * float(BLOCK_PX) + (BLOCK_PX - 1) / 2
    sky_x, sky_y = run.anchor_pose.to_sky(x, y)
    weight = np.zeros(shape)
    for light in run.lights.values():
        if light["filter"] != filter_set or light["spoiled"] in ("defocus", "trailed"):
            continue
        if light["path"] not in run.processed:
            continue
        fx, fy = run.true_pose(light).to_frame(sky_x, sky_y)
        inside = (fx > 0) & (fy > 0) & (fx < nx - 1) & (fy < ny - 1)
        ix, iy = (np.clip(np.rint(p).astype(int), 0, n - 1) for p, n in ((fx, nx), (fy, ny)))
        u, v = ((p - 0.5 * (n - 1)) / (0.5 * np.hypot(nx, ny)) for p, n in ((fx, nx), (fy, ny)))
        gx, gy, curvature = light["gradient"]
        glow = light["sky_e_s"][channel] * (1.0 + gx * u + gy * v + curvature * (u * u + v * v))
        rate = glow * flat[iy, ix] + camera.dark_current_e_s + camera.read_noise_e**2 / exposure
        air = light["throughput"]["dust"][channel] / reference
        weight += inside * (flat[iy, ix] / mean * air) ** 2 * exposure / rate
    return 1.0 / np.sqrt(np.where(weight > 0, weight, np.nan) * density * BLOCK_PX**2)


def bad_files(run):
    """Unusable files that were not quarantined."""
    inventory = json.loads(run.layout.inventory().read_text(encoding="utf-8"))
    caught = {str(Path(entry["path"]).relative_to(run.frames)) for entry in inventory["quarantined"]}
    page = run.layout.report().read_text(encoding="utf-8")
    missing = [path for path in run.truth["bad_files"] if path not in caught or Path(path).name not in page]
    extra = caught - set(run.truth["bad_files"])
    return [
        Figure(
            "unusable files not quarantined or not in the report",
            len(missing),
            0,
            "each is named with its reason",
        ),
        Figure("good files quarantined", len(extra), 0, "no good frame is lost"),
    ]


def memory(run):
    """Peak memory over all jobs."""
    peaks = [read_record(path)["peak_rss_mb"] for path in (run.layout.root / "qa").glob("*/*.json")]
    return [Figure("peak memory of a job (GB)", max(peaks) / 1000, 2.0, "a small home server")]


def all_figures(run):
    """Every figure of a run."""
    figures = [*registration(run), *spoiled(run), *bad_files(run), *memory(run)]
    for filter_set in run.sets():
        figures += [*star_fluxes(run, filter_set), *background(run, filter_set), *noise(run, filter_set)]
    return [*figures, *line_maps(run)]


def _isolated(x, y, flux, *, radius):
    from scipy.spatial import cKDTree

    alone = np.ones(x.size, dtype=bool)
    for i, j in cKDTree(np.column_stack([x, y])).query_pairs(radius):
        if flux[j] > 0.02 * flux[i]:
            alone[i] = False
        if flux[i] > 0.02 * flux[j]:
            alone[j] = False
    return alone


def _blocks(plane, use, size=BLOCK_PX):
    ny, nx = (n // size for n in plane.shape)

    def folded(values):
        return values[: ny * size, : nx * size].reshape(ny, size, nx, size).sum(axis=(1, 3))

    count = folded(use.astype(float))
    total = folded(np.where(use, plane, 0.0))
    return np.where(count >= 0.5 * size**2, total / np.maximum(count, 1), np.nan)


def _gain_spread(found, expected, use):
    """Relative change of the local gain over a 3 x 3 grid of the field, where there is enough gas."""
    gains = []
    ny, nx = found.shape
    for rows in np.array_split(np.arange(ny), 3):
        for columns in np.array_split(np.arange(nx), 3):
            part = np.ix_(rows, columns)
            good = use[part]
            f, e = found[part][good], expected[part][good]
            if (e > 0.15 * np.nanmax(expected)).sum() > 60:
                gains.append(np.polyfit(e, f, 1)[0])
    return float(mad_std(np.array(gains))) if len(gains) > 1 else 0.0


def _share(run, set_name, channel):
    """Narrow over broad continuum: a leak in units of the broadband's light."""
    names = [n for n in run.truth["rates"] if n != set_name and n in run.sets()]
    broad = min(names, key=lambda n: run.truth["rates"][n]["diffuse"]["dust"][channel]) if names else set_name
    return (
        run.truth["rates"][set_name]["diffuse"]["dust"][channel]
        / run.truth["rates"][broad]["diffuse"]["dust"][channel]
    )


def _away_from_stars(run, filter_set, channel, fwhm):
    """Pixels beyond 2.5 FWHM of the faintest star, and as far from others as their wings are brighter.

    The wings of a Moffat profile of beta 3 fall with the sixth power of the radius. What the wings leave is smooth
    from one block to the next.
    """
    x, y = run.anchor_pose.to_frame(np.asarray(run.stars["x"]), np.asarray(run.stars["y"]))
    flux = np.asarray(run.stars[f"rate_{filter_set}"])[:, channel]
    ny, nx = run.shape
    away = np.ones(run.shape, dtype=bool)
    for a, b, radius in zip(x, y, 2.5 * fwhm * (flux / flux.min()) ** (1 / 6), strict=True):
        rows = slice(max(int(b - radius), 0), max(int(b + radius) + 1, 0))
        columns = slice(max(int(a - radius), 0), max(int(a + radius) + 1, 0))
        if a - radius < nx and b - radius < ny:
            away[rows, columns] = False
    return away


def _star_free(run, filter_set, channel):
    """Pixels where true starlight and haloes are below a fiftieth of the sky's noise in a frame."""
    x, y = run.anchor_pose.to_frame(np.asarray(run.stars["x"]), np.asarray(run.stars["y"]))
    flux = np.asarray(run.stars[f"rate_{filter_set}"])[:, channel]
    ny, nx = run.shape
    free = np.ones(run.shape, dtype=bool)
    entry = run.truth["scene"]["filters"][filter_set]
    sky = run.reference(filter_set)["sky_e_s"][channel]
    order = (x > -60) & (x < nx + 60) & (y > -60) & (y < ny + 60) & (flux > 0.05 * sky)
    for a, b, f in zip(x[order], y[order], flux[order], strict=True):
        radius = min(4 + 3.0 * (f / sky) ** 0.3, 45)
        if f * entry["halo"] / (3.14 * entry["halo_radius_px"] ** 2) > 2e-3 * sky:
            radius = max(radius, entry["halo_radius_px"] + 4)
        y0, y1, x0, x1 = (
            int(max(b - radius, 0)),
            int(min(b + radius, ny - 1)),
            int(max(a - radius, 0)),
            int(min(a + radius, nx - 1)),
        )
        if y1 > y0 and x1 > x0:
            yy, xx = np.mgrid[y0 : y1 + 1, x0 : x1 + 1]
            free[y0 : y1 + 1, x0 : x1 + 1] &= np.hypot(xx - a, yy - b) > radius
    return free
