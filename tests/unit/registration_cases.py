"""Pairs of star lists over a grid of difficulty, with known truth; for the test and the benchmark of registration.

A case holds what two frames of one field show: stars with magnitudes down to a limit that cloud and seeing raise,
positions with the error that their light allows, and strangers that slipped through the vetting of detections: particle hits,
pieces of a trail, nebular knots that are seen in both frames but hardly have a place.
"""

from dataclasses import dataclass
from itertools import cycle, islice, product

import numpy as np

from pipeline.numerics.centroid import centroid_bound
from pipeline.numerics.pose import Pose
from pipeline.numerics.registration import Limits, StarList

SHAPE = (1400, 2100)
MEGAPIXELS = SHAPE[0] * SHAPE[1] / 1e6
CENTRE = np.array([0.5 * (SHAPE[1] - 1), 0.5 * (SHAPE[0] - 1)])

LIMITS = Limits(min_matched=6, max_residual_px=1.0, min_coverage=0.3, max_scale_difference=0.04)
"""The defaults, with the range of scale that is allowed between filter sets."""

COMMON_NEEDED = 12
"""From so many common stars on a pair has to be solved."""

WRONG_PX = 2.0
"""A pose that misplaces a star of the common field by more than this is wrong: no star image of 2 px would stack."""

VETTED_HITS = 0.1
"""Share of particle hits that look like stars to the vetting; measured below 0.05 in the tests of measuring."""

STAR_COUNTS = (10, 16, 24, 40, 80, 250, 800, 2000)
OVERLAPS = (1.0, 0.8, 0.6, 0.4)
SEEINGS_PX = (2.0, 4.0, 8.0)
CLOUDS = (0.0, 0.0, 0.7)
HITS_PER_MEGAPIXEL = (0, 10, 60)


@dataclass(frozen=True)
class Case:
    """Two lists and the truth.

    Attributes
    ----------
    source, target : StarList
    truth : Pose of the source on the target
    common : (n, 2) true source positions of the stars that are in both lists
    labels : dict of the point of the grid
    """

    source: StarList
    target: StarList
    truth: Pose
    common: np.ndarray
    labels: dict

    @property
    def solvable(self):
        """Whether a solution is owed."""
        return len(self.common) >= COMMON_NEEDED

    def error_px(self, pose):
        """Largest displacement of a common star (of the corners of the middle half, if there is none)."""
        places = self.common if len(self.common) else CENTRE + 0.25 * np.array([[-2100, -1400], [2100, 1400]])
        return np.hypot(*(np.array(pose.forward(*places.T)) - self.truth.forward(*places.T))).max()


def grid_cases(count, *, seed):
    """The first ``count`` cases of the grid, in an order that spreads them over all of it."""
    points = list(product(STAR_COUNTS, OVERLAPS, SEEINGS_PX, CLOUDS, HITS_PER_MEGAPIXEL))
    np.random.default_rng(seed).shuffle(points)
    # Every eighth of the list has all star counts, so that a short run is a fair sample of a long one.
    points.sort(key=lambda point: STAR_COUNTS.index(point[0]))
    per_count = len(points) // len(STAR_COUNTS)
    points = [points[k * per_count + j] for j in range(per_count) for k in range(len(STAR_COUNTS))]
    for number, point in enumerate(islice(cycle(points), count)):
        yield make_case(*point, rng=np.random.default_rng([seed, number]))


def make_case(stars, overlap, seeing_px, cloud, hits, *, rng):
    """One pair: the target is clear and steady, the source has the seeing, the cloud and the hits."""
    truth = random_pose(rng, overlap)
    corners = np.array([[0, 0], [SHAPE[1], 0], [0, SHAPE[0]], [SHAPE[1], SHAPE[0]]], dtype=float)
    reach = np.vstack([corners, np.column_stack(truth.forward(*corners.T))])
    low, high = reach.min(axis=0), reach.max(axis=0)
    density = stars / np.prod(SHAPE)
    n = rng.poisson(density * np.prod(high - low))
    # A uniform number in a frame would be too kind: the field of the target gets exactly as many as asked for.
    sky = rng.uniform(low, high, (n, 2))
    inside = _inside(sky)
    sky = np.vstack([sky[~inside], rng.uniform((0, 0), SHAPE[::-1], (stars, 2))])
    snr = 8.0 * 10 ** rng.exponential(0.6, len(sky))
    target, in_target = _seen(sky, snr, 3.0, rng)
    # Aperture noise goes with the width of the stars, their light with what the cloud lets through.
    source_snr = snr * (1 - cloud) * min(1.0, 3.0 / seeing_px)
    source, in_source = _seen(np.column_stack(truth.inverse(*sky.T)), source_snr, seeing_px, rng)
    common = np.column_stack(
        truth.inverse(
            *sky[np.isin(np.arange(len(sky)), in_target) & np.isin(np.arange(len(sky)), in_source)].T
        )
    )
    target = _with_strangers(target, hits, rng, trail=rng.random() < 0.3)
    source = _with_strangers(source, hits, rng, trail=rng.random() < 0.3)
    if rng.random() < 0.3:
        knots = rng.uniform((300, 300), (1800, 1100)) + rng.normal(0, 90, (8, 2))
        target = _add(target, knots + rng.normal(0, 3, knots.shape), rng)
        source = _add(source, np.column_stack(truth.inverse(*(knots + rng.normal(0, 3, knots.shape)).T)), rng)
    labels = {"stars": stars, "overlap": overlap, "seeing": seeing_px, "cloud": cloud, "hits": hits}
    return Case(_list(source), _list(target), truth, common, labels)


def random_pose(rng, overlap, *, mirrored=False):
    """Any rotation, scale within 3 %, and a shift that leaves about ``overlap`` of the field in common."""
    angle, scale = rng.uniform(-np.pi, np.pi), rng.uniform(0.97, 1.03)
    matrix = scale * np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    if mirrored:
        matrix = matrix @ np.diag([1.0, -1.0])
    along = rng.uniform(0, 1)
    # (1 - a)(1 - b) = overlap splits the loss between both axes.
    a = 1 - overlap**along
    b = 1 - overlap ** (1 - along)
    shift = np.array([a * SHAPE[1], b * SHAPE[0]]) * rng.choice((-1, 1), 2) + rng.uniform(-15, 15, 2)
    return Pose.from_matrix(np.column_stack([matrix, CENTRE + shift - matrix @ CENTRE]), SHAPE)


def unrelated_case(stars, *, rng):
    """Two fields without a common star."""
    lists = [
        _seen(rng.uniform((0, 0), SHAPE[::-1], (stars, 2)), 8 * 10 ** rng.exponential(0.6, stars), 3.0, rng)[
            0
        ]
        for _ in range(2)
    ]
    return Case(
        *(_list(each) for each in lists), Pose.identity(SHAPE), np.zeros((0, 2)), {"trap": "unrelated"}
    )


def mirrored_case(stars, *, rng):
    """One field, of which one frame is a mirror image."""
    truth = random_pose(rng, 1.0, mirrored=True)
    sky, snr = (
        rng.uniform((-800, -800), (2900, 2200), (6 * stars, 2)),
        8 * 10 ** rng.exponential(0.6, 6 * stars),
    )
    target, _ = _seen(sky, snr, 3.0, rng)
    source, _ = _seen(np.column_stack(truth.inverse(*sky.T)), snr, 3.0, rng)
    return Case(_list(source), _list(target), truth, np.zeros((0, 2)), {"trap": "mirrored"})


def pattern_case(stars, *, rng):
    """Unrelated or far dithered stars, and hot pixels at the same places of both frames, as bright as the stars."""
    case = unrelated_case(stars, rng=rng)
    pattern = rng.uniform((20, 20), (2080, 1380), (max(8, stars // 3), 2))
    lists = []
    for each in (case.source, case.target):
        columns = _add(_columns(each), pattern + rng.normal(0, 0.03, pattern.shape), rng)
        lists.append(_list(columns))
    return Case(*lists, Pose.identity(SHAPE), np.zeros((0, 2)), {"trap": "fixed pattern"})


def half_field_case(stars, *, rng):
    """The stars of one half agree, those of the other do not: a reflection, or another field shining in."""
    left = rng.uniform((10, 10), (1000, 1390), (stars, 2))
    snr = 8 * 10 ** rng.exponential(0.6, 2 * stars)
    lists = [
        _list(_seen(np.vstack([left, rng.uniform((1100, 10), (2090, 1390), (stars, 2))]), snr, 3.0, rng)[0])
        for _ in range(2)
    ]
    return Case(*lists, Pose.identity(SHAPE), np.zeros((0, 2)), {"trap": "half field"})


TRAPS = {
    "unrelated": unrelated_case, "mirrored": mirrored_case, "fixed pattern": pattern_case, "half field": half_field_case,
}  # fmt: skip
"""Pairs whose pose, if any is offered, must be refused."""


def _inside(xy):
    return ((xy > 5) & (xy < np.array(SHAPE[::-1]) - 6)).all(axis=1)


def _seen(xy, snr, fwhm_px, rng):
    """(columns, indices) of the stars that are on the frame and bright enough to be listed, with noise."""
    error = np.hypot(centroid_bound(fwhm_px, snr), 0.02)
    # A star near the limit is listed by chance.
    seen = _inside(xy) & (snr * rng.normal(1, 1 / np.maximum(snr, 1.0)) > 6.0)
    which = np.flatnonzero(seen)
    noisy = xy[which] + rng.normal(size=(len(which), 2)) * error[which, None]
    return (noisy, error[which], snr[which] * rng.normal(1, 0.05, len(which))), which


def _with_strangers(columns, hits, rng, *, trail):
    n = rng.poisson(VETTED_HITS * hits * MEGAPIXELS)
    columns = _add(columns, rng.uniform((5, 5), np.array(SHAPE[::-1]) - 6, (n, 2)), rng)
    if trail:
        start, end = rng.uniform((5, 5), np.array(SHAPE[::-1]) - 6, (2, 2))
        columns = _add(columns, start + (end - start) * rng.uniform(0, 1, (10, 1)), rng)
    return columns


def _add(columns, xy, rng):
    keep = _inside(xy)
    xy = xy[keep]
    snr = 8.0 * 10 ** rng.exponential(0.6, len(xy))
    extra = (xy, np.full(len(xy), 0.15), snr)
    return tuple(np.concatenate(pair) for pair in zip(columns, extra, strict=True))


def _columns(stars):
    return stars.xy, stars.error, np.linspace(100, 8, len(stars))


def _list(columns):
    xy, error, snr = columns
    order = np.argsort(-snr, kind="stable")
    return StarList(xy[order], error[order])
