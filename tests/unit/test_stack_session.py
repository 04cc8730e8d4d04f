"""A session on disk is stacked: values, variance, noise figures, bad frames, memory, bands."""

import dataclasses
import resource
import subprocess
import sys

import numpy as np
import pytest

from pipeline import qa
from pipeline.fitsio import read_hdus
from pipeline.grid_keywords import finer_of
from pipeline.layout import Layout
from pipeline.numerics import tiles
from pipeline.numerics.rejection import Thresholds, halo_pixels
from pipeline.numerics.relative_background import SampleGrid
from pipeline.numerics.robust import mad_std
from pipeline.numerics.sampler import Sampler
from pipeline.numerics.sampling import block_noise_factor, sample_noise_factor
from pipeline.numerics.session_sum import StackFrame, sum_frames
from pipeline.numerics.simple_rejection import METHODS
from pipeline.numerics.surface import PolynomialSurface
from pipeline.numerics.tiles import GROUP, groups_of, plan_tiles
from pipeline.stages import stack_session
from pipeline.tables import read_table, write_table
from tests.unit.session_on_disk import SETTINGS, SHAPE, STARS, sky_rate, write_session
from tests.unit.synthetic_exposures import EXPOSURE_S, SKY_E, add_hits, add_trail, expose

INNER = (slice(None), slice(12, -12), slice(12, -12))


def blocks(plane, side=8):
    c, ny, nx = plane.shape
    plane = plane[:, : ny // side * side, : nx // side * side].astype(np.float64)
    return plane.reshape(c, ny // side, side, nx // side, side).mean(axis=(2, 4))


def far_from_stars():
    """(ny, nx) bool of blocks of 8 x 8 in the inner part that no star touches."""
    y, x = np.mgrid[12 : SHAPE[0] - 12, 12 : SHAPE[1] - 12]
    near = np.zeros(y.shape, dtype=bool)
    for x_star, y_star, _ in STARS:
        near |= (x - x_star) ** 2 + (y - y_star) ** 2 < 7.5**2
    return blocks(near[None].astype(float))[0] == 0


def run(tmp_path, exposures, **kw):
    layout = Layout(tmp_path)
    write_session(layout, "wide-a", exposures, reference=kw.pop("reference", 0), **kw)
    stack_session.run(layout, "wide-a", SETTINGS)
    header, images = read_hdus(layout.session_stack("wide-a"))
    return layout, header, images, qa.read_record(layout.qa("stack_session", "wide-a"))


def test_sky_noise_and_stars_of_a_clean_session(tmp_path):
    exposures = expose(SHAPE, 8, seed=5, stars=STARS, degrees=3.0, seeing_spread=0.1)
    layout, header, images, record = run(tmp_path, exposures)
    sky = far_from_stars()
    error = blocks(images["VALUE"][INNER]) - sky_rate("RGB")
    pull = (error / np.sqrt(blocks(images["VARIANCE"][INNER]) / 64))[:, sky]
    # The background of every frame is matched to the noisy reference: a common shift, taken out here.
    pull -= np.median(pull, axis=1, keepdims=True)
    # The variance is made for 8 x 8 blocks; some 300 of them fix the value to 4 %.
    assert pull.std() == pytest.approx(1.0, abs=0.12)
    metrics = record["metrics"]
    assert record["verdict"] == "pass"
    assert metrics["frames_used"] == header["NFRAMES"] == 8
    assert metrics["exposure_s"] == 8 * EXPOSURE_S
    for channel, rate in zip("RGB", sky_rate("RGB").ravel(), strict=True):
        # 8 x 8 blocks: at most 1.25 times the ideal is promised. The ideal itself follows from the camera's numbers.
        assert metrics[f"noise_ratio_block8_{channel}"] < 1.25
        assert metrics[f"noise_block8_e_s_{channel}"] < 1.25 * metrics[f"ideal_noise_block8_e_s_{channel}"]
        # A block's mean holds some light from beyond its edge, which is why its noise is less than that of its own pixels.
        density = (2 if channel == "G" else 4) * block_noise_factor(exposures.cfa)
        ideal = np.sqrt(density * (rate * EXPOSURE_S + 9) / 8 / 64) / EXPOSURE_S
        # Rounding to 0.5 electrons adds nothing that shows; stars raise the cells' level a little.
        assert metrics[f"ideal_noise_block8_e_s_{channel}"] == pytest.approx(ideal, rel=0.05)
    assert metrics["noise_growth_frames"] == [1, 2, 4, 8]
    growth = np.array(metrics["noise_growth_block8_e_s_G"])
    # Noise falls as 1 / sqrt(n): each figure is known to some 6 %.
    np.testing.assert_allclose(growth * np.sqrt([1, 2, 4, 8]) / growth[0], 1, atol=0.3)
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]]
    for x_star, y_star, electrons in STARS:
        if not (20 < x_star < 180 and 20 < y_star < 108):
            continue
        near = (x - x_star) ** 2 + (y - y_star) ** 2 < 7.5**2
        excess = (images["VALUE"] - np.median(images["VALUE"][INNER], axis=(1, 2))[:, None, None])[:, near]
        flux = excess.sum(axis=1) * EXPOSURE_S
        # 177 pixels of up to 26 electrons, four-fold, over eight frames: 245 electrons; 4 sigma, plus aliasing 0.3 %.
        np.testing.assert_allclose(flux, electrons, atol=1000 + 0.003 * electrons)
    table = read_table(layout.frames("wide-a"))
    assert {"scale_R", "weight_G", "background_e_s_B", "rejected_share_G", "scale_stars"} <= set(
        table.colnames
    )
    assert (table["scale_stars"] > 30).all()


def test_a_finer_grid_holds_the_same_sky_and_stars(tmp_path):
    """Half pixels: every star at twice its place, with its flux; a quarter of the sky; the same noise of the same area."""
    exposures = expose(SHAPE, 8, seed=5, stars=STARS, degrees=3.0)
    add_trail(exposures.frames[1], y0=20, slope=0.5, peak_e=900)
    add_hits(exposures.frames[3], np.random.default_rng(8), 6)
    stacks, tables = {}, {}
    for finer in (1, 2):
        layout = Layout(tmp_path / str(finer))
        write_session(layout, "wide-a", exposures, reference=0)
        stack = {**SETTINGS["stack"], "kernel": "ringless", "output_scale": finer}
        stack_session.run(layout, "wide-a", {**SETTINGS, "stack": stack})
        header, stacks[finer] = read_hdus(layout.session_stack("wide-a"))
        assert finer_of(header) == finer
        tables[finer] = read_table(layout.frames("wide-a"))
        record = qa.read_record(layout.qa("stack_session", "wide-a"))
        assert record["verdict"] == "pass"
        for channel in "RGB":
            assert record["metrics"][f"noise_ratio_block8_{channel}"] < 1.25
    assert stacks[2]["VALUE"].shape == (3, 2 * SHAPE[0], 2 * SHAPE[1])
    fine = {name: plane[:, 24:-24, 24:-24].astype(np.float64) for name, plane in stacks[2].items()}
    coarse = {name: plane[INNER].astype(np.float64) for name, plane in stacks[1].items()}
    # Four fine pixels are the area of a coarse one. Interpolated at other places, the noise of a pixel differs, hardly that of
    # a block of 8 x 8, which is an eighth of it.
    fours = fine["VALUE"].reshape(3, SHAPE[0] - 24, 2, SHAPE[1] - 24, 2).sum(axis=(2, 4))
    noise = np.sqrt(np.median(coarse["VARIANCE"], axis=(1, 2)))
    for c in range(3):
        difference = blocks((fours - coarse["VALUE"])[c][None])[0]
        assert np.abs(np.median(difference)) < 0.1 * noise[c] / 8
        assert mad_std(difference) < 0.5 * noise[c] / 8
    background = np.median(fine["VALUE"], axis=(1, 2))[:, None]
    fluxes = {}
    for finer, levels in ((1, np.median(coarse["VALUE"], axis=(1, 2))[:, None]), (2, background)):
        y, x = (
            (axis - 0.5 * (finer - 1)) / finer for axis in np.mgrid[: finer * SHAPE[0], : finer * SHAPE[1]]
        )
        fluxes[finer] = np.array(
            [
                (stacks[finer]["VALUE"][:, (x - x_star) ** 2 + (y - y_star) ** 2 < 7.5**2] - levels).sum(
                    axis=1
                )
                for x_star, y_star, _ in STARS
                if 20 < x_star < 180 and 20 < y_star < 108
            ]
        )
    electrons = np.array([star[2] for star in STARS if 20 < star[0] < 180 and 20 < star[1] < 108])
    # The same samples of the same light: what differs is the noise in the rim of the circle, 50 pixels of up to 20 electrons,
    # and what is left of the trail, which lies over some stars.
    difference = (fluxes[2] - fluxes[1]) * EXPOSURE_S
    assert (np.abs(difference) < 400 + 0.003 * electrons[:, None]).all()
    assert mad_std(difference) < 60
    # A quarter of the area has four times the variance of its mean, a sixteenth of that of its light; and a block of fine
    # pixels is smaller, so that more of its light crosses its edges.
    edges = block_noise_factor(exposures.cfa, finer=2) / block_noise_factor(exposures.cfa)
    np.testing.assert_allclose(
        np.median(fine["VARIANCE"], axis=(1, 2)) * 4,
        np.median(coarse["VARIANCE"], axis=(1, 2)) * edges,
        rtol=0.02,
    )
    np.testing.assert_allclose(tables[2]["scale_G"], tables[1]["scale_G"], rtol=1e-6)
    # A weight is the inverse of that variance before any block has edges; it is told from sampled places.
    np.testing.assert_allclose(tables[2]["weight_R"] / tables[1]["weight_R"], 4.0, rtol=0.02)
    # Neither the trail nor the hits are left: nothing beyond six sigma of a sample in phase with the lattice.
    far = np.repeat(np.repeat(far_from_stars(), 16, axis=0), 16, axis=1)
    kept = np.s_[:, : far.shape[0], : far.shape[1]]
    lattice = np.array([4, 2, 4])[:, None, None]
    factor = np.array([sample_noise_factor(exposures.cfa, channel) for channel in "RGB"])[:, None, None] / (
        4 * lattice * block_noise_factor(exposures.cfa, finer=2)
    )
    pull = (fine["VALUE"] - background[..., None]) / np.sqrt(fine["VARIANCE"] * factor)
    assert mad_std(pull[kept][:, far]) == pytest.approx(1.0, abs=0.1)
    assert np.abs(pull[kept][:, far]).max() < 6 * 1.23


def test_a_grid_that_is_too_fine_for_its_frames_is_said(tmp_path):
    layout = Layout(tmp_path)
    write_session(layout, "wide-a", expose(SHAPE, 8, seed=5, stars=STARS), reference=0)
    stack_session.run(layout, "wide-a", {**SETTINGS, "stack": {**SETTINGS["stack"], "output_scale": 2}})
    record = qa.read_record(layout.qa("stack_session", "wide-a"))
    assert record["metrics"]["sampler"] == "ringless"
    (flag,) = record["flags"]
    assert flag["code"] == "grid_too_fine" and "stack.output_scale is 2" in flag["message"]


def test_scale_sky_and_weight_of_thin_cloud(tmp_path):
    """One frame behind thin cloud under a brighter, tilted sky: it adds up without a trace, at its own weight."""
    clear = expose(SHAPE, 6, seed=6, stars=STARS)
    transparency = np.array([1, 1, 0.7, 1, 1, 1.0])
    frames = clear.frames.copy()
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]]
    sky = sky_rate("RGB").ravel()[clear.cfa.index_map(*SHAPE)]
    frames[2] = ((frames[2] - sky) * 0.7 + sky * 1.8 + 0.02 * x - 0.03 * y).astype(np.float32)
    layout, _, images, record = run(
        tmp_path, dataclasses.replace(clear, frames=frames), transparency=transparency
    )
    table = read_table(layout.frames("wide-a"))
    np.testing.assert_allclose(table["scale_G"], 1 / transparency, rtol=1e-6)
    # Weight 1 / (scale^2 V) with V from the camera model at the brighter sky (read noise aside).
    brighter = table["weight_R"][2] / table["weight_R"][0]
    assert brighter == pytest.approx(0.7**2 / 1.8, rel=0.25)
    smooth = blocks(images["VALUE"][INNER])[:, far_from_stars()]
    assert np.abs(np.median(smooth, axis=1) - sky_rate("RGB").ravel()).max() < 0.1
    assert record["verdict"] == "pass"


def test_trails_and_hits_do_not_reach_the_stack(tmp_path):
    exposures = expose(SHAPE, 5, seed=7)
    rng = np.random.default_rng(8)
    add_trail(exposures.frames[1], y0=20, slope=0.5, peak_e=900)
    add_trail(exposures.frames[3], y0=100, slope=-0.4, peak_e=900)
    for frame in exposures.frames:
        add_hits(frame, rng, 4)
    _, _, images, _ = run(tmp_path, exposures)
    # The variance is that of blocks; a single sample of red has 0.80 / 4 of the uncorrelated one (see sampling).
    factor = 0.25 * sample_noise_factor(exposures.cfa, "R") / block_noise_factor(exposures.cfa)
    pull = (images["VALUE"][INNER] - sky_rate("RGB")) / np.sqrt(images["VARIANCE"][INNER] * factor)
    pull -= np.median(pull, axis=(1, 2), keepdims=True)
    # "No pixel above 6 sigma": samples in lattice phase have 1.23 times the mean noise.
    assert np.abs(pull).max() < 6 * 1.23
    assert images["REJECTED"].max() >= 1


def test_trails_of_every_frame_through_one_spot_go(tmp_path):
    """All eight frames of a night are crossed at one spot, where no sample shows the sky; the neighbours do."""
    n, spot = 8, (104.0, 66.0)
    exposures = expose(SHAPE, n, seed=23)
    ends = []
    for k, (frame, placement) in enumerate(zip(exposures.frames, exposures.placements, strict=True)):
        x, y = (float(axis) for axis in placement.pose.inverse(*spot))
        slope = np.tan(np.radians(-70 + 20 * k))
        add_trail(frame, y0=y - slope * x, slope=slope, peak_e=900)
        # Ends as coarse as measuring gives them, on the border of the frame.
        at = [(c, y + slope * (c - x)) for c in (4.0, 195.0)] + [
            (x + (r - y) / slope, r) for r in (4.0, 123.0)
        ]
        (a, b), (c, d) = [(p, q) for p, q in at if 3 < p < 196 and 3 < q < 124][:2]
        ends.append(f"{a + 2:.0f} {b - 1:.0f} {c - 2:.0f} {d + 2:.0f}")
    _, _, images, record = run(tmp_path, exposures, trail_ends=ends)
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]]
    near = (x - spot[0]) ** 2 + (y - spot[1]) ** 2 < 12**2
    # Some pixels have lost all frames: no weight, and the light of their surroundings.
    assert (images["COVERAGE"][:, near] == 0).any()
    assert (images["REJECTED"][:, near] == n).any()
    factor = 0.25 * sample_noise_factor(exposures.cfa, "R") / block_noise_factor(exposures.cfa)
    typical = np.sqrt(np.median(images["VARIANCE"][INNER], axis=(1, 2)) * factor)[:, None, None]
    pull = (images["VALUE"] - sky_rate("RGB")) / typical
    pull -= np.median(pull[INNER], axis=(1, 2))[:, None, None]
    # A pixel that one frame of eight shows has sqrt(8) times the noise; 6 sigma of the typical stack everywhere else.
    few = images["COVERAGE"][INNER] < n - 2
    assert np.abs(pull[INNER][~few]).max() < 6 * 1.23
    assert np.abs(pull[INNER][few]).max() < 4.5 * np.sqrt(8)
    assert record["metrics"]["rejected_share"] > 0.02


def test_a_budget_that_is_too_small_is_said(tmp_path):
    layout = Layout(tmp_path)
    write_session(layout, "wide-a", expose(SHAPE, 3, seed=26, stars=STARS), reference=0)
    stack_session.run(layout, "wide-a", {**SETTINGS, "run": {**SETTINGS["run"], "memory_gb": 0.25}})
    record = qa.read_record(layout.qa("stack_session", "wide-a"))
    (flag,) = [flag for flag in record["flags"] if flag["code"] == "memory_budget"]
    assert "run.memory_gb" in flag["message"] and flag["limit"] > flag["value"] == 0.25
    assert record["metrics"]["frames_used"] == 3


@pytest.mark.parametrize("method", METHODS)
def test_other_ways_of_rejecting_take_hits_away_as_well(tmp_path, method):
    exposures = expose(SHAPE, 9, seed=24)
    add_hits(exposures.frames[3], np.random.default_rng(25), 6)
    layout = Layout(tmp_path)
    write_session(layout, "wide-a", exposures, reference=0)
    stack = {**SETTINGS["stack"], "rejection": method, "reject_high_sigma": 2.5, "kernel": "linear"}
    stack_session.run(layout, "wide-a", {**SETTINGS, "stack": stack})
    _, images = read_hdus(layout.session_stack("wide-a"))
    # Hits of thousands of electrons are gone but for what hides in the scatter of nine samples: a few sigma of one.
    assert np.abs(images["VALUE"][INNER] - sky_rate("RGB")).max() < 10 * np.sqrt(SKY_E.max()) / EXPOSURE_S / 3
    assert images["REJECTED"].max() >= 1


def test_the_reference_frame_is_known_by_a_longer_path(tmp_path):
    """The config named its folder relatively when the reference was chosen, and from the root now."""
    exposures = expose(SHAPE, 3, seed=12, stars=STARS)
    layout = Layout(tmp_path)
    write_session(layout, "wide-a", exposures, reference=0)
    link = read_table(layout.link("wide"))
    link.meta["path"] = "wide-a/light_00.fits"
    write_table(layout.link("wide"), link)
    stack_session.run(layout, "wide-a", SETTINGS)
    assert qa.read_record(layout.qa("stack_session", "wide-a"))["verdict"] == "pass"


def test_a_rejected_light_does_not_count(tmp_path):
    exposures = expose(SHAPE, 4, seed=9, stars=STARS)
    exposures.frames[1][:] = 1000.0
    layout, header, images, record = run(
        tmp_path, exposures, verdicts=["accept", "reject", "accept", "accept"]
    )
    assert header["NFRAMES"] == 3 and record["metrics"]["frames_rejected"] == 1
    assert (images["COVERAGE"] + images["REJECTED"]).max() == 3
    table = read_table(layout.frames("wide-a"))
    assert table["weight_G"][1] == 0 and table["reason"][1] == "clouded"


@pytest.mark.parametrize("case", ["all rejected", "not linked"])
def test_without_frames_the_stack_is_empty_and_the_record_says_why(tmp_path, case):
    exposures = expose(SHAPE, 2, seed=10)
    extra = {"verdicts": ["reject"] * 2} if case == "all rejected" else {"link_verdict": "fail"}
    _, header, images, record = run(tmp_path, exposures, **extra)
    assert record["verdict"] == "fail"
    assert record["flags"][0]["code"] == ("no_frames" if case == "all rejected" else "not_linked")
    assert header["NFRAMES"] == 0
    assert images["VALUE"].shape == (3, *SHAPE) and not images["COVERAGE"].any()


def test_a_light_that_vanished_is_named_and_the_rest_goes_on(tmp_path):
    exposures = expose(SHAPE, 4, seed=12, stars=STARS)
    layout = Layout(tmp_path)
    write_session(layout, "wide-a", exposures, reference=0)
    (tmp_path / "raw" / "wide-a" / "light_02.fits").write_bytes(b"")
    stack_session.run(layout, "wide-a", SETTINGS)
    record = qa.read_record(layout.qa("stack_session", "wide-a"))
    assert record["metrics"]["frames_used"] == 3
    assert "light_02.fits" in record["flags"][0]["message"]
    assert read_table(layout.frames("wide-a"))["verdict"].tolist() == ["accept", "accept", "reject", "accept"]


def test_the_core_of_a_saturated_star_is_kept_as_the_last_resort(tmp_path):
    exposures = expose(SHAPE, 4, seed=17, stars=[*STARS, (100.0, 64.0, 8e5)])
    _, _, images, _ = run(tmp_path, exposures)
    # 60 000 ADU are 29 750 electrons above the pedestal; the star's peak would be 78 000.
    level = 0.97 * 29750 / EXPOSURE_S
    core = (slice(None), slice(63, 66), slice(99, 102))
    unseen = images["COVERAGE"][core] == 0
    assert unseen.any()
    assert (images["VALUE"][core][unseen] > 0.5 * level).all()
    assert (images["WEIGHT"][core][unseen] == 0).all()
    assert (images["COVERAGE"][:, 40, 40] == 4).all()


@pytest.mark.parametrize("kernel", ["drizzle", "ringless"])
def test_the_sum_of_a_long_session_takes_half_of_the_raw_bytes_at_most(tmp_path, kernel):
    layout = Layout(tmp_path)
    write_session(layout, "wide-a", expose(SHAPE, 20, seed=27, degrees=2.0), reference=0)
    stack_session.run(layout, "wide-a", {**SETTINGS, "stack": {**SETTINGS["stack"], "kernel": kernel}})
    raw = sum(path.stat().st_size for path in (tmp_path / "raw" / "wide-a").iterdir())
    # "Intermediate files <= 0.5 x the raw bytes for sessions of 20 frames or more"; this small, a tenth is headers.
    assert layout.session_stack("wide-a").stat().st_size < 0.5 * raw


def test_a_mono_session(tmp_path):
    exposures = expose(SHAPE, 4, seed=13, stars=STARS, pattern="mono")
    _, _, images, record = run(tmp_path, exposures)
    assert images["VALUE"].shape == (1, *SHAPE)
    assert record["metrics"]["noise_ratio_block8_L"] < 1.25


def frames_in_memory(exposures):
    n_channels = len(exposures.cfa.channels)
    flat = PolynomialSurface(0, np.zeros(1), 0.0, 0.0, 1.0)
    grid = SampleGrid.over(SHAPE)
    variance = exposures.variance[:, None, None] * np.ones((n_channels, *grid.cells))

    def loader(frame):
        return lambda rows, columns: frame[slice(*rows), slice(*columns)]

    frames = [
        StackFrame(
            placement,
            EXPOSURE_S,
            3.0,
            np.ones(n_channels),
            1 / exposures.variance,
            [flat] * n_channels,
            variance,
            loader(frame),
        )
        for frame, placement in zip(exposures.frames, exposures.placements, strict=True)
    ]
    return frames, grid, np.ones((n_channels, *grid.cells)) * sky_rate("RGB")


@pytest.mark.parametrize("kernel", ["drizzle", "ringless"])
def test_neither_the_size_of_the_tiles_nor_threads_change_a_byte(kernel, monkeypatch):
    exposures = expose(SHAPE, 5, seed=14, stars=STARS[::5], degrees=178.0)
    add_hits(exposures.frames[0], np.random.default_rng(3), 30)
    add_trail(exposures.frames[2], y0=10, slope=0.6, peak_e=300)
    frames, grid, level = frames_in_memory(exposures)
    results = []
    for budget, width, threads in ((1e9, 512, 1), (0.0, 512, 2), (1e9, 64, 2)):
        monkeypatch.setattr(tiles, "TILE_WIDTHS", (width,))
        watched = []
        total, samples, shares = sum_frames(
            frames,
            exposures.cfa,
            SHAPE,
            grid,
            level,
            sampler=Sampler(kernel),
            thresholds=Thresholds(),
            budget_bytes=budget,
            threads=threads,
            watch=lambda strips, watched=watched: watched.extend(strips) or strips,
        )
        results.append((len(watched), total, samples, shares))
    assert [count for count, *_ in results] == [1, 16, 1]
    _, first, blocks_a, shares_a = results[0]
    for _, second, blocks_b, shares_b in results[1:]:
        for name in ("mean", "weight", "variance", "coverage", "rejected"):
            assert getattr(first, name).tobytes() == getattr(second, name).tobytes(), name
        np.testing.assert_array_equal(blocks_a.block, blocks_b.block)
        np.testing.assert_array_equal(shares_a, shares_b)


def test_tiles_follow_from_the_budget():
    halo = halo_pixels(Thresholds())
    big = (4176, 6248)
    plan = plan_tiles(big, 30, 3, budget_bytes=2e8, halo=halo)
    assert plan.fits and plan.bytes_needed <= 2e8
    assert plan.strips[0][0] == 0 and plan.strips[-1][1] == big[0]
    assert all(a[1] == b[0] for a, b in zip(plan.strips, plan.strips[1:], strict=False))
    assert all(first % 8 == 0 for first, _ in plan.strips)
    # More frames make lower tiles, not more memory; beyond a group nothing changes any more.
    assert len(plan_tiles(big, 60, 3, budget_bytes=2e8, halo=halo).strips) > len(plan.strips)
    assert plan_tiles(big, GROUP, 3, budget_bytes=2e8, halo=halo) == plan_tiles(
        big, 900, 3, budget_bytes=2e8, halo=halo
    )
    assert plan_tiles((100, 100), 5, 3, budget_bytes=1e9, halo=halo).strips == [(0, 100)]
    assert not plan_tiles(big, 30, 3, budget_bytes=1e7, halo=halo).fits


def test_groups_share_the_frames_of_a_long_session_evenly():
    for n in (1, GROUP, GROUP + 1, 300):
        groups = [np.arange(n)[group] for group in groups_of(n)]
        assert sorted(np.concatenate(groups)) == list(range(n))
        sizes = [group.size for group in groups]
        assert max(sizes) <= GROUP and max(sizes) - min(sizes) <= 1


def test_memory_stays_flat_with_the_number_of_frames(tmp_path):
    """Peak memory of a process that sums n frames of 0.3 Mpx within 20 MB beside the output."""
    script = """
import re, sys
import numpy as np
from pipeline.numerics.pose import Pose
from pipeline.numerics.cfa import Cfa
from pipeline.numerics.rejection import Thresholds
from pipeline.numerics.relative_background import SampleGrid
from pipeline.numerics.frame_positions import Placement
from pipeline.numerics.sampler import Sampler
from pipeline.numerics.session_sum import StackFrame, sum_frames
from pipeline.numerics.surface import PolynomialSurface
from pipeline.kernels import warm_all
warm_all()
shape, n = (450, 650), int(sys.argv[1])
frame = np.ones(shape, dtype=np.float32)
grid = SampleGrid.over(shape)
flat = PolynomialSurface(0, np.zeros(1), 0.0, 0.0, 1.0)
placement = Placement(Pose.identity(shape), np.zeros((3, 2, 3)))
variance, ones = np.ones((3, *grid.cells)), np.ones(3)
one = StackFrame(placement, 1.0, 3.0, ones, ones, [flat] * 3, variance, lambda a, b: frame[slice(*a), slice(*b)])
# The kernel's high-water mark is inherited from the parent; "5" resets it (proc(5), clear_refs).
def peak():
    return int(re.search(r"VmHWM:\\s+(\\d+)", open("/proc/self/status").read())[1])
open("/proc/self/clear_refs", "w").write("5")
before = peak()
sum_frames([one] * n, Cfa("RGGB"), shape, grid, np.ones((3, *grid.cells)), sampler=Sampler("drizzle"), thresholds=Thresholds(), budget_bytes=20e6)
print((peak() - before) * 1024)
"""
    used = [
        int(
            subprocess.run(
                [sys.executable, "-c", script, str(n)], capture_output=True, text=True, check=True
            ).stdout
        )
        for n in (6, 18)
    ]
    # 14 MB of output, which is collected here, and 20 MB of tiles; the allocator adds up to 25 %.
    assert max(used) < 1.25 * 34e6
    assert used[1] < 1.15 * used[0]


def test_this_machine_counts_memory_as_assumed():
    # ru_maxrss is in KiB on Linux; a process with numpy loaded uses between 20 MB and 20 GB.
    assert 20e6 < resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024 < 20e9
