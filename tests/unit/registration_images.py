"""Pairs of rendered frames of one field, to be measured and registered as the pipeline does it.

Where ``registration_cases`` makes star lists, this makes pixels: stars, photon noise, particle hits, a nebula with knots,
trails and cloud; which of it becomes a star of the list is up to detection and vetting.
"""

from dataclasses import dataclass
from itertools import cycle, islice, product

import numpy as np

from pipeline.numerics.frame_measurement import measure_frame
from pipeline.numerics.moffat import noise_area
from pipeline.numerics.pose import Pose
from pipeline.numerics.registration import register
from pipeline.stages.register_filter_set import star_list
from tests.unit.registration_cases import LIMITS
from tests.unit.star_frames import (
    EXPOSURE_S,
    MEASURE,
    READ_NOISE_E,
    SKY_E_S,
    STAMP_PX,
    random_stars,
    star_frame,
)

SHAPE = (560, 800)
MEGAPIXELS = SHAPE[0] * SHAPE[1] / 1e6
EDGE_PX = 20

STAR_COUNTS = (20, 60, 250)
OVERLAPS = (1.0, 0.7, 0.4)
SEEINGS_PX = (2.0, 4.0, 8.0)
CLOUDS = (0.0, 0.7)
HITS_PER_MEGAPIXEL = (0, 60)

SURE_SNR = 15.0
"""A star of this signal-to-noise ratio in the luminance is one that any list should hold: some twice the limit of the list."""


@dataclass(frozen=True)
class RenderedCase:
    """Two measured frames and the truth.

    Attributes
    ----------
    source, target : StarList, or None where no star was measured
    truth : Pose of the source on the target
    common : (n, 2) true source positions of the stars that both lists should hold
    labels : dict of the point of the grid
    """

    source: object
    target: object
    truth: Pose
    common: np.ndarray
    labels: dict

    def registered(self, random_seed):
        """(Registration or None, problem) of the two lists."""
        if self.source is None or self.target is None:
            return None, "no stars measured"
        return register(self.source, self.target, SHAPE, LIMITS, random_seed=random_seed)

    def error_px(self, pose):
        """Largest displacement over the middle half of the frame."""
        ny, nx = SHAPE
        x, y = np.meshgrid((0.25 * nx, 0.5 * nx, 0.75 * nx), (0.25 * ny, 0.5 * ny, 0.75 * ny))
        here, there = (np.array(each.forward(x.ravel(), y.ravel())) for each in (pose, self.truth))
        return float(np.hypot(*(here - there)).max())


def rendered_cases(count, *, seed):
    """The first ``count`` cases, in an order that spreads them over the grid."""
    points = list(product(STAR_COUNTS, OVERLAPS, SEEINGS_PX, CLOUDS, HITS_PER_MEGAPIXEL))
    np.random.default_rng(seed).shuffle(points)
    for number, point in enumerate(islice(cycle(points), count)):
        yield rendered_case(*point, rng=np.random.default_rng([seed, number]))


def rendered_case(stars, overlap, seeing_px, cloud, hits, *, rng):
    """One pair: the target is clear and steady, the source has the seeing, the cloud and a trail."""
    truth = _pose(rng, overlap)
    ny, nx = SHAPE
    corners = np.array([[0, 0], [nx, 0], [0, ny], [nx, ny]], dtype=float)
    reach = np.vstack([corners, np.column_stack(truth.forward(*corners.T))])
    low, high = reach.min(axis=0), reach.max(axis=0)
    area = np.prod(high - low)
    x, y, flux = random_stars((1, 1), int(stars * area / (ny * nx)), seed=rng.integers(2**32), faintest=60.0)
    sky = low + (high - low) * np.column_stack([x, y])
    knots = low + (high - low) * rng.uniform(0.2, 0.8, (6, 2))
    target, seen = _rendered(sky, flux, knots, 3.0, 1.0, hits, rng, trail=False)
    moved = np.column_stack(truth.inverse(*sky.T))
    moved_knots = np.column_stack(truth.inverse(*knots.T))
    source, also_seen = _rendered(moved, flux, moved_knots, seeing_px, 1 - cloud, hits, rng, trail=True)
    labels = {"stars": stars, "overlap": overlap, "seeing": seeing_px, "cloud": cloud, "hits": hits}
    return RenderedCase(source, target, truth, moved[seen & also_seen], labels)


def _pose(rng, overlap):
    """Any rotation, scale within 3 %, and a shift along the long side that leaves about ``overlap`` in common."""
    ny, nx = SHAPE
    angle, scale = rng.uniform(-np.pi, np.pi), rng.uniform(0.97, 1.03)
    matrix = scale * np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    centre = np.array([0.5 * (nx - 1), 0.5 * (ny - 1)])
    shift = np.array([(1 - overlap) * nx, 0.0]) * rng.choice((-1, 1)) + rng.uniform(-9, 9, 2)
    return Pose.from_matrix(np.column_stack([matrix, centre + shift - matrix @ centre]), SHAPE)


def _rendered(xy, flux, knots, fwhm_px, transparency, hits, rng, *, trail):
    """(StarList or None, which stars it should hold) of one frame, drawn and measured."""
    ny, nx = SHAPE
    rows, columns = np.mgrid[:ny, :nx]
    extra = sum(
        1.5 * transparency * np.exp(-((columns - u) ** 2 + (rows - v) ** 2) / (2 * size**2))
        for (u, v), size in zip(knots, (6.0, 9.0, 12.0, 20.0, 40.0, 90.0), strict=True)
    )
    if trail:
        angle, where = rng.uniform(0, np.pi), rng.uniform(0.3, 0.7) * np.array([nx, ny])
        across = (columns - where[0]) * np.sin(angle) - (rows - where[1]) * np.cos(angle)
        extra = extra + 8.0 * np.exp(-(across**2) / (2 * (fwhm_px / 2.355) ** 2))
    near = ((xy > -STAMP_PX + 1) & (xy < (nx + STAMP_PX - 1, ny + STAMP_PX - 1))).all(axis=1)
    frame = star_frame(
        *xy[near].T,
        transparency * flux[near],
        shape=SHAPE,
        fwhm=fwhm_px,
        seed=rng.integers(2**32),
        extra=extra,
    )
    for _ in range(rng.poisson(hits * MEGAPIXELS)):
        v, u = rng.integers(8, ny - 8), rng.integers(8, nx - 8)
        turn = rng.uniform(0, np.pi)
        for k in range(rng.integers(1, 7)):
            frame.value[int(v + k * np.sin(turn)), int(u + k * np.cos(turn))] += rng.uniform(5, 60)
    stars = measure_frame(frame.value, frame.bad, frame.saturated, frame.cfa, frame.noise, MEASURE).stars
    # A quarter of red, half of green, a quarter of blue, each of its own share; all alike give the noise.
    sigma = np.sqrt(SKY_E_S / EXPOSURE_S + (READ_NOISE_E / EXPOSURE_S) ** 2) * np.sqrt(
        noise_area(fwhm_px, 3.0)
    )
    inside = ((xy > EDGE_PX) & (xy < (nx - EDGE_PX, ny - EDGE_PX))).all(axis=1)
    return _list(stars), inside & (0.72 * transparency * flux / sigma > SURE_SNR)


def _list(stars):
    if not stars:
        return None
    reliable = stars["flags"] == 0
    return star_list({name: values[reliable] for name, values in stars.items()})
