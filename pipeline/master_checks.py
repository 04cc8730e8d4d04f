"""What masters are checked for, each finding a plain sentence: light in darks, flats that are no good, a camera that is
not what its header says.
"""

import numpy as np

from pipeline.fitsio import read_frame
from pipeline.numerics.cfa import Cfa
from pipeline.numerics.dark_checks import dark_map, odd_levels

__all__ = ["check_dark", "check_flat", "check_thermal", "compare_camera"]

CLIPPED_SHARE = 0.001
"""More than this share of a flat's pixels at its very highest value is a clipped level; noise and hot pixels put a
handful there."""

FLAT_FAINT_SIGNAL_ADU = 300.0
"""Signal below which a flat adds visible noise: at 1 e-/ADU 300 electrons are 6 % of noise a frame."""

GREEN_DISAGREEMENT = 0.03
"""Relative difference of the two green planes of a flat above which the pattern is in doubt; dust and vignetting are
common to both, and sensors agree within about 1 % (no source)."""

WEAK_COLOUR = 0.1
"""A colour with less than this share of the strongest one's light has more than three times its noise."""

COLOUR_DRIFT = 0.1
"""Twilight reddens by some per cent through a series; lamps and panels that change more do not hold still."""

LEVEL_ROWS = 64
"""Rows in the middle of a dark that tell its level: a hundred thousand pixels know it to a hundredth of the noise."""

LEVEL_STRIDE = 5
"""Every so many rows and columns count for a level; odd, so that all colours do."""

ASSUMED_NOISE_ADU = 3.0
"""Noise of a pixel where there is no pair of frames to measure it on; common for cooled cameras, no source."""

BELOW_BIAS_NOISE = 0.5
"""A dark whose level lies below its bias by more than this share of the noise of a pixel was not taken alike."""


def check_flat(record, levels, cfa):
    """Level, clipping and colour of the flats of one master.

    Parameters
    ----------
    record : qa.Record
    levels : list of FlatLevel
    cfa : Cfa
    """
    typical = np.median([level.signal for level in levels], axis=0)
    clipped = float(np.median([level.clipped_share for level in levels]))
    record.metrics({"flat_clipped_share": clipped, "flat_weakest_colour_adu": typical.min()})
    if clipped > CLIPPED_SHARE:
        message = (
            f"{100 * clipped:.1f} % of a flat's pixels stand at its highest value: expose the flats shorter."
        )
        record.flag("flat_clipped", "warn", message, clipped, CLIPPED_SHARE)
    if typical.min() < FLAT_FAINT_SIGNAL_ADU:
        message = f"The weakest colour of the flats has only {typical.min():.0f} ADU: expose them longer."
        record.flag("flat_faint", "warn", message, float(typical.min()), FLAT_FAINT_SIGNAL_ADU)
    if cfa.is_mono:
        return
    greens = np.median([level.greens for level in levels], axis=0)
    difference = float(abs(greens[0] / greens[1] - 1))
    record.metric("green_planes_difference", difference)
    if difference > GREEN_DISAGREEMENT:
        message = (
            f"The two green planes of the flat differ by {100 * difference:.1f} %: is {cfa.pattern} the right "
            "colour pattern?"
        )
        record.flag("green_planes_differ", "warn", message, difference, GREEN_DISAGREEMENT)
    _check_colour(record, levels, cfa)


def _check_colour(record, levels, cfa):
    place = {channel: cfa.offsets(channel)[0] for channel in cfa.channels}
    light = np.array([[level.signal[place[c]] for c in cfa.channels] for level in levels])
    weakest = float(np.median(light.min(axis=1) / light.max(axis=1)))
    ratios = light[:, [0, 2]] / light[:, [1]]
    drift = float((ratios.max(axis=0) / ratios.min(axis=0) - 1).max())
    record.metrics(
        {
            "flat_red_to_green": np.median(ratios[:, 0]),
            "flat_blue_to_green": np.median(ratios[:, 1]),
            "flat_colour_drift": drift,
        }
    )
    if weakest < WEAK_COLOUR:
        message = (
            f"The weakest colour of the flats has {100 * weakest:.0f} % of the strongest one's light, so its flat is "
            "noisy: take more flats, or a light source of another colour."
        )
        record.flag("flat_colour_weak", "warn", message, weakest, WEAK_COLOUR)
    if drift > COLOUR_DRIFT:
        message = (
            f"The colour of the flats changed by {100 * drift:.0f} % through the series: the light source did not hold "
            "still, or another filter is among them."
        )
        record.flag("flat_colour_drift", "warn", message, drift, COLOUR_DRIFT)


def check_dark(record, plan, frames, mean, good, noise):
    """Light and glow in a dark, dark-flat or bias master, and frames whose level is unlike the others'.

    Parameters
    ----------
    record : qa.Record
    plan : MasterPlan
    frames : list of FrameRecord that made it
    mean : (ny, nx) the master, ADU
    good : (ny, nx) bool
    noise : of a pixel of one frame, ADU, or None
    """
    noise = noise or ASSUMED_NOISE_ADU
    seen = dark_map(mean, good, Cfa(plan.cfa), pixel_error=noise / np.sqrt(len(frames)), noise=noise)
    record.metrics(
        {
            "dark_colour_adu": seen.colour_adu,
            "dark_gradient_adu": seen.gradient_adu,
            "dark_gradient_angle_deg": seen.gradient_angle_deg,
            "dark_glow_adu": seen.glow_adu,
        }
    )
    if seen.coloured:
        message = (
            f"The colours of the {plan.kind} differ by {seen.colour_adu:.1f} ADU, as if light came through the colour "
            "filters: look for a light leak."
        )
        record.flag("dark_light_leak", "warn", message, seen.colour_adu, noise)
    if seen.glowing and not seen.coloured:
        message = (
            f"Amplifier glow of {seen.glow_adu:.1f} ADU at {seen.glow_place}: a dark of the same exposure and "
            "temperature removes it."
        )
        record.flag("dark_glow", "info", message, seen.glow_adu, noise)
    _check_levels(record, plan, frames, noise)


def check_thermal(record, dark, bias, cfa):
    """What of a dark is not its bias: level and gradient. A slope by itself says little, since many a bias has one.

    Parameters
    ----------
    record : qa.Record
    dark, bias : session_masters.Master
    cfa : Cfa
    """
    noise = bias.number("RDNADU") or ASSUMED_NOISE_ADU
    thermal = dark.value - bias.value
    error = np.sqrt(max(dark.usual_variance + bias.usual_variance, 0.0))
    seen = dark_map(thermal, ~(dark.bad | bias.bad), cfa, pixel_error=error, noise=noise)
    level = float(np.median(thermal[::LEVEL_STRIDE, ::LEVEL_STRIDE]))
    record.metrics({"thermal_level_adu": level, "thermal_gradient_adu": seen.gradient_adu})
    if seen.tilted:
        message = (
            f"The dark without its bias rises by {seen.gradient_adu:.1f} ADU across the frame: look for light that leaks "
            "in from one side."
        )
        record.flag("dark_gradient", "warn", message, seen.gradient_adu, noise)
    if level < -BELOW_BIAS_NOISE * noise:
        message = (
            f"The dark lies {-level:.1f} ADU below its bias: they were not taken with the same offset, or light reached "
            "the bias."
        )
        record.flag("dark_below_bias", "warn", message, level, -BELOW_BIAS_NOISE * noise)


def _check_levels(record, plan, frames, noise):
    first = max(0, (plan.height - LEVEL_ROWS) // 2)
    rows = (first, min(plan.height, first + LEVEL_ROWS))
    levels = [float(read_frame(frame.path, frame.hdu, rows=rows).mean(dtype=np.float64)) for frame in frames]
    usual = float(np.median(levels))
    record.metric("level_spread_adu", float(np.ptp(levels)))
    for index in odd_levels(levels, noise):
        side = "above" if levels[index] > usual else "below"
        message = (
            f"{frames[index].path}: stands {abs(levels[index] - usual):.1f} ADU {side} the other frames of master "
            f"{plan.name}; light, another temperature or other settings?"
        )
        record.flag("dark_level_differs", "warn", message, levels[index], usual)


def compare_camera(record, plan, frames, camera, limit):
    """Measured gain and read noise against the header's.

    Parameters
    ----------
    record : qa.Record
    plan : MasterPlan
    frames : list of FrameRecord
    camera : dict with "gain" (electrons per ADU) and "noise" (ADU), or None
    limit : relative difference above which there is a finding
    """
    stated = {
        name: next((getattr(frame, name) for frame in frames if getattr(frame, name)), None)
        for name in ("electrons_per_adu", "read_noise_e")
    }
    record.metrics({"read_noise_adu": camera["noise"], "gain_electrons_per_adu": camera["gain"]})
    record.metric("gain_header_electrons_per_adu", stated["electrons_per_adu"])
    record.metric("read_noise_header_e", stated["read_noise_e"])
    compared = [("gain_differs", "electrons per ADU", camera["gain"], stated["electrons_per_adu"])]
    # Longer darks hold the noise of the thermal current as well; only a bias shows the read noise alone.
    if plan.kind == "bias" and camera["noise"] and stated["electrons_per_adu"]:
        noise = camera["noise"] * stated["electrons_per_adu"]
        compared.append(("read_noise_differs", "electrons of read noise", noise, stated["read_noise_e"]))
    for code, what, measured, header in compared:
        if measured and header:
            difference = measured / header - 1
            record.metric(code.replace("differs", "difference"), difference)
            if abs(difference) > limit:
                message = (
                    f"The frames of {plan.name} give {measured:.3g} {what}, the header says {header:.3g}."
                )
                record.flag(code, "warn", message, measured, header)
