"""Masters: combine calibration frames of one kind into one frame, and learn the camera from them.

Bias, dark and dark-flat masters stay in ADU and a dark keeps its bias. A flat loses its pedestal, each frame is
brought to one level first (twilight fades), and the result is 1 on average in each plane of the colour pattern; the
constants taken out are kept in the header.
"""

import numpy as np

from pipeline import qa
from pipeline.errors import InputError, StageError
from pipeline.fitsio import read_frame, read_image, write_fits
from pipeline.numerics.camera import photon_transfer_gain, read_noise_adu
from pipeline.numerics.cfa import Cfa
from pipeline.numerics.combine import clipped_mean
from pipeline.numerics.defects import deviant_of_flat, hot_and_cold
from pipeline.plan import load_master
from pipeline.progress import progress

__all__ = ["plane_levels", "run"]

BYTES_PER_SAMPLE = 12
"""Memory of one sample while a band is combined: as read, as float32, and room for the results."""

LEVEL_STRIDE = 4
"""Every so many cells count for the level of a flat; thousands of pixels are left even on a small sensor."""

FLAT_CLIPPED_ADU = 0.97 * 65535
"""A flat whose median comes this close to the end of the scale has lost its linearity."""

FLAT_FAINT_SIGNAL_ADU = 300.0
"""Median signal below which a flat adds visible noise: at 1 e-/ADU 300 electrons are 6 % of noise a frame."""

GREEN_DISAGREEMENT = 0.03
"""Relative difference of the two green planes of a flat above which the pattern is in doubt; dust and vignetting are
common to both."""


def plane_levels(frame, cfa):
    """Median of each position of the 2 x 2 cell, (2, 2) float64; of the whole frame, four times, for mono."""
    if cfa.is_mono:
        return np.full((2, 2), float(np.median(frame[::LEVEL_STRIDE, ::LEVEL_STRIDE])))
    step = 2 * LEVEL_STRIDE
    # Means of the central half of the values: as robust as the median, and not rounded to whole ADU.
    return np.array([[_midmean(frame[dy::step, dx::step]) for dx in (0, 1)] for dy in (0, 1)])


def run(layout, unit, settings, **_):
    """Make the master called ``unit``; see the module."""
    with qa.record(layout, "masters", unit) as record:
        plan = load_master(layout.master_plan(unit))
        record.input(layout.master_plan(unit))
        options, memory_gb = settings["calibration"], settings["run"]["memory_gb"]
        cfa = Cfa(plan.cfa)
        frames, skipped = _readable(plan)
        for path, reason in skipped:
            record.flag("frame_skipped", "warn", f"{path} is left out: {reason}")
        for frame in frames:
            record.input(frame.path)
        if not frames:
            raise StageError(f"none of the {len(plan.frames)} frames of master {unit} can be used")
        if len(frames) < 3:
            record.flag("few_frames", "warn", f"Only {len(frames)} frame(s) in master {unit}: particle hits cannot be told from signal.", len(frames), 3)
        pedestal = read_image(layout.master(plan.pedestal)) if plan.pedestal and plan.kind == "flat" else np.float32(0)
        if plan.kind == "flat" and plan.pedestal is None:
            record.flag("flat_without_pedestal", "warn", f"No dark-flat, bias or dark for master {unit}: the camera's offset stays in the flat and vignetting is undercorrected.")
        camera = _camera(frames, pedestal, cfa, plan.kind)
        levels = _flat_levels(frames, pedestal, cfa) if plan.kind == "flat" else None
        mean, variance, count = _combined(plan, frames, pedestal, levels, camera, options, memory_gb, unit)
        keywords = _keywords(plan, frames, camera)
        if plan.kind == "flat":
            mask = _finish_flat(mean, variance, levels, cfa, options, keywords, record)
        else:
            mask = hot_and_cold(mean.astype(np.float32), sigma=options["hot_sigma"])
        mask |= ~np.isfinite(mean) | (count == 0)
        record.metrics(
            {
                "n_frames": len(frames),
                "exposure_s": plan.exposure_s,
                "bad_pixel_fraction": float(mask.mean()),
                "clipped_sample_fraction": float(1 - count.mean() / len(frames)),
                "level_adu": float(np.median(mean)) if plan.kind != "flat" else float(np.median(levels)),
                "read_noise_adu": camera["read_noise_adu"],
                "gain_electrons_per_adu": camera["gain"],
            }
        )
        _compare_camera(record, plan, frames, camera, options["gain_disagreement"])
        write_fits(
            layout.master(unit),
            np.nan_to_num(mean).astype(np.float32),
            extensions={"VARIANCE": np.nan_to_num(variance).astype(np.float32), "MASK": mask.astype(np.uint8)},
            keywords=keywords,
            history=[f"clipped mean of {len(frames)} {plan.kind} frames, limit {options['clip_sigma']:g} sigma"],
            bunit="" if plan.kind == "flat" else "adu",
        )


def _readable(plan):
    """(frames that can be used, [(path, reason)]); a flat or dark that broke since the inventory is data, too."""
    good, bad = [], []
    for frame in plan.frames:
        try:
            shape = read_frame(frame.path, frame.hdu, rows=(0, 2)).shape
        except InputError as error:
            bad.append((frame.path, str(error)))
            continue
        if shape[1] == plan.width:
            good.append(frame)
        else:
            bad.append((frame.path, f"{shape[1]} pixels wide, expected {plan.width}"))
    return good, bad


def _camera(frames, pedestal, cfa, kind):
    """Read noise from the first pair without light, conversion gain from the first pair of flats."""
    found = {"read_noise_adu": None, "gain": None, "scatter": 0.0}
    if len(frames) < 2:
        return found
    first, second = (read_frame(frame.path, frame.hdu).astype(np.float32) for frame in frames[:2])
    noise = read_noise_adu(first, second)
    if kind != "flat":
        return {**found, "read_noise_adu": noise, "scatter": noise}
    # Green, or all of a mono sensor; the first lattice of it, since two colours must not mix.
    dy, dx = cfa.offsets(cfa.channels[len(cfa.channels) // 2])[0]
    step = 1 if cfa.is_mono else 2
    dark = pedestal[dy::step, dx::step] if np.ndim(pedestal) else pedestal
    # Read noise is a thousandth of a flat's variance; left out here, and never worth reading further frames.
    gain = photon_transfer_gain(first[dy::step, dx::step], second[dy::step, dx::step], dark, read_noise=0.0)
    return {**found, "gain": gain if np.isfinite(gain) else None}


def _flat_levels(frames, pedestal, cfa):
    """(n, 2, 2) level of each flat above its pedestal, per position in the cell."""
    levels = []
    for frame in frames:
        raw = read_frame(frame.path, frame.hdu).astype(np.float32) - pedestal
        levels.append(plane_levels(raw, cfa))
    levels = np.array(levels)
    if not (levels > 0).all():
        worst = frames[int(levels.min(axis=(1, 2)).argmin())].path
        raise StageError(f"{worst}: a flat without light (level {levels.min():.0f} ADU above its pedestal)")
    return levels


def _combined(plan, frames, pedestal, levels, camera, options, memory_gb, unit):
    shape = (plan.height, plan.width)
    mean, variance, count = np.empty(shape), np.empty(shape), np.empty(shape, dtype=np.int32)
    rows = int(memory_gb * 1e9 / 2 / (BYTES_PER_SAMPLE * len(frames) * plan.width))
    # Even, so that every band begins with the same row of the colour pattern.
    rows = max(2, min(rows, plan.height) // 2 * 2)
    firsts = range(0, plan.height, rows)
    scales = None if levels is None else levels.mean(axis=(1, 2))
    for first in progress(firsts, f"masters {unit}", unit="bands"):
        band = slice(first, min(first + rows, plan.height))
        stack = np.empty((len(frames), band.stop - band.start, plan.width), dtype=np.float32)
        for i, frame in enumerate(frames):
            stack[i] = read_frame(frame.path, frame.hdu, rows=(band.start, band.stop))
            if scales is not None:
                stack[i] = (stack[i] - (pedestal[band] if np.ndim(pedestal) else pedestal)) / scales[i]
        floor = camera["scatter"] if scales is None else _flat_floor(camera, scales)
        mean[band], variance[band], count[band] = clipped_mean(stack, sigma=options["clip_sigma"], floor=floor)
    return mean, variance, count


def _flat_floor(camera, scales):
    """Shot noise of a normalised flat: 1 / sqrt(electrons)."""
    gain = camera["gain"] or 1.0
    return float(1.0 / np.sqrt(gain * np.median(scales)))


def _finish_flat(mean, variance, levels, cfa, options, keywords, record):
    """Normalise each plane of the cell in place; return the mask."""
    constants = np.ones((2, 2))
    planes = [(dy, dx) for dy in (0, 1) for dx in (0, 1)]
    if cfa.is_mono:
        constants[:] = np.nanmean(mean)
        mean /= constants[0, 0]
        variance /= constants[0, 0] ** 2
    else:
        for channel in cfa.channels:
            # Both greens share a constant: their ratio is the sensor's, not the lamp's.
            offsets = cfa.offsets(channel)
            constant = np.nanmean([np.nanmean(mean[dy::2, dx::2]) for dy, dx in offsets])
            for dy, dx in offsets:
                constants[dy, dx] = constant
                mean[dy::2, dx::2] /= constant
                variance[dy::2, dx::2] /= constant**2
    level = float(levels.mean())
    for index, (dy, dx) in enumerate(planes):
        keywords[f"FLATCON{index}"] = (float(constants[dy, dx] * level), f"ADU of 1.0 at cell position y={dy}, x={dx}")
    typical = levels.mean(axis=0)
    record.metrics({"flat_fade": float(levels.mean(axis=(1, 2)).min() / levels.mean(axis=(1, 2)).max())})
    if typical.max() > FLAT_CLIPPED_ADU:
        record.flag("flat_clipped", "warn", "The flats reach the end of the scale: expose them shorter.", float(typical.max()), FLAT_CLIPPED_ADU)
    if typical.min() < FLAT_FAINT_SIGNAL_ADU:
        record.flag("flat_faint", "warn", f"The weakest colour of the flats has only {typical.min():.0f} ADU: expose them longer.", float(typical.min()), FLAT_FAINT_SIGNAL_ADU)
    if not cfa.is_mono:
        (y0, x0), (y1, x1) = cfa.offsets("G")
        difference = abs(typical[y0, x0] / typical[y1, x1] - 1)
        record.metric("green_planes_difference", difference)
        if difference > GREEN_DISAGREEMENT:
            record.flag("green_planes_differ", "warn", f"The two green planes of the flat differ by {100 * difference:.1f} %: is {cfa.pattern} the right colour pattern?", difference, GREEN_DISAGREEMENT)
    return deviant_of_flat(np.nan_to_num(mean).astype(np.float32), cfa, share=options["flat_deviation"])


def _keywords(plan, frames, camera):
    return {
        "KIND": (plan.kind, "kind of master"),
        "EXPTIME": (plan.exposure_s, "[s] exposure of its frames"),
        "NCOMBINE": (len(frames), "number of frames"),
        "NIGHT": (plan.night, "night on which they were taken"),
        "FILTSET": (plan.filter_set, "filter set"),
        "CFAPAT": (plan.cfa, "colour pattern as stored"),
        "RDNADU": (camera["read_noise_adu"], "[adu] read noise"),
        "GAINPTC": (camera["gain"], "[e-/adu] gain from flats"),
        "PEDESTAL": (plan.pedestal, ""),
    }


def _compare_camera(record, plan, frames, camera, limit):
    stated_gain = next((frame.electrons_per_adu for frame in frames if frame.electrons_per_adu), None)
    stated_noise = next((frame.read_noise_e for frame in frames if frame.read_noise_e), None)
    record.metric("gain_header_electrons_per_adu", stated_gain)
    if camera["gain"] and stated_gain:
        difference = camera["gain"] / stated_gain - 1
        record.metric("gain_difference", difference)
        if abs(difference) > limit:
            record.flag("gain_differs", "warn", f"The flats of {plan.name} give {camera['gain']:.3g} electrons per ADU, the header says {stated_gain:.3g}.", camera["gain"], stated_gain)
    if camera["read_noise_adu"] and stated_gain and stated_noise:
        measured = camera["read_noise_adu"] * stated_gain
        if abs(measured / stated_noise - 1) > limit:
            record.flag("read_noise_differs", "warn", f"The frames of {plan.name} give {measured:.3g} electrons of read noise, the header says {stated_noise:.3g}.", measured, stated_noise)


def _midmean(values):
    ordered = np.sort(np.asarray(values, dtype=np.float64), axis=None)
    quarter = ordered.size // 4
    return float(ordered[quarter : ordered.size - quarter].mean())
