"""Masters: combine calibration frames of one kind into one frame, and learn the camera from them.

Bias, dark and dark-flat masters stay in ADU and a dark keeps its bias. Each flat loses its pedestal and is brought
to one level per colour first (twilight fades and changes its colour); the result is 1 on average in each colour of
the pattern, and the constants taken out are kept in the header.
"""

from pathlib import Path

import numpy as np

from pipeline import qa
from pipeline.errors import InputError, StageError
from pipeline.fitsio import read_frame, read_hdus, write_fits
from pipeline.given_master import take_over
from pipeline.master_checks import check_dark, check_flat, compare_camera
from pipeline.master_keywords import master_keywords
from pipeline.numerics.cfa import Cfa
from pipeline.numerics.combine import clipped_mean
from pipeline.numerics.defects import (
    COLD,
    HOT,
    NO_VALUE,
    UNSTABLE,
    deviant_of_flat,
    hot_and_cold,
    mark,
    unstable,
)
from pipeline.numerics.flat_field import PLACES, flat_level, normalise
from pipeline.numerics.photon_transfer import photon_transfer_gain, read_noise_adu
from pipeline.plan import load_master
from pipeline.progress import progress

__all__ = ["gain_of_pair", "run"]

BYTES_PER_SAMPLE = 8
"""Memory of one sample while a band is combined: at most float32, and as much again for the frame on its way in."""

PAIRS = 6
"""At most so many pairs of frames, spread over the series, are compared for gain and read noise."""

PAIR_EDGE_PX = 2048
"""The pairs are compared in a central window of this size: four million pixels tell all there is to know."""

SAMPLE_STRIDE = 3
"""Every so many rows and columns count for the usual level and scatter; odd, so that all colours do."""

FEW_FRAMES = 3
"""Fewer cannot outvote a particle hit."""

UNKNOWN_GAIN = 0.25
"""Electrons per ADU that decide how much shot noise a warm pixel may show where no header tells the gain: low, so
that the noise of its current is not taken for instability."""

MOST_BAD = 0.02
"""More than this share of bad pixels is rather a wrong threshold, a light leak or a broken flat."""


def run(layout, unit, settings, **_):
    """Make the master called ``unit``; see the module."""
    with qa.record(layout, "masters", unit) as record:
        plan = load_master(layout.master_plan(unit))
        record.input(layout.master_plan(unit))
        if plan.given:
            take_over(layout, plan, settings, record)
            return
        options, memory_gb = settings["calibration"], settings["run"]["memory_gb"]
        cfa, is_flat = Cfa(plan.cfa), plan.kind == "flat"
        frames = _intact(plan, record)
        pedestal, dark_noise = _pedestal(layout, plan, record)
        levels = _flat_levels(frames, pedestal, cfa, record) if is_flat else None
        camera = _camera(frames, plan, pedestal, dark_noise)
        floor = _usual_scatter(camera, levels)
        mean, variance, count = _combined(plan, frames, pedestal, levels, floor, options, memory_gb)
        mask = np.where(np.isfinite(mean), 0, NO_VALUE).astype(np.uint8)
        np.nan_to_num(mean, copy=False)
        if is_flat:
            mark(mask, *deviant_of_flat(mean, cfa, share=options["flat_deviation"]))
            constants = normalise(mean, variance, mask == 0, cfa) * np.median(
                [level.signal for level in levels], axis=0
            )
            check_flat(record, levels, cfa)
        else:
            mark(mask, *hot_and_cold(mean, sigma=options["hot_sigma"]))
            expected = _expected_variance(mean, variance, count, frames, floor)
            moving = unstable(variance, count, len(frames), sigma=options["hot_sigma"], expected=expected)
            mask[moving] |= UNSTABLE
            del expected, moving
            constants = None
            record.metric("level_adu", float(np.median(mean)))
        # One frame shows no scatter; the camera's own noise stands in.
        blank = ~np.isfinite(variance)
        variance[blank] = floor**2 / np.maximum(count[blank], 1)
        _measure(record, mean, mask, count, len(frames))
        compare_camera(record, plan, frames, camera, options["gain_disagreement"])
        if plan.kind != "flat":
            check_dark(record, plan, frames, mean, mask == 0, camera["noise"])
        write_fits(
            layout.master(unit),
            mean,
            extensions={"VARIANCE": variance, "MASK": mask},
            keywords=_keywords(plan, frames, camera, constants),
            history=[
                f"clipped mean of {len(frames)} {plan.kind} frames, limit {options['clip_sigma']:g} sigma",
                f"MASK bits: {HOT} hot, {COLD} cold, {UNSTABLE} unstable, {NO_VALUE} without a value",
            ],
            bunit="" if is_flat else "adu",
        )


def _intact(plan, record):
    """Frames that are as the inventory saw them, or can still be read; the others are left out with a flag."""
    frames = []
    for frame in progress(plan.frames, f"masters {plan.name}: looking at"):
        try:
            status = Path(frame.path).stat()
            if (status.st_size, status.st_mtime_ns) != (frame.size, frame.mtime_ns):
                shape = read_frame(frame.path, frame.hdu).shape
                if shape != (plan.height, plan.width):
                    raise InputError(
                        f"{frame.path}: expected {plan.width} x {plan.height} pixels, found {shape[1]} x {shape[0]}"
                    )
        except (OSError, InputError) as error:
            record.flag("frame_skipped", "warn", f"Left out: {error}")
            continue
        frames.append(frame)
        record.input(frame.path)
    if not frames:
        raise StageError(f"none of the {len(plan.frames)} frames of master {plan.name} can be read any more")
    if len(frames) < FEW_FRAMES:
        message = (
            f"Only {len(frames)} frame(s) in master {plan.name}: particle hits cannot be told from signal."
        )
        record.flag("few_frames", "warn", message, len(frames), FEW_FRAMES)
    return frames


def _pedestal(layout, plan, record):
    """(what is subtracted from each frame, read noise in ADU that the pedestal's frames showed or None)."""
    if plan.kind != "flat":
        return 0.0, None
    if plan.pedestal is None:
        message = f"No dark-flat, bias or dark for master {plan.name}: the camera's offset stays in it and vignetting is undercorrected."
        record.flag("flat_without_pedestal", "warn", message)
        return 0.0, None
    path = layout.master(plan.pedestal)
    record.input(path)
    header, images = read_hdus(path)
    if images["PRIMARY"].shape != (plan.height, plan.width):
        raise StageError(
            f"{path}: expected {plan.width} x {plan.height} pixels, found {images['PRIMARY'].shape[::-1]}"
        )
    return images["PRIMARY"], header.get("RDNADU")


def _flat_levels(frames, pedestal, cfa, record):
    """A FlatLevel for each flat."""
    levels = []
    for frame in progress(frames, "masters: level of flats"):
        level = flat_level(read_frame(frame.path, frame.hdu), pedestal, cfa)
        if not level.signal.min() > 0:
            raise StageError(
                f"{frame.path}: a flat without light ({level.signal.min():.0f} ADU above its pedestal)"
            )
        levels.append(level)
    bright = [level.signal.mean() for level in levels]
    record.metrics({"level_adu": np.median(bright), "flat_faintest_to_brightest": min(bright) / max(bright)})
    return levels


def _camera(frames, plan, pedestal, dark_noise):
    """Read noise from pairs without light, conversion gain from pairs of flats; None where there is no pair."""
    rows, columns = (_window(n) for n in (plan.height, plan.width))
    windowed = pedestal[rows, columns] if np.ndim(pedestal) else pedestal
    values = []
    pairs = list(zip(frames[::2], frames[1::2], strict=False))
    for index in np.unique(np.linspace(0, len(pairs) - 1, PAIRS).astype(int)) if pairs else ():
        first, second = pairs[index]
        pair = [read_frame(f.path, f.hdu, rows=(rows.start, rows.stop))[:, columns] for f in (first, second)]
        if plan.kind == "flat":
            values.append(gain_of_pair(pair, windowed, dark_noise, plan.cfa))
        else:
            values.append(read_noise_adu(*pair))
    value = float(np.median(values)) if values and np.isfinite(values).all() else None
    return {"gain": value, "noise": dark_noise} if plan.kind == "flat" else {"gain": None, "noise": value}


def gain_of_pair(pair, pedestal, dark_noise, pattern):
    """Gain from two flats in electrons per ADU: median over the planes of the colour pattern, since colours must not mix.

    Parameters
    ----------
    pair : two (ny, nx) raw flats
    pedestal : (ny, nx) or number, ADU
    dark_noise : ADU, or None
    pattern : of the colours, or "mono"
    """
    if Cfa(pattern).is_mono:
        return photon_transfer_gain(*pair, pedestal, read_noise=dark_noise)
    gains = []
    for dy, dx in PLACES:
        dark = pedestal[dy::2, dx::2] if np.ndim(pedestal) else pedestal
        gains.append(photon_transfer_gain(*(f[dy::2, dx::2] for f in pair), dark, read_noise=dark_noise))
    return float(np.median(gains))


def _window(n):
    """Central slice of at most ``PAIR_EDGE_PX``, beginning with the first row or column of the pattern."""
    first = max(0, (n - PAIR_EDGE_PX) // 4 * 2)
    return slice(first, min(n, first + PAIR_EDGE_PX))


def _usual_scatter(camera, levels):
    """Scatter that every pixel has at least, in the unit of what is combined: the floor of clipping."""
    if levels is None:
        return camera["noise"] or 0.0
    # Shot noise of a flat of 1: 1 / sqrt(electrons).
    electrons = (camera["gain"] or 1.0) * np.median([level.signal.min() for level in levels])
    return float(1.0 / np.sqrt(electrons))


def _combined(plan, frames, pedestal, levels, floor, options, memory_gb):
    """Clipped mean, its variance and the count, band by band."""
    shape = (plan.height, plan.width)
    mean, variance = np.empty(shape, dtype=np.float32), np.empty(shape, dtype=np.float32)
    count = np.empty(shape, dtype=np.uint16)
    signals = None if levels is None else [level.signal for level in levels]
    # Half the budget is for the bands; even, so that every band begins with the same row of the pattern.
    rows = int(memory_gb * 1e9 / 2 / (BYTES_PER_SAMPLE * len(frames) * plan.width))
    rows = max(2, min(rows, plan.height + 1) // 2 * 2)
    for first in progress(range(0, plan.height, rows), f"masters {plan.name}: combining", unit="bands"):
        band = slice(first, min(first + rows, plan.height))
        stack = None
        for i, frame in enumerate(frames):
            pixels = read_frame(frame.path, frame.hdu, rows=(band.start, band.stop))
            if stack is None:
                stack = np.empty((len(frames), *pixels.shape), dtype=pixels.dtype)
            # Frames of one master may differ in how they are stored; float32 holds what each says.
            if pixels.dtype != stack.dtype:
                stack = stack.astype(np.float32, copy=False)
            stack[i] = pixels
        mean[band], variance[band], count[band] = clipped_mean(
            stack,
            sigma=options["clip_sigma"],
            floor=floor,
            pedestal=pedestal[band] if np.ndim(pedestal) else pedestal,
            levels=signals,
        )
    return mean, variance, count


def _expected_variance(mean, variance, count, frames, floor):
    """Variance of one value by the camera model, (ny, nx) float32, ADU^2: read noise, and the shot noise of a current
    that is stronger than usual.
    """
    sample = (slice(None, None, SAMPLE_STRIDE), slice(None, None, SAMPLE_STRIDE))
    single = variance[sample] * count[sample]
    usual = max(float(np.nanmedian(single)) if np.isfinite(single).any() else 0.0, floor**2)
    gain = next((f.electrons_per_adu for f in frames if f.electrons_per_adu), UNKNOWN_GAIN)
    expected = np.maximum(mean - np.float32(np.median(mean[sample])), np.float32(0.0))
    expected /= np.float32(gain)
    expected += np.float32(usual)
    return expected


def _measure(record, mean, mask, count, n_frames):
    bad = float(np.count_nonzero(mask) / mask.size)
    record.metrics(
        {
            "n_frames": n_frames,
            "bad_pixel_fraction": bad,
            "hot_pixels": int(np.count_nonzero(mask & HOT)),
            "cold_pixels": int(np.count_nonzero(mask & COLD)),
            "unstable_pixels": int(np.count_nonzero(mask & UNSTABLE)),
            "clipped_sample_fraction": float(1 - count.mean(dtype=np.float64) / n_frames),
        }
    )
    if bad > MOST_BAD:
        message = f"{100 * bad:.1f} % of the pixels stand out and count as bad: is something wrong with these frames?"
        record.flag("many_bad_pixels", "warn", message, bad, MOST_BAD)


def _keywords(plan, frames, camera, constants):
    return master_keywords(plan, len(frames), constants) | {
        "RDNADU": (camera["noise"], "[adu] read noise"),
        "GAINPTC": (camera["gain"], "[e-/adu] gain from flats"),
        "PEDESTAL": (plan.pedestal, ""),
    }
