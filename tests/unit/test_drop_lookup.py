"""Drops looked up from the output's side against the drops added one by one."""

import numpy as np
import pytest

from pipeline.numerics.cfa import Cfa
from pipeline.numerics.drizzle import drizzle, drop_side
from pipeline.numerics.drop_lookup import SLIVER_PX, look_up, node_spacing
from pipeline.numerics.frame_positions import Placement
from pipeline.numerics.pose import Pose
from pipeline.numerics.surface import PolynomialSurface

SHAPE = (330, 420)
SATURATED = 50.0
LEVEL = 3.0


def turned(degrees, *, scale=1.0, shift=(3.3, -2.6), bend=0.0):
    """A pose about the middle of the frame."""
    angle = np.radians(degrees)
    matrix = scale * np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    middle = 0.5 * (np.array(SHAPE[::-1]) - 1)
    pose = Pose.from_matrix(np.column_stack([matrix, middle - matrix @ middle + shift]), SHAPE)
    if not bend:
        return pose
    coefficients = pose.coefficients.copy()
    coefficients[:, 3:] = np.array([[1.0, 0.5, -1.0], [1.0, -1.0, 0.3]]) * bend
    return Pose("quadratic", coefficients, SHAPE)


def placed(pose, cfa, *, lateral=0.0):
    offsets = np.zeros((len(cfa.channels), 2, 3))
    offsets[0, 0], offsets[-1, 1] = (lateral, 0.0, lateral), (-lateral, lateral, 0.0)
    return Placement(pose, offsets)


def noisy_frame(seed, *, bad=True):
    rng = np.random.default_rng(seed)
    frame = rng.normal(10.0, 1.0, SHAPE).astype(np.float32)
    if bad:
        frame[rng.random(SHAPE) < 0.01] = np.nan
        frame[100:110, 200:207] = np.inf
    return frame


def looked_up(frame, cfa, placement, window, pixfrac, *, first=(0, 0), scale=1.0):
    n, (top, bottom, left, right) = len(cfa.channels), window
    values = np.full((n, bottom - top, 2, right - left), 7.0, dtype=np.float32)
    weights = np.full(values.shape, 7, dtype=np.uint8)
    look_up(
        frame, cfa, placement, window, spacing=node_spacing(placement, pixfrac), pixfrac=pixfrac, first=first,
        scale=np.full(n, scale), backgrounds=[PolynomialSurface(0, np.array([LEVEL]), 0.0, 0.0, 1.0)] * n,
        saturated=SATURATED, values=values, weights=weights, index=1,
    )  # fmt: skip
    # The rows of other frames are not touched.
    assert (values[:, :, 0] == 7.0).all()
    assert (weights[:, :, 0] == 7).all()
    return values[:, :, 1], weights[:, :, 1]


@pytest.mark.parametrize("pattern", ["RGGB", "GRBG", "mono"])
@pytest.mark.parametrize(
    ("pose", "lateral", "pixfrac"),
    [(turned(0.3), 0.0, 0.8), (turned(180.2), 0.4, 0.8), (turned(-2.0, scale=1.02, bend=0.05), 0.3, 0.7)],
)
def test_samples_are_those_of_the_drops(pattern, pose, lateral, pixfrac):
    cfa, window = Cfa(pattern), (0, SHAPE[0] + 20, 0, SHAPE[1])
    placement = placed(pose, cfa, lateral=lateral)
    frame = noisy_frame(1)
    expected, overlap = drizzle(frame, cfa, placement, window, pixfrac=pixfrac)
    values, weights = looked_up(frame, cfa, placement, window, pixfrac)
    expected -= LEVEL
    full = overlap * 255.0 / drop_side(placement, pixfrac) ** 2
    # A byte is rounded, never to 0, and holds no more than 255; a sum of four lattices may be more by a rounding.
    byte = np.where(overlap > 0, np.clip(np.rint(full), 1, 255), 0)
    # Places between the nodes are off by a thousandth of a pixel where the pose is bent.
    slack = 1.0 + (0.01 * 255 if pose.kind == "quadratic" else 0.0)
    assert np.abs(weights - byte).max() <= slack
    assert (weights != byte).mean() < 0.03
    clear = full > 2.0
    assert clear.mean() > 0.5
    # Where drops of two lattices meet, an error of a place moves their mean by that share of the noise of 1.
    np.testing.assert_allclose(
        values[clear], expected[clear], atol=0.05 if pose.kind == "quadratic" else 3e-3
    )


def test_large_drops_lose_slivers_only():
    cfa, window = Cfa("RGGB"), (20, 300, 20, 400)
    placement = placed(turned(1.5), cfa)
    frame = noisy_frame(2, bad=False)
    _, overlap = drizzle(frame, cfa, placement, window, pixfrac=1.0)
    _, weights = looked_up(frame, cfa, placement, window, 1.0)
    missing = overlap - weights / 255.0
    # A byte is off by half of 1 / 255 and by a whole where the smallest overlap counts; a sliver is as long as a pixel.
    assert missing.max() <= SLIVER_PX + 1 / 255
    assert missing.min() >= -1 / 255
    assert weights.sum() / 255.0 == pytest.approx(overlap.sum(), rel=2e-3)


def test_a_window_cannot_change_a_sample():
    cfa = Cfa("GBRG")
    placement = placed(turned(0.7, bend=0.05), cfa, lateral=0.2)
    frame = noisy_frame(3)
    values, weights = looked_up(frame, cfa, placement, (0, 320, 0, 410), 0.9)
    for top, bottom, left, right in ((64, 200, 31, 300), (101, 103, 190, 260)):
        first = (top // 2 * 2 - 20, max(left // 2 * 2 - 20, 0))
        part = frame[first[0] : bottom + 20, first[1] : right + 20]
        some, theirs = looked_up(part, cfa, placement, (top, bottom, left, right), 0.9, first=first)
        np.testing.assert_array_equal(theirs, weights[:, top:bottom, left:right])
        np.testing.assert_array_equal(some, values[:, top:bottom, left:right])


def test_what_only_saturated_pixels_show_keeps_their_level_without_weight():
    cfa = Cfa("RGGB")
    frame = noisy_frame(4, bad=False)
    frame[80:120, 80:120] = np.inf
    values, weights = looked_up(frame, cfa, placed(turned(0.0), cfa), (90, 110, 90, 110), 0.8, scale=1.5)
    assert (weights == 0).all()
    np.testing.assert_allclose(values, 1.5 * SATURATED - LEVEL, rtol=1e-6)


def test_outside_of_the_frame_there_is_nothing():
    cfa = Cfa("RGGB")
    frame = noisy_frame(5, bad=False)
    values, weights = looked_up(frame, cfa, placed(turned(0.0), cfa), (-40, 10, 400, 480), 0.8)
    assert np.isnan(values[weights == 0]).all()
    assert (weights[:, :36] == 0).all()
    assert (weights[:, :, 26:] == 0).all()
    assert (weights[:, 40:, :20] > 0).any()


@pytest.mark.parametrize(
    ("pose", "pixfrac", "usable"),
    [
        (turned(2.5), 1.0, True),
        (turned(4.0), 1.0, False),
        (turned(8.0), 0.8, True),
        (turned(30.0), 0.8, False),
        (turned(0.0, scale=0.7), 0.8, False),
        # A mirror image tells no fold: its determinant has one sign everywhere.
        (Pose.from_matrix([[-1.0, 0.0, 400.0], [0.0, 1.0, 0.0]], SHAPE), 1.0, True),
        (turned(0.0, bend=200.0), 0.8, False),
    ],
)
def test_drops_are_looked_up_where_one_of_a_lattice_is_enough(pose, pixfrac, usable):
    assert (node_spacing(placed(pose, Cfa("RGGB")), pixfrac) is not None) == usable


def test_a_bent_pose_asks_for_nodes_closer_together():
    spacings = [node_spacing(placed(turned(0.5, bend=bend), Cfa("RGGB")), 0.8) for bend in (0.0, 0.004, 0.05)]
    assert spacings[0] > spacings[1] > spacings[2]
