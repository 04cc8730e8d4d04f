"""The merge of sessions equals the stack in one go."""

import dataclasses

import numpy as np
import pytest

from pipeline import qa
from pipeline.bundles import LinearImage
from pipeline.errors import StageError
from pipeline.fitsio import read_keywords, read_linear, write_packed
from pipeline.grid_keywords import finer_of, grid_keywords
from pipeline.layout import Layout
from pipeline.numerics.packed_sum import KINDS
from pipeline.numerics.partial_sum import PartialSum, merge
from pipeline.stages import stack_filter_set, stack_session
from tests.unit.session_on_disk import SETTINGS, SHAPE, STARS, write_session
from tests.unit.synthetic_exposures import add_hits, expose

NO_REJECTION = {**SETTINGS, "stack": {**SETTINGS["stack"], "reject": False}}


def part_of(exposures, which):
    return dataclasses.replace(
        exposures,
        frames=exposures.frames[which],
        placements=exposures.placements[which],
        fwhm=exposures.fwhm[which],
    )


def stacked(tmp_path, parts, settings):
    layout = Layout(tmp_path)
    names, reference = [], 0
    for k, part in enumerate(parts):
        names.append(f"wide-{k}")
        reference = write_session(layout, names[-1], part, reference=reference)
    for name in names:
        stack_session.run(layout, name, settings)
    stack_filter_set.run(layout, "wide", settings, sessions=names)
    return read_linear(layout.stack("wide")), qa.read_record(layout.qa("stack_filter_set", "wide"))


def write_empty(path, shape, *, finer=1):
    planes = {name.upper(): np.zeros(shape, dtype=kind) for name, kind in KINDS.items()}
    write_packed(path, planes, keywords={"NFRAMES": 0, "EXPTOTAL": 0.0, **grid_keywords(finer)})


def test_merge_equals_one_go(tmp_path):
    exposures = expose(SHAPE, 7, seed=15, stars=STARS, degrees=2.0)
    merged, record = stacked(
        tmp_path / "a", [part_of(exposures, slice(0, 3)), part_of(exposures, slice(3, 7))], NO_REJECTION
    )
    whole, _ = stacked(tmp_path / "b", [exposures], NO_REJECTION)
    # Sums are kept in steps of 1/2048 of their noise, which leaves an error of 1/2048/sqrt(12) of it in the whole and in the
    # merge, and of two steps at most; noise of samples that weigh less is larger. The rounding of float32 is as large: values are
    # some thirty times their noise, and a few of 2^-24 of them add up.
    difference = ((merged.value.astype(np.float64) - whole.value) / np.sqrt(whole.variance))[
        whole.coverage == 7
    ]
    assert np.sqrt(np.mean(difference**2)) < np.sqrt(2 / 12) / 2048 and np.abs(difference).max() < 2 / 2048
    np.testing.assert_array_equal(merged.coverage, whole.coverage)
    # The sky level to which the photon noise refers is the median of a session's frames: it differs by noise.
    np.testing.assert_allclose(merged.variance, whole.variance, rtol=0.02)
    assert record["metrics"]["frames_used"] == 7
    assert record["metrics"]["sessions"] == 2
    assert record["metrics"]["noise_ratio_block8_G"] < 1.25


def test_with_rejection_the_difference_is_small_against_the_noise(tmp_path):
    exposures = expose(SHAPE, 10, seed=16, stars=STARS)
    for frame in exposures.frames:
        add_hits(frame, np.random.default_rng(4), 2)
    merged, _ = stacked(
        tmp_path / "a", [part_of(exposures, slice(0, 5)), part_of(exposures, slice(5, 10))], SETTINGS
    )
    whole, _ = stacked(tmp_path / "b", [exposures], SETTINGS)
    seen = (merged.coverage > 8) & (whole.coverage > 8)
    difference = (merged.value - whole.value)[seen] / np.sqrt(whole.variance[seen])
    # The promise is 2 % of the noise; nearly all samples are the same ones.
    assert np.sqrt(np.mean(difference**2)) < 0.02
    assert 0 < merged.rejected.max() <= 1


def test_sessions_of_other_sizes_are_refused(tmp_path):
    layout = Layout(tmp_path)
    for name, shape in (("a", (3, 4, 4)), ("b", (3, 4, 5))):
        write_empty(layout.session_stack(name), shape)
    with pytest.raises(StageError, match="expected planes of"):
        stack_filter_set.run(layout, "wide", SETTINGS, sessions=["a", "b"])
    assert qa.read_record(layout.qa("stack_filter_set", "wide"))["verdict"] == "fail"


def test_nothing_stacked_is_said(tmp_path):
    layout = Layout(tmp_path)
    write_empty(layout.session_stack("a"), (3, 4, 4))
    stack_filter_set.run(layout, "wide", SETTINGS, sessions=["a"])
    record = qa.read_record(layout.qa("stack_filter_set", "wide"))
    assert record["verdict"] == "fail" and record["flags"][0]["code"] == "no_frames"
    assert not read_linear(layout.stack("wide")).valid.any()


@pytest.mark.parametrize("finer", [1, 2])
def test_the_stack_says_how_fine_its_grid_is(tmp_path, finer):
    layout = Layout(tmp_path)
    write_empty(layout.session_stack("a"), (3, 4, 4), finer=finer)
    stack_filter_set.run(layout, "wide", SETTINGS, sessions=["a"])
    assert finer_of(read_keywords(layout.stack("wide"))) == finer


def test_the_height_of_the_bands_changes_no_byte(tmp_path, monkeypatch):
    exposures = expose(SHAPE, 4, seed=18, stars=STARS)
    parts = [part_of(exposures, slice(0, 2)), part_of(exposures, slice(2, 4))]
    whole, _ = stacked(tmp_path / "a", parts, SETTINGS)
    monkeypatch.setattr(stack_filter_set, "BAND_PIXELS", 17 * SHAPE[1])
    banded, _ = stacked(tmp_path / "b", parts, SETTINGS)
    for name in ("value", "variance", "coverage", "rejected"):
        assert getattr(banded, name).tobytes() == getattr(whole, name).tobytes(), name


def test_a_night_that_is_left_out_is_gone_and_no_session_is_made_anew(tmp_path):
    exposures = expose(SHAPE, 6, seed=19, stars=STARS)
    parts = [part_of(exposures, slice(0, 3)), part_of(exposures, slice(3, 6))]
    both, record = stacked(tmp_path, parts, SETTINGS)
    assert record["metrics"]["noise_growth_frames"] == [1, 2, 4, 6]
    ideal = record["metrics"]["noise_growth_ideal_block8_e_s_G"]
    # Frames alike: noise falls as 1 / sqrt(n); the sky level that the ideal refers to is known to a per cent.
    np.testing.assert_allclose(ideal[0] / np.array(ideal), np.sqrt([1, 2, 4, 6]), rtol=0.02)
    for kind in ("block8", "sample"):
        growth = np.array(record["metrics"][f"noise_growth_{kind}_e_s_G"])
        # As far as some hundred blocks tell.
        np.testing.assert_allclose(growth * np.sqrt([1, 2, 4, 6]) / growth[0], 1, atol=0.35)
    layout = Layout(tmp_path)
    before = layout.session_stack("wide-1").read_bytes()
    settings = {**SETTINGS, "merge": {**SETTINGS["merge"], "leave_out": ["wide-1"]}}
    stack_filter_set.run(layout, "wide", settings, sessions=["wide-0", "wide-1"])
    alone = read_linear(layout.stack("wide"))
    stack_filter_set.run(layout, "wide", SETTINGS, sessions=["wide-0"])
    np.testing.assert_array_equal(alone.value, read_linear(layout.stack("wide")).value)
    assert (alone.value != both.value).any() and layout.session_stack("wide-1").read_bytes() == before
    settings["merge"]["leave_out"] = ["2031-05-02"]
    with pytest.raises(StageError, match="leaves no session"):
        stack_filter_set.run(layout, "wide", settings, sessions=["wide-0", "wide-1"])


def test_the_crop_box_is_well_covered(tmp_path):
    exposures = expose(SHAPE, 6, seed=20, stars=STARS)
    image, record = stacked(tmp_path, [exposures], SETTINGS)
    left, top, right, bottom = record["metrics"]["crop_box_px"]
    inside = image.coverage[:, top:bottom, left:right]
    # Dithers of 6 px: what all frames share is 12 px narrower, and some more is covered by most.
    assert inside.size and (inside >= 0.8 * 6).all()
    assert (right - left) * (bottom - top) > 0.75 * SHAPE[0] * SHAPE[1]


def test_a_clipped_core_does_not_cut_the_crop_box():
    """A hole in the middle of the field, and a border that half of the frames miss."""
    coverage = np.full((3, 40, 60), 10.0, np.float32)
    coverage[:, 18:22, 28:32] = 0.0
    coverage[1, :, :5] = 5.0
    image = LinearImage(np.zeros_like(coverage), np.ones_like(coverage), coverage)
    assert stack_filter_set._crop_box(image, 0.8) == (0, 40, 5, 60)


def test_one_sample_is_outvoted_by_the_other_sessions():
    """A session's border, where it has a single sample: a hit goes, and a star that is sharper than in the other nights stays."""
    shape = (1, 20, 30)
    rng = np.random.default_rng(8)
    sigma = 0.1
    star = np.zeros(shape)
    star[0, 10, 10] = 40.0

    def part(samples, peak, seed):
        error = sigma / np.sqrt(samples)
        mean = 2.0 + peak * star + np.random.default_rng(seed).normal(0, error, shape)
        variance = np.full(shape, error**2, dtype=np.float32)
        return PartialSum(
            mean.astype(np.float32), (samples / sigma**2 * np.ones(shape)).astype(np.float32), variance,
            np.full(shape, samples, dtype=np.uint16), np.zeros(shape, dtype=np.uint16),
        )  # fmt: skip

    alone, others = part(1, 1.6, 1), [part(5, 1.0, 2), part(4, 1.0, 3)]
    clean = merge([alone, *others])
    assert not clean.rejected.any()
    assert clean.mean[0, 10, 10] == pytest.approx(2 + 40 * (1.6 + 9) / 10, abs=0.2)
    hits = rng.integers(0, 20, 12), rng.integers(12, 30, 12)
    alone.mean[0][hits] += 3.0
    struck = merge([alone, *others])
    gone = np.zeros(shape, bool)
    gone[0][hits] = True
    np.testing.assert_array_equal(struck.rejected == 1, gone)
    np.testing.assert_array_equal(struck.coverage, np.where(gone, 9, 10))
    # What is left is the merge of the other sessions, to the rounding of float32.
    rest = merge(others)
    for name in ("mean", "weight", "variance"):
        np.testing.assert_allclose(getattr(struck, name)[gone], getattr(rest, name)[gone], rtol=1e-5)
        np.testing.assert_array_equal(getattr(struck, name)[~gone], getattr(clean, name)[~gone])
    assert not merge([alone, *others], outvote=False).rejected.any()
    # Two against one and one: nobody can tell who is right.
    assert not merge([alone, part(1, 1.0, 4)]).rejected.any()
