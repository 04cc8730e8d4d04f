"""Plain sentences with live numbers: the verdict, what happened, and what each figure shows."""

import numpy as np

from pipeline.report_page.findings import counts, group_findings, open_flags
from pipeline.report_page.quantities import (
    ELECTRON_RATE, PIXEL, count_of, duration, fixed, joined, line_label, measured, percent, significant,
)  # fmt: skip

__all__ = [
    "anchor_sentence", "background_sentence", "capitalised", "happened", "limiting_sentence", "line_sentence", "noise_sentence", "outlook_sentence", "picture_texts", "registration_sentence",
    "timeline_sentence", "verdict",
]


def verdict(evidence):
    """(level, sentence): level is "pass", "warn" or "fail"."""
    used = sum(light.used for light in evidence.lights)
    total = len(evidence.lights)
    number = counts(evidence.flags)
    stacked = [each.name for each in evidence.filter_sets if each.used and (each.flat is not None or each.stack is not None)]
    hours = duration(sum(each.used_s for each in evidence.filter_sets))
    nights = count_of(len(evidence.nights), "night")
    basis = f"{fixed(used, 0)} of {count_of(total, 'light')} are in it, {hours} of exposure in {nights}"
    if not total:
        return "fail", "There is no picture: no usable light frame was found."
    if not used:
        return "fail", f"There is no picture: none of the {count_of(total, 'light')} could be used."
    if not stacked:
        return "fail", f"There is no picture: no stack was finished, although {fixed(used, 0)} of {count_of(total, 'light')} could be used."
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
    level = "warn" if number["warn"] else "pass"
    tail = f" ({joined(asides)})" if asides else ""
    return level, f"The picture is finished: {basis}{tail}."


def picture_texts(evidence):
    """(alternative text, caption) of the fused picture."""
    sources = joined(
        f"{duration(each.used_s)} through {each.name}" for each in evidence.filter_sets if each.used_s
    )
    fused = evidence.record("fuse", "fused")
    boosts = {} if fused is None else {k.removeprefix("boost_"): v for k, v in fused.metrics.items() if k.startswith("boost_") and v is not None}
    gas = joined(f"{line_label(line)} ({significant(boost, 2)} times)" for line, boost in boosts.items())
    lines = f" Gas is boosted: {gas}." if boosts else ""
    alt = f"The fused colour picture of {evidence.target}, from {sources or 'the stacks of this run'}."
    return alt, f"{evidence.target}: {sources or 'exposure not known'}.{lines} The display-ready original is fused/preview.png."


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
        sentences.append(f"{capitalised(count_of(evidence.files_seen, 'file'))} seen, {count_of(len(evidence.quarantined), 'file')} quarantined.")
    if lights:
        share = f" ({percent(len(used) / len(lights))})" if len(used) != len(lights) else ""
        sentences.append(
            f"{fixed(len(used), 0)} of {count_of(len(lights), 'light')} used{share}, "
            f"{duration(sum(light.exposure_s for light in used))} of {duration(sum(light.exposure_s for light in lights))}."
        )
    return sentences


def anchor_sentence(anchor):
    """Which frame everything is aligned to, or an empty text."""
    path = anchor.get("path")
    if not path:
        return ""
    width = measured(anchor.get("fwhm_px"), PIXEL)
    detail = f" (star width {width}, {count_of(int(anchor['n_stars']), 'star')})" if width.known and anchor.get("n_stars") else ""
    return f"All frames are aligned to {str(path).rsplit('/', 1)[-1]} of session {anchor.get('session', 'unknown')}{detail}; it stays pinned when nights are added."


def timeline_sentence(evidence):
    """Caption of the timeline: the span of star widths per filter set, and what was left out."""
    spans = []
    for each in evidence.filter_sets:
        widths = sorted(width for light in each.used if (width := light.number("fwhm_px")) is not None)
        if widths:
            spans.append(f"{each.name} {significant(widths[0])} to {significant(widths[-1])}\u202f{PIXEL}")
    out = sum(not light.used for light in evidence.lights)
    text = f"Star width of the used lights: {joined(spans)}. " if spans else ""
    return text + (
        f"{capitalised(count_of(out, 'light'))} marked with a cross {'was' if out == 1 else 'were'} not used."
        if out
        else "Every light was used."
    )


def registration_sentence(evidence):
    """Caption of the registration figure."""
    residuals = sorted(r for light in evidence.lights if light.used and (r := light.number("residual_px")) is not None)
    if not residuals:
        return "No residual was measured."
    worst = max((light for light in evidence.lights if light.used and light.number("residual_px") is not None),
                key=lambda light: light.number("residual_px"))  # fmt: skip
    return (
        f"The stars of the used lights meet the anchor's to {significant(residuals[len(residuals) // 2], 2)}\u202f{PIXEL} "
        f"(median); the largest residual is {significant(worst.number('residual_px'), 2)}\u202f{PIXEL}, in {worst.name}."
    )


def noise_sentence(curves):
    """Caption of the noise figure."""
    ends = [
        f"{significant(curve.measured[-1])}\u202f{ELECTRON_RATE} with {count_of(int(curve.frames[-1]), 'light')} in {curve.session} "
        f"({significant(curve.measured[-1] / curve.ideal[-1])} times the camera model)"
        for curve in curves
    ]
    return (
        "Noise of blocks of 8 × 8 pixels as lights are added, root mean square of the channels; marks are measured, lines are "
        f"what the camera model allows. It ends at {joined(ends)}."
    )


def outlook_sentence(each):
    """One more night for one filter set."""
    gain = percent(1.0 - each.noise_ratio)
    basis = "the measured weights" if each.weighted else "lights of equal weight, since no weights were measured"
    return (
        f"{each.filter_set}: one more night like the median one so far ({count_of(each.frames, 'light')}, "
        f"{duration(each.hours * 3600)}) would lower the noise by {gain}; to halve it takes {count_of(each.frames_to_halve, 'more light', 'more lights')} "
        f"(from {basis})."
    )


def limiting_sentence(name, best):
    """Which filter set limits, from the figures it follows from.

    Parameters
    ----------
    best : dict filter set -> (signal-to-noise of a block now, region in words)
    """
    figures = joined(f"{significant(value, 2)} through {key} ({region})" for key, (value, region) in best.items())
    return (
        f"{name} is the limiting filter set: where each sees the object best, the signal-to-noise of a block of 8 × 8 "
        f"pixels is now {figures}."
    )


def background_sentence(backgrounds):
    """Caption of the background maps: the range that was subtracted."""
    ranges = joined(
        f"{significant(float(np.nanmax(plane) - np.nanmin(plane)))}\u202f{ELECTRON_RATE} ({name})"
        for name, plane in backgrounds.items()
    )
    return f"Background that was subtracted, mean of the channels, as difference from its median. Range over the field: {ranges}."


def line_sentence(lines):
    """Caption of the line maps: how far each stands out of its noise."""
    parts = []
    for line, each in lines.items():
        significance = each.significance[0]
        usable = np.isfinite(significance)
        share = float(np.mean(significance[usable] > 3)) if usable.any() else 0.0
        noise = significant(float(each.pixel_noise[0]), 2)
        parts.append(f"{line_label(line)} exceeds 3 times its noise in {percent(share)} of the field (noise {noise}\u202f{ELECTRON_RATE})")
    return f"Line emission in blocks, brighter is more, on an arcsinh scale. {capitalised(joined(parts))}."


def capitalised(text):
    """The text with its first letter in upper case."""
    return text[:1].upper() + text[1:]
