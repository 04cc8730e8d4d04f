"""Plain sentences with live numbers: the verdict, what happened, what next."""

from pathlib import Path

from pipeline.report_page.findings import group_findings, open_flags
from pipeline.report_page.quantities import (
    PIXEL,
    capitalised,
    count_of,
    duration,
    fixed,
    joined,
    measured,
    percent,
    significant,
)

__all__ = ["anchor_sentence", "happened", "limiting_sentence", "no_remarks", "outlook_sentence", "verdict"]

MANY_REJECTED = 1 / 3
"""A few rejected lights are the ordinary course of a night; from this share on, something went wrong."""


def verdict(evidence):
    """(level, sentence): level is "pass", "warn" or "fail"."""
    used = sum(light.used for light in evidence.lights)
    total = len(evidence.lights)
    stacked = [
        each.name
        for each in evidence.filter_sets
        if each.used and (each.flat is not None or each.stack is not None)
    ]
    hours = duration(sum(each.used_s for each in evidence.filter_sets))
    nights = count_of(len(evidence.nights), "night")
    basis = f"{fixed(used, 0)} of {count_of(total, 'light')} went in, {hours} of exposure in {nights}"
    if not total:
        return "fail", "There is no picture: no usable light frame was found."
    if not used:
        return "fail", f"There is no picture: none of the {count_of(total, 'light')} could be used."
    if not stacked:
        return (
            "fail",
            f"There is no picture: no stack was finished, although {fixed(used, 0)} of {count_of(total, 'light')} "
            "passed so far.",
        )
    if evidence.preview is None:
        return "fail", f"There is no fused picture, only the stack of {joined(stacked)}: {basis}."
    remarks = group_findings(open_flags(evidence))
    undone = sum(len(group.items) for group in remarks if group.severity == "fail")
    if undone:
        return "warn", f"The picture is finished, but {count_of(undone, 'thing')} could not be done: {basis}."
    asides = []
    if used < total:
        asides.append(f"{count_of(total - used, 'light')} not used")
    if evidence.quarantined:
        asides.append(f"{count_of(len(evidence.quarantined), 'file')} set aside")
    looks = sum(len(group.items) for group in remarks)
    if looks:
        asides.append(f"{count_of(looks, 'remark')}")
    level = "warn" if looks or total - used > MANY_REJECTED * total else "pass"
    tail = f" ({joined(asides)})" if asides else ""
    return level, f"The picture is finished: {basis}{tail}."


def no_remarks(evidence):
    """What is said where no light is rejected or stands out."""
    if not evidence.lights:
        return "There are no lights."
    if not evidence.stacked:
        return "No light was rejected as far as the run went."
    return "Every light was used, and none stands out."


def happened(evidence):
    """A few sentences on nights, sessions, hours and frames."""
    lights = evidence.lights
    used = [light for light in lights if light.used]
    sentences = [
        f"{capitalised(count_of(len(evidence.nights), 'night'))} with {count_of(len(evidence.sessions), 'session')} "
        f"through {count_of(len(evidence.filter_sets), 'filter set')}"
        + (f" ({joined(each.name for each in evidence.filter_sets)})." if evidence.filter_sets else ".")
    ]
    if evidence.files_seen is not None:
        sentences.append(
            f"{capitalised(count_of(evidence.files_seen, 'file'))} seen, "
            f"{count_of(len(evidence.quarantined), 'file')} quarantined."
        )
    if lights:
        share = f" ({percent(len(used) / len(lights))})" if len(used) != len(lights) else ""
        verb = "used" if evidence.stacked else "passed so far"
        sentences.append(
            f"{fixed(len(used), 0)} of {count_of(len(lights), 'light')} {verb}{share}, "
            f"{duration(sum(light.exposure_s for light in used))} of "
            f"{duration(sum(light.exposure_s for light in lights))}."
        )
    return sentences


def anchor_sentence(anchor):
    """Which frame everything is aligned to, or an empty text."""
    path = anchor.get("path")
    if not path:
        return ""
    width = measured(anchor.get("fwhm_px"), PIXEL)
    detail = (
        f" (star width {width}, {count_of(int(anchor['n_stars']), 'star')})"
        if width.known and anchor.get("n_stars")
        else ""
    )
    return (
        f"All frames are aligned to {Path(path).name} of session {anchor.get('session', 'unknown')}{detail}; "
        "it stays pinned when nights are added."
    )


def outlook_sentence(each):
    """One more night for one filter set."""
    gain = percent(1.0 - each.noise_ratio)
    basis = (
        "the measured weights" if each.weighted else "lights of equal weight, since no weights were measured"
    )
    return (
        f"{each.filter_set}: one more night like the median one so far ({count_of(each.frames, 'light')}, "
        f"{duration(each.hours * 3600)}) would lower the noise by {gain}; to halve it takes "
        f"{count_of(each.frames_to_halve, 'more light', 'more lights')} "
        f"(from {basis})."
    )


def limiting_sentence(name, best):
    """Which filter set limits, from the figures it follows from.

    Parameters
    ----------
    name : filter set, or None if none clearly does
    best : dict filter set -> (signal-to-noise of a block now, region in words)
    """
    figures = joined(
        f"{significant(value, 2)} through {key} ({region})" for key, (value, region) in best.items()
    )
    claim = (
        "No filter set clearly limits the picture" if name is None else f"{name} is the limiting filter set"
    )
    return (
        f"{claim}: where each sees the object best, the signal-to-noise of a block of 8\u202f×\u202f8 pixels is now "
        f"{figures}."
    )
