"""Captions of the pictures and figures: what to see in them, with the numbers that matter."""

import numpy as np

from pipeline.report_page.quantities import (
    ELECTRON_RATE,
    PIXEL,
    capitalised,
    count_of,
    duration,
    joined,
    line_label,
    percent,
    significant,
)

__all__ = [
    "background_caption",
    "comparison_texts",
    "filter_set_texts",
    "line_caption",
    "noise_caption",
    "picture_texts",
    "registration_caption",
    "timeline_caption",
]

CLEAR = 3.0
"""Multiple of its noise above which a block counts as seen; one block in 700 exceeds it by chance."""


def picture_texts(evidence):
    """(alternative text, caption) of the fused picture."""
    sources = joined(
        f"{duration(each.used_s)} through {each.name}" for each in evidence.filter_sets if each.used_s
    )
    fused = evidence.record("fuse", "fused")
    boosts = (
        {}
        if fused is None
        else {
            k.removeprefix("boost_"): v
            for k, v in fused.metrics.items()
            if k.startswith("boost_") and v is not None
        }
    )
    gas = joined(f"{line_label(line)} ({significant(boost, 2)} times)" for line, boost in boosts.items())
    lines = f" Gas is boosted: {gas}." if boosts else ""
    alt = f"The fused colour picture of {evidence.target}, from {sources or 'the stacks of this run'}."
    return (
        alt,
        f"{evidence.target}: {sources or 'exposure not known'}.{lines} "
        "The display-ready original is fused/preview.png.",
    )


def comparison_texts(evidence):
    """(alternative text, caption) of the comparison sheet."""
    names = joined([*(each.name for each in evidence.filter_sets if each.flat is not None), "fused"])
    return (
        f"Comparison of {names}: the whole field above, a detail below.",
        f"{names} by the same rules: white from each picture's own stars, one level of the sky, softening in units of "
        "each picture's own noise. Below, the part of the field in the frame. The full sheet is fused/comparison.png.",
    )


def filter_set_texts(each):
    """(alternative text, caption) of the picture of one filter set."""
    basis = f"{count_of(len(each.used), 'light')}, {duration(each.used_s)}"
    alt = f"The flattened stack through {each.name}: {basis}."
    return (
        alt,
        f"{each.name}: {basis}, rendered by the same rules as the others (sky level, softening over noise, white "
        "gains).",
    )


def timeline_caption(evidence):
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
        else (
            "Every light was used." if evidence.stacked else "No light was rejected as far as the run went."
        )
    )


def registration_caption(evidence):
    """Caption of the registration figure."""
    residuals = sorted(
        r for light in evidence.lights if light.used and (r := light.number("residual_px")) is not None
    )
    if not residuals:
        return "No residual was measured."
    worst = max(
        (light for light in evidence.lights if light.used and light.number("residual_px") is not None),
        key=lambda light: light.number("residual_px"),
    )
    typical = significant(residuals[len(residuals) // 2], 2)
    return (
        f"The stars of the used lights meet the anchor's to {typical}\u202f{PIXEL} (median); the largest residual is "
        f"{significant(worst.number('residual_px'), 2)}\u202f{PIXEL}, in {worst.name}."
    )


def noise_caption(curves):
    """Caption of the noise figure: how close the ends of the curves come to the camera model."""
    ratios = [curve.measured[-1] / curve.ideal[-1] for curve in curves]
    furthest = max(range(len(curves)), key=lambda k: abs(ratios[k] - 1.0))
    worst = curves[furthest]
    ends = (
        f"{significant(ratios[0])} times it"
        if len(curves) == 1
        else f"{significant(min(ratios))} to {significant(max(ratios))} times it; furthest is {worst.session} with "
        f"{significant(worst.measured[-1])}\u202f{ELECTRON_RATE} after {count_of(int(worst.frames[-1]), 'light')}"
    )
    return (
        "Noise of blocks of 8\u202f×\u202f8 pixels as lights are added, root mean square of the channels, a series per "
        "filter set. "
        f"Marks are measured, lines are what the camera model allows. With all lights it is {ends}."
    )


def background_caption(backgrounds):
    """Caption of the background maps: the range that was subtracted."""
    ranges = joined(
        f"{significant(float(np.nanmax(plane) - np.nanmin(plane)))}\u202f{ELECTRON_RATE} ({name})"
        for name, plane in backgrounds.items()
    )
    return (
        "Background that was subtracted, mean of the channels, as difference from its median. Range over the field: "
        f"{ranges}."
    )


def line_caption(lines):
    """Caption of the line maps: how far each stands out of its noise."""
    parts = []
    for line, each in lines.items():
        significance = each.significance[0]
        usable = np.isfinite(significance)
        share = float(np.mean(significance[usable] > CLEAR)) if usable.any() else 0.0
        noise = significant(float(each.pixel_noise[0]), 2)
        parts.append(
            f"{line_label(line)} exceeds {CLEAR:g} times its noise in {percent(share)} of the field "
            f"(noise {noise}\u202f{ELECTRON_RATE})"
        )
    return f"Line emission in blocks, brighter is more, on an arcsinh scale. {capitalised(joined(parts))}."
