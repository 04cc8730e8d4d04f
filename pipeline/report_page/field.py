"""Field, focus and optical train: what the sessions tell of the telescope, and what the config's numbers say of it."""

from dataclasses import dataclass
from itertools import combinations

import numpy as np

from pipeline.field_words import difference_finding
from pipeline.numerics.focus_drift import filter_difference
from pipeline.numerics.glass import defocus_of_width_um
from pipeline.numerics.optical_train import Train, plate
from pipeline.report_page.content import Table
from pipeline.report_page.quantities import NARROW_SPACE, fixed, significant
from pipeline.settings.filters import passbands_of
from pipeline.timestamps import hours_of

__all__ = ["FieldReport", "field_report"]


@dataclass(frozen=True)
class FieldReport:
    """What the section shows, what the record keeps.

    Attributes
    ----------
    sessions : list of (session, [sentences])
    differences : findings about filter sets of one night, in the form of a QA record's flags
    optics : sentences about the optical train; empty where the config says nothing of it
    table : Table of the glass, or None
    metrics : dict for the QA record
    """

    sessions: list
    differences: list
    optics: list
    table: Table | None
    metrics: dict


def field_report(evidence):
    """Collect field diagnosis, focus of the filters and the optical train from the evidence."""
    metrics = {}
    differences = _differences(evidence, metrics)
    optics, table = _optics(evidence, metrics)
    sessions = []
    for record in evidence.of_stage("diagnose"):
        said = [flag.message for flag in record.flags]
        if said:
            sessions.append((record.unit, said))
    return FieldReport(sessions, differences, optics, table, metrics)


def _differences(evidence, metrics):
    """Findings for each two filter sets that share a night and its pixels."""
    nights = {}
    for session in evidence.sessions:
        widths = [light.number("fwhm_px") for light in session.used]
        hours = hours_of([light.start_utc for light in session.used])
        group = nights.setdefault((session.night, session.pixels), {}).setdefault(
            session.filter_set, ([], [])
        )
        group[0].extend(hours)
        group[1].extend(np.nan if width is None else width for width in widths)
    found = []
    for (night, _), groups in sorted(nights.items(), key=lambda item: str(item[0])):
        for first, second in combinations(groups, 2):
            wavelengths = tuple(_wavelength(evidence, name) for name in (first, second))
            difference = filter_difference(groups[first], groups[second], wavelengths)
            if difference is None:
                continue
            finding = difference_finding(first, second, difference)
            finding["message"] = f"Night of {night}: {finding['message']}"
            extra = _as_defocus(evidence, difference.extra_px)
            if extra and "times as wide" in finding["message"]:
                finding["message"] = f"{finding['message'][:-1]} ({extra})."
            found.append(finding)
            name = f"{first}_{second}_{night.replace('-', '_')}"
            metrics[f"focus_ratio_{name}"] = difference.ratio
            metrics[f"focus_ratio_err_{name}"] = difference.ratio * difference.ratio_err
            metrics[f"focus_extra_px_{name}"] = difference.extra_px
    return found


def _as_defocus(evidence, extra_px):
    """The distance from focus that makes so much width, in words, or ""."""
    train, pixel = _train(evidence.settings.get("optics") or {}), _pixel_um(evidence)
    if train.f_ratio is None or pixel is None:
        return ""
    distance = defocus_of_width_um(extra_px * pixel, train.f_ratio)
    return f"as {fixed(distance, 0)}{NARROW_SPACE}µm out of focus would give at f/{train.f_ratio:.3g}"


def _optics(evidence, metrics):
    """(sentences, Table or None) of the optical train."""
    options = evidence.settings.get("optics") or {}
    train = _train(options)
    said, rows = [], []
    pixel = _pixel_um(evidence)
    if train.f_ratio is not None:
        quarter, airy = train.zones_um()
        metrics.update(
            optics_f_ratio=train.f_ratio, optics_focus_zone_quarter_wave_um=quarter, optics_focus_zone_airy_um=airy
        )  # fmt: skip
        said.append(
            f"At f/{train.f_ratio:.3g} and 550{NARROW_SPACE}nm the critical focus zone is {fixed(airy, 0)}{NARROW_SPACE}µm "
            f"deep in all (4.88 λN²: the blur stays within the Airy disc), {fixed(quarter, 0)}{NARROW_SPACE}µm by the stricter "
            "quarter wave (4 λN²)."
        )
    shifts = {}
    for name, entry in (options.get("filters") or {}).items():
        glass = plate(
            entry["thickness_mm"], glass=entry.get("glass"), index=entry.get("index"),
            wavelength_nm=_wavelength(evidence, name),
        )  # fmt: skip
        spacer = train.spacer_mm(glass)
        shifts[name] = glass.shift_mm
        metrics[f"optics_glass_shift_mm_{name}"] = glass.shift_mm
        metrics[f"optics_spacer_mm_{name}"] = spacer
        blur = _pixels(train.blur_um(spacer), pixel)
        metrics[f"optics_spacing_blur_px_{name}"] = blur
        width = _width(evidence, name)
        rows.append(
            (
                name,
                f"{glass.thickness_mm:g}",
                f"{glass.index:.4f} ({glass.index_from})",
                fixed(glass.shift_mm, 2),
                "not known" if spacer is None else f"{spacer:+.2f}",
                "not known" if blur is None else significant(blur),
                "not measured" if width is None else significant(width),
            )
        )
    said += _spacing_sentences(train, shifts)
    said += _refocus_sentences(train, shifts, pixel, evidence, metrics)
    if not rows:
        return said, None
    table = Table(
        "Glass in the beam: focus moves out by t (1 − 1/n). Blur is the geometric disc of a focus error as large as the "
        "spacer that is missing; refocusing takes it from the middle of the field, not from the corners.",
        (
            "Filter set", "Glass (mm)", "Index", "Focus shift (mm)", "Spacer to add (mm)", "Blur without it (px)",
            "Measured star width (px)",
        ),
        tuple(rows),
    )  # fmt: skip
    return said, table


def _spacing_sentences(train, shifts):
    if train.back_focus_mm is None or train.spacing_mm is None:
        return []
    said = [
        f"The train adds up to {train.spacing_mm:.2f}{NARROW_SPACE}mm; the corrector asks for {train.back_focus_mm:.2f}"
        f"{NARROW_SPACE}mm, and glass other than filters adds {train.window_shift_mm:.2f}{NARROW_SPACE}mm to that."
    ]
    if not shifts:
        spacer = train.spacer_mm(None)
        said.append(f"Without a filter the spacer to add is {spacer:+.2f}{NARROW_SPACE}mm.")
    return said


def _refocus_sentences(train, shifts, pixel, evidence, metrics):
    """What changing the filter without focusing again would cost."""
    said = []
    for first, second in combinations(shifts, 2):
        step = abs(shifts[first] - shifts[second])
        text = f"From {first} to {second} the glass moves the focus by {step:.2f}{NARROW_SPACE}mm"
        blur = _pixels(train.blur_um(step), pixel)
        if blur is None:
            said.append(f"{text}.")
            continue
        metrics[f"optics_refocus_blur_px_{first}_{second}"] = blur
        widths = [width for name in (first, second) if (width := _width(evidence, name)) is not None]
        against = f" against stars {significant(min(widths))}{NARROW_SPACE}px wide" if widths else ""
        within = step * 1000 <= train.zones_um()[1] / 2
        what = "within the focus zone" if within else "so focus again"
        said.append(f"{text}: a blur of {significant(blur)}{NARROW_SPACE}px if left alone{against}, {what}.")
    return said


def _train(options):
    focal, aperture = options.get("focal_length_mm"), options.get("aperture_mm")
    spacing = options.get("spacing_mm") or []
    window = options.get("window_mm") or 0.0
    return Train(
        focal / aperture if focal and aperture else None,
        options.get("back_focus_mm"),
        float(sum(spacing)) if spacing else None,
        plate(window).shift_mm,
    )


def _pixel_um(evidence):
    given = (evidence.settings.get("optics") or {}).get("pixel_um")
    return given or next((session.pixel_um for session in evidence.sessions if session.pixel_um), None)


def _pixels(length_um, pixel_um):
    return None if length_um is None or pixel_um is None else length_um / pixel_um


def _width(evidence, name):
    """Median star width of a filter set's used lights, px."""
    widths = [
        light.number("fwhm_px")
        for each in evidence.filter_sets
        if each.name == name
        for light in each.used
        if light.number("fwhm_px") is not None
    ]
    return float(np.median(widths)) if widths else None


def _wavelength(evidence, name):
    """Mean wavelength of a filter set's passbands, nm, or None."""
    entry = (evidence.settings.get("filter_sets") or {}).get(name)
    if not entry or not entry.get("role"):
        return None
    bands = passbands_of({"passbands_nm": [], "lines": [], **entry})
    if not bands:
        return None
    widths = np.array([high - low for low, high in bands])
    middles = np.array([0.5 * (high + low) for low, high in bands])
    return float(np.average(middles, weights=widths))
