"""Stack a session: every accepted light brought to the reference's scale and sky, and summed on the anchor's grid.

The reference frame of the filter set is pinned, so the result of a session depends on no other session: it is a
partial sum, from which the stack of the filter set is merged.
"""

import json
from contextlib import ExitStack

import numpy as np

from pipeline import qa
from pipeline.calibration import Calibrator
from pipeline.errors import InputError, StageError
from pipeline.fitsio import RATE_UNIT, UNITS_OF_EXTENSION, RawPixels, write_packed
from pipeline.grid_keywords import grid_keywords
from pipeline.noise_keywords import noise_to_keywords
from pipeline.numerics.cfa import Cfa
from pipeline.numerics.frame_positions import Placement, frame_positions
from pipeline.numerics.frame_survey import star_scales, survey_frame, usual_level
from pipeline.numerics.output_grid import finer_pose, finer_shape
from pipeline.numerics.packed_sum import KINDS, Steps, pack
from pipeline.numerics.pose import Pose
from pipeline.numerics.rejection import Thresholds, halo_pixels
from pipeline.numerics.relative_background import SampleGrid
from pipeline.numerics.sampler_choice import choose_sampler
from pipeline.numerics.session_sum import StackFrame, sum_frames
from pipeline.numerics.session_summary import channel_metrics, frames_table, session_metrics
from pipeline.numerics.tiles import plan_tiles
from pipeline.numerics.trail_corridor import find_corridor, parse_ends
from pipeline.plan import load_session
from pipeline.progress import progress
from pipeline.scratch_arrays import ScratchArrays
from pipeline.tables import read_table, write_table

__all__ = ["run"]

INTERPRETER_BYTES = 250e6
"""Python with the libraries of this stage, before any pixel is read."""

BYTES_PER_FRAME_PIXEL = 9
"""Pedestal and flat (4 each) and mask."""

NEVER = 1e9
"""Threshold in sigma that nothing reaches, for a stack without rejection."""


def run(layout, unit, settings):
    """Stack session ``unit``."""
    with qa.record(layout, "stack_session", unit) as record, ExitStack() as files:
        plan = load_session(layout.session_plan(unit))
        table = read_table(layout.registered(unit))
        link = read_table(layout.link(plan.filter_set))
        for path in (layout.registered(unit), layout.link(plan.filter_set), layout.anchor()):
            record.input(path)
        shape = finer_shape(anchor_shape(layout), settings["stack"]["output_scale"])
        cfa = Cfa(plan.cfa)
        accepted = [k for k, verdict in enumerate(table["verdict"]) if verdict == "accept"]
        if link.meta.get("verdict") == "fail":
            record.flag(
                "not_linked",
                "fail",
                f"the filter set {plan.filter_set} could not be tied to the anchor, so its frames cannot be placed",
            )
            accepted = []
        elif not accepted:
            record.flag("no_frames", "fail", f"no light of {unit} was accepted, so its stack is empty")
        calibrator = Calibrator.for_session(plan, layout, settings) if accepted else None
        surveys, loaders = {}, {}
        arrays = files.enter_context(ScratchArrays(layout.session_stack(unit).parent))
        scratch = arrays.folder
        if accepted:
            surveys, loaders = _survey(
                layout, plan, settings, table, link, accepted, calibrator, shape, record, scratch
            )
        used = [k for k in accepted if k in surveys and (surveys[k].weight > 0).any()]
        if accepted and not used:
            record.flag(
                "no_frames", "fail", f"no light of {unit} overlaps the reference frame, so its stack is empty"
            )
        if used:
            total, steps, blocks, shares = _sum(
                plan, settings, table, surveys, loaders, used, calibrator, shape, arrays, record
            )
            # What calibrated the frames makes room for the writing.
            calibrator, loaders = None, {}
        else:
            blocks, shares, steps = None, None, Steps(1.0, 1.0, 1.0)
            total = {name: arrays.zeros((len(cfa.channels), *shape), kind) for name, kind in KINDS.items()}
        noise = _noise(
            blocks, surveys, used, cfa.channels, np.asarray(table["fwhm_px"], dtype=np.float64)[used]
        )
        exposure_s = float(sum(table["exposure_s"][k] for k in used))
        write_packed(
            layout.session_stack(unit),
            {name.upper(): plane for name, plane in total.items()},
            steps={name.upper(): step for name, step in vars(steps).items()},
            units={"VALUE": RATE_UNIT, **UNITS_OF_EXTENSION},
            after=arrays.release,
            keywords=_keywords(plan, len(used), exposure_s, cfa, noise, settings["stack"]["output_scale"]),
            history=_history(settings["stack"], link),
        )
        write_table(layout.frames(unit), frames_table(table, cfa.channels, surveys, used, shares))
        record.metrics(
            session_metrics(total["coverage"], total["rejected"], len(table), len(used), exposure_s, shares)
        )
        _record_channels(record, table, surveys, used, noise)


def anchor_shape(layout):
    """(ny, nx) of the anchor's grid."""
    path = layout.anchor()
    try:
        content = json.loads(path.read_text(encoding="utf-8"))
        return int(content["height"]), int(content["width"])
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise InputError(f"{path}: expected the anchor with its width and height ({error!r})") from error


def _survey(layout, plan, settings, table, link, accepted, calibrator, shape, record, scratch):
    """Row of the table -> FrameSurvey, and -> _Loader, for the frames that can be used."""
    options, cfa = settings["stack"], calibrator.cfa
    grid = SampleGrid.over(shape)
    reference = _reference_signal(layout, plan, settings, link, calibrator, grid, scratch)
    stars = read_table(layout.stars(plan.name))
    stars = stars[stars["flags"] == 0]
    made, loaders = {}, {}
    for k in progress(accepted, f"stack {plan.name}, first look"):
        frame = plan.frames[int(table["frame"][k])]
        placement = _placement(table, k, cfa, (plan.height, plan.width), finer=options["output_scale"])
        scales = star_scales(
            stars[stars["frame"] == table["frame"][k]],
            _pose(table, k, (plan.height, plan.width)),
            link,
            cfa.channels,
            wanted_error=options["scale_error"],
        )
        try:
            loaders[k] = _Loader(calibrator, frame, scratch)
            signal, variance = _sampled(loaders[k], placement, grid)
        except (InputError, StageError) as error:
            record.flag("frame_unreadable", "warn", str(error))
            continue
        made[k] = survey_frame(
            signal,
            variance,
            scales,
            reference,
            cfa,
            grid,
            pose=placement.pose,
            order=options["background_order"],
            objective=options["objective"],
            fwhm_px=float(table["fwhm_px"][k]),
        )
    return made, loaders


def _reference_signal(layout, plan, settings, link, calibrator, grid, scratch):
    """(C, n) signal of the filter set's reference frame on the grid."""
    session = link.meta["session"]
    theirs = plan
    if session != plan.name:
        theirs = load_session(layout.session_plan(session))
        calibrator = Calibrator.for_session(theirs, layout, settings)
    frame = theirs.find(link.meta["path"])
    if frame is None:
        raise StageError(
            f"{link.meta['path']}: the reference frame of {plan.filter_set} is not in session {session}"
        )
    shape = (theirs.height, theirs.width)
    pose = finer_pose(Pose.from_row(link.meta["pose"], shape), settings["stack"]["output_scale"])
    placement = Placement(pose, np.zeros((len(calibrator.cfa.channels), 2, 3)))
    signal, _ = _sampled(_Loader(calibrator, frame, scratch), placement, grid)
    if len(signal) != len(Cfa(plan.cfa).channels):
        raise StageError(f"{plan.name}: the reference frame in {session} has other colour channels")
    return signal


def _sampled(loader, placement, grid):
    calibrator, frame = loader.calibrator, loader.frame
    places = frame_positions(placement.pose, grid.x, grid.y)
    signal = calibrator.rates_at(frame, loader.pixels, placement, places)
    x, y, area = places
    # A rate of the output holds the area of its pixel, its variance the square of that.
    variance = calibrator.usual_variance(frame, signal / area, y, x) * area**2
    return signal, variance.astype(np.float32)


def _pose(table, k, shape):
    """From the frame to the anchor."""
    return Pose.from_row(table["pose"][k], shape, kind=table["pose_kind"][k])


def _placement(table, k, cfa, shape, *, finer):
    """Of a frame on the grid of the stack."""
    offsets = table.meta.get("channel_offset") or {}
    return Placement(
        finer_pose(_pose(table, k, shape), finer),
        np.array([offsets.get(channel, np.zeros((2, 3))) for channel in cfa.channels], dtype=np.float64),
    )


def _sum(plan, settings, table, surveys, loaders, used, calibrator, shape, arrays, record):
    """Packed sum of the used frames and its steps, the means of blocks and the rejected shares."""
    options, cfa = settings["stack"], calibrator.cfa
    placements = [
        _placement(table, k, cfa, (plan.height, plan.width), finer=options["output_scale"]) for k in used
    ]
    frames = [
        StackFrame(
            placement=placement,
            exposure_s=float(table["exposure_s"][k]),
            fwhm_px=float(table["fwhm_px"][k]),
            scale=np.array([entry.scale for entry in surveys[k].scales]),
            weight=surveys[k].weight,
            backgrounds=surveys[k].backgrounds,
            sky_variance=surveys[k].sky_variance,
            load=loaders[k],
            saturated=calibrator.saturated_rate(loaders[k].frame),
            corridors=_corridors(loaders[k], table, k)
            if options["reject"] and options["rejection"] == "noise_model"
            else [],
        )
        for k, placement in zip(used, placements, strict=True)
    ]
    thresholds = _thresholds(options)
    threads = int(settings["run"].get("threads", 1))
    budget = (
        settings["run"]["memory_gb"] * 1e9
        - INTERPRETER_BYTES
        - BYTES_PER_FRAME_PIXEL * plan.width * plan.height
    )
    sampler, coverage = choose_sampler(
        options["kernel"],
        options["pixfrac"],
        placements,
        np.array([frame.weight for frame in frames]),
        cfa,
        shape,
    )
    _record_sampler(record, sampler, coverage, options["output_scale"])
    tiles = plan_tiles(
        shape,
        len(frames),
        len(cfa.channels),
        budget_bytes=budget,
        halo=halo_pixels(thresholds),
        threads=threads,
    )
    if not tiles.fits:
        needed = settings["run"]["memory_gb"] + (tiles.bytes_needed - budget) / 1e9
        record.flag(
            "memory_budget",
            "warn",
            f"run.memory_gb is {settings['run']['memory_gb']:g}, and frames of {plan.width} x {plan.height} pixels need "
            f"at least {needed:.2g} GB; the stack was made in the smallest pieces and may have used more",
            settings["run"]["memory_gb"],
            needed,
        )
    expected = [
        [
            scale**2 * np.median(cells) * sampler.density_factor(cfa, channel, frame.placement)
            for scale, cells, channel in zip(frame.scale, frame.sky_variance, cfa.channels, strict=True)
        ]
        for frame in frames
    ]
    steps = Steps.of_frames(np.array([frame.weight for frame in frames]), np.array(expected))
    sink = _Sink(arrays, (len(cfa.channels), *shape), steps)
    _, blocks, shares = sum_frames(
        frames,
        cfa,
        shape,
        SampleGrid.over(shape),
        usual_level([surveys[k] for k in used]),
        sampler=sampler,
        thresholds=thresholds,
        budget_bytes=budget,
        method=options["rejection"] if options["reject"] else "noise_model",
        threads=threads,
        watch=lambda strips: progress(strips, f"stack {plan.name}", unit="strips"),
        sink=sink,
    )
    return sink.total, steps, blocks, shares


class _Sink:
    """Takes the strips of the sum, packed, into arrays on disk."""

    def __init__(self, arrays, shape, steps):
        self.arrays, self.steps = arrays, steps
        self.total = {name: arrays.zeros(shape, kind) for name, kind in KINDS.items()}

    def __call__(self, first, strip):
        for name, part in pack(strip, self.steps).items():
            self.total[name][:, first : first + part.shape[1]] = part
        self.arrays.release()


def _corridors(loader, table, k):
    """Strips of the trails that were found when the frame was measured."""
    lines = parse_ends(table["trail_ends"][k]) if "trail_ends" in table.colnames else []
    if not lines:
        return []
    rates = loader.whole()
    found = [find_corridor(rates, loader.calibrator.cfa, ends) for ends in lines]
    return [corridor for corridor in found if corridor is not None]


class _Loader:
    """Calibrated parts of one frame; made once a frame, since what is compressed is unpacked then."""

    def __init__(self, calibrator, frame, scratch):
        self.calibrator = calibrator
        self.frame = frame
        self.pixels = RawPixels(frame.path, frame.hdu, scratch)

    def whole(self):
        """All of the frame."""
        ny, nx = self.calibrator.shape
        return self((0, ny), (0, nx))

    def __call__(self, rows, columns):
        return self.calibrator.rates(self.frame, self.pixels, rows, columns)


def _record_sampler(record, sampler, coverage, output_scale):
    record.metric("sampler", sampler.kernel)
    if coverage is None:
        return
    record.metric("drop_noise_loss", coverage.loss if np.isfinite(coverage.loss) else None)
    record.metric("drop_empty_share", coverage.empty)
    if output_scale > 1 and not sampler.drops:
        record.flag(
            "grid_too_fine",
            "warn",
            f"stack.output_scale is {output_scale}, but the frames of this session are too few or too alike to fill its small "
            "pixels one by one; they were interpolated, which shows no more detail than pixels of the usual size would",
            coverage.drops,
        )
    if sampler.drops and coverage.empty > 0:
        record.flag(
            "grid_not_filled",
            "warn",
            f"stack.kernel is drizzle, but the frames leave {100 * coverage.empty:.1f} % of the pixels of a colour empty",
            coverage.empty,
            0.0,
        )


def _thresholds(options):
    if not options["reject"]:
        return Thresholds(
            high=NEVER, low=NEVER, grow=NEVER, strong=NEVER, reach=0, finer=options["output_scale"]
        )
    return Thresholds(
        high=options["reject_high_sigma"],
        low=options["reject_low_sigma"],
        grow=options["grow_sigma"],
        reach=options["grow_reach_px"],
        finer=options["output_scale"],
    )


def _noise(blocks, surveys, used, channels, fwhm_px):
    """Channel -> NoiseFigures."""
    if blocks is None:
        return {}
    weights = np.array([surveys[k].weight for k in used])
    return {channel: blocks.figures(weights, c, fwhm_px=fwhm_px) for c, channel in enumerate(channels)}


def _keywords(plan, n_used, exposure_s, cfa, noise, finer):
    return {
        "FILTSET": (plan.filter_set, "filter set"),
        "NIGHT": (plan.night, "night, noon to noon local"),
        "NFRAMES": (n_used, "frames in the sum"),
        "EXPTOTAL": (exposure_s, "[s] total exposure"),
        "CHANNELS": (",".join(cfa.channels), "planes in order"),
        **grid_keywords(finer),
        **noise_to_keywords(noise),
    }


def _history(options, link):
    steps = ", ".join(f"{name}={value}" for name, value in sorted(options.items()))
    return [
        f"stack_session: weighted mean on the anchor grid, {steps}",
        f"reference frame: {link.meta.get('session')} #{link.meta.get('frame')}",
    ]


def _record_channels(record, table, surveys, used, noise):
    """Metrics of the channels, and a flag where photometric scales are missing."""
    exposures = np.array([float(table["exposure_s"][k]) for k in used])
    for c, (channel, figures) in enumerate(noise.items()):
        weights = np.array([surveys[k].weight[c] for k in used])
        scales = np.array([surveys[k].scales[c].scale for k in used])
        record.metrics(channel_metrics(channel, weights, exposures, scales, figures))
    unmeasured = sum(not surveys[k].measured for k in used)
    if unmeasured:
        record.flag(
            "scale_unmeasured",
            "warn",
            f"{unmeasured} of {len(used)} frames share too few stars with the reference for a photometric "
            "scale; they were added unscaled",
            unmeasured,
        )
