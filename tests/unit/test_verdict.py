"""Verdicts on frames: the right ones are left out, for the right reason, and no night for its sky."""

import numpy as np
import pytest
from astropy.table import Table

from pipeline.numerics.reference_choice import best_frames
from pipeline.numerics.verdict import ACCEPT, REJECT, judge, rank_transparency
from tests.unit.star_frames import MEASURE


def session(n=8, **changes):
    """n alike frames; ``changes`` maps a column to {frame: value}."""
    frames = [
        {"fwhm_px": 3.0 + 0.05 * (k % 3), "elongation": 1.08, "n_stars": 200, "saturated_fraction": 1e-5}
        for k in range(n)
    ]
    for name, values in changes.items():
        for k, value in values.items():
            frames[k][name] = value
    return frames


def judged(frames, *, transparency=None, problems=None, **limits):
    n = len(frames)
    transparency = np.ones(n) if transparency is None else np.array(transparency)
    return judge(frames, transparency, problems or [""] * n, MEASURE | limits)


def test_a_quiet_session_is_accepted_without_remarks():
    assert {(v.verdict, v.reason) for v in judged(session())} == {(ACCEPT, "")}


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"elongation": {3: 2.1}}, ["stars trailed", "2.10", "session median 1.08", "limit 1.60"]),
        ({"fwhm_px": {3: 8.1}}, ["out of focus", "8.1 px", "session median 3.0"]),
        ({"saturated_fraction": {3: 0.5}}, ["overexposed", "50 %", "limit 20 %"]),
        ({"n_stars": {3: 2}}, ["too few stars", "2", "needed 6"]),
    ],
)
def test_the_reason_names_what_was_found_and_the_limit(changes, words):
    verdicts = judged(session(**changes))
    assert verdicts[3].verdict == REJECT
    assert all(word in verdicts[3].reason for word in words)
    assert all(v.verdict == ACCEPT for k, v in enumerate(verdicts) if k != 3)


def test_haze_is_kept_with_a_remark_and_thick_cloud_is_not():
    verdicts = judged(session(), transparency=[1, 1, 0.55, 0.28, 1, 1, 1, 1])
    assert verdicts[2] == verdicts[2].__class__(
        ACCEPT, "cloud: star flux 55 % of the session's; used with less weight"
    )
    assert verdicts[3].verdict == REJECT
    assert verdicts[3].reason == "cloud: star flux 28 % of the session's, limit 30 %"
    assert (
        judged(session(), transparency=[1, 1, 1, 0.28, 1, 1, 1, 1], min_transparency=0.2)[3].verdict == ACCEPT
    )


def test_a_problem_is_the_reason():
    verdicts = judged(
        session(fwhm_px={1: np.nan}, elongation={1: np.nan}), problems=["", "no stars: none"] + [""] * 6
    )
    assert (verdicts[1].verdict, verdicts[1].reason) == (REJECT, "no stars: none")


def test_a_session_of_uniformly_wide_stars_is_kept_unless_the_user_says_otherwise():
    frames = session(fwhm_px=dict.fromkeys(range(8), 9.0))
    assert all(v.verdict == ACCEPT for v in judged(frames))
    assert all("stated limit 6.0" in v.reason for v in judged(frames, max_fwhm_px=6.0))


def test_transparency_from_ranks():
    rng = np.random.default_rng(1)
    stars = 100 * 10 ** rng.exponential(0.6, 120)
    true = np.array([1.0, 0.97, 0.5, 1.0, 0.3, 0.98])
    frames = []
    for share in true:
        # Each frame loses other stars at its edges, and its order is no guide.
        seen = stars[rng.random(stars.size) > 0.05] * share
        frames.append(rng.permutation(seen * rng.normal(1, 0.01, seen.size)))
    # Ranks shift by one or two where bright stars leave the field: 5 %.
    np.testing.assert_allclose(rank_transparency(frames), true, rtol=0.07)


def test_transparency_of_frames_without_stars():
    few = rank_transparency([np.full(20, 9.0), np.full(20, 9.0), np.zeros(0)])
    np.testing.assert_allclose(few, [1, 1, 0])
    assert np.isnan(rank_transparency([np.zeros(0), np.zeros(0)])).all()


def test_the_reference_is_sharp_round_deep_and_accepted():
    def table(**columns):
        base = {"n_stars": [100] * 3, "fwhm_px": [3.0] * 3, "elongation": [1.1] * 3, "noise_e_s_L": [0.1] * 3}
        return Table(base | {"verdict": [ACCEPT] * 3} | columns)

    for column, best in (
        ({"fwhm_px": [3.0, 2.5, 3.0]}, 1),
        ({"n_stars": [100, 90, 140]}, 2),
        ({"elongation": [1.05, 1.2, 1.2]}, 0),
        ({"noise_e_s_L": [0.1, 0.2, 0.05]}, 2),
        ({"fwhm_px": [3.0, 2.9, 1.0], "verdict": [ACCEPT, ACCEPT, REJECT]}, 1),
    ):
        assert best_frames({"night": table(**column)})[0][:2] == ("night", best)
    # Ties go to the first by name and row; a typical frame scores 1.
    assert best_frames({"b": table(), "a": table()})[0] == ("a", 0, 1.0)
    assert best_frames({"a": table(verdict=[REJECT] * 3)}) == []


def test_few_lights_of_changing_seeing_make_no_room_for_a_defocused_one():
    frames = session(6)
    # Scatter of the good five alone would allow more than twice the median.
    for frame, fwhm in zip(frames, (2.6, 3.0, 3.9, 4.4, 3.1, 7.4), strict=True):
        frame["fwhm_px"] = fwhm
    verdicts = judged(frames)
    assert [v.verdict for v in verdicts] == ["accept"] * 5 + ["reject"]
    assert "out of focus" in verdicts[-1].reason
