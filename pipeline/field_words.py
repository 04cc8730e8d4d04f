"""What the field says of optics and focus, each in a plain sentence with how sure it is.

Every function gives a finding in the form of a QA record's flag. Severity "warn" is for what is certain and worth
an evening's work; the rest is "info", which the records keep and the report shows in its own section.
"""

import math

from pipeline.qa import finding

__all__ = ["difference_finding", "drift_finding", "dust_finding", "shape_findings"]

CERTAIN_SIGMA, LIKELY_SIGMA = 5.0, 3.0
"""Above, a figure is called certain, or likely; chance does that once in a million, or in a thousand cases."""

WORTH_WIDTH = 0.15
"""Differences of width over the field, or in a night, of less than this share are hardly seen in a picture."""

WORTH_ELONGATION = 1.15
"""The same for the ratio of a star's axes."""

WORTH_DUST = 0.25
"""Share of a dust shadow that may stay or be overdone before it shows in a stretched picture."""

LARGEST_DUST_ERROR = 0.125
"""Half of what would matter: with a larger error one cannot say that all is well."""


def shape_findings(shape):
    """Findings about tilt, curvature, one-directional elongation and the off-axis pattern.

    Parameters
    ----------
    shape : FieldShape, or None
    """
    if shape is None:
        message = "Tilt and off-axis stars: not measured, too few places in the field have a star to fit."
        return [finding("field_unmeasured", "info", message)]
    return [_tilt(shape), _curvature(shape), _common(shape), _off_axis(shape)]


def drift_finding(found, *, unit, what, width_px, seen):
    """Whether star width follows time or temperature.

    Parameters
    ----------
    found : Drift, or None
    unit, what : like "hour" and "time"
    width_px : usual width
    seen : number of lights
    """
    code = f"focus_with_{what}"
    if found is None:
        message = (
            f"Focus against {what}: not measured, {seen} lights are too few or their {what} does not change."
        )
        return finding(code, "info", message)
    sure = _surety(found.sigma)
    if not sure:
        bound = 2 * found.slope_err + abs(found.slope)
        message = (
            f"Star width does not follow {what}: {found.slope:+.2f} ± {found.slope_err:.2f} px per {unit}, so less than "
            f"{bound:.2f} px per {unit}."
        )
        return finding(code, "info", message, found.slope)
    severity = _severity(found.sigma, abs(found.change_px) / width_px, WORTH_WIDTH)
    verb = "grows" if found.slope > 0 else "shrinks"
    message = (
        f"Star width {verb} with {what} by {abs(found.slope):.2f} ± {found.slope_err:.2f} px per {unit}, "
        f"{abs(found.change_px):.2f} px in all ({sure}): focus drifts, or the air changed likewise."
    )
    return finding(code, severity, message, found.slope)


def difference_finding(first, second, found):
    """Whether stars are wider through one filter set of a night than through another.

    Parameters
    ----------
    first, second : names
    found : Difference
    """
    sure = _surety(found.sigma)
    if found.apart_h > 0:
        air = "its colour and its wandering between the two included"
    else:
        air = "its colour taken off, lights taken in turns"
    if not sure:
        message = (
            f"{first} and {second} focus alike as far as the air lets one tell: widths in the ratio "
            f"{found.ratio:.2f} ± {found.ratio * found.ratio_err:.2f} ({air})."
        )
        return finding("filters_focus", "info", message, found.ratio)
    wide, sharp = ((first, second), (second, first))[found.wider]
    factor = max(found.ratio, 1 / found.ratio)
    message = (
        f"Stars through {wide} are {factor:.2f} ± {factor * found.ratio_err:.2f} times as wide as through {sharp} "
        f"({sure}, {air}): {found.extra_px:.1f} px of blur of its own; focus {wide} by itself."
    )
    severity = _severity(found.sigma, factor - 1, WORTH_WIDTH)
    return finding("filters_focus", severity, message, found.ratio)


def dust_finding(match):
    """Whether the dust of the flat is where it is in the lights.

    Parameters
    ----------
    match : DustMatch
    """
    if not match.shadow_blocks:
        return finding(
            "flat_dust", "info", "The flat shows no dust shadow, so none can have moved.", 0, WORTH_DUST
        )
    sigma = abs(match.beta) / match.beta_err if match.beta_err > 0 else 0.0
    if not match.beta_err <= LARGEST_DUST_ERROR and sigma < CERTAIN_SIGMA:
        known = math.isfinite(match.beta) and math.isfinite(match.beta_err)
        figures = f" ({match.beta:+.2f} ± {match.beta_err:.2f} of their depth is left)" if known else ""
        message = (
            f"Whether the flat's dust shadows, up to {100 * match.deepest:.1f} % deep, were removed cannot be told: the lights "
            f"are too faint or too full of structure{figures}."
        )
        return finding("flat_dust", "info", message, match.beta, WORTH_DUST)
    if not math.isfinite(match.beta) or sigma < CERTAIN_SIGMA or abs(match.beta) < WORTH_DUST:
        message = (
            f"Dust shadows of the flat, up to {100 * match.deepest:.1f} % deep, are gone from the calibrated lights: "
            f"{match.beta:+.2f} ± {match.beta_err:.2f} of their depth is left."
        )
        return finding("flat_dust", "info", message, match.beta, WORTH_DUST)
    if match.beta < 0:
        message = (
            f"The flat's dust shadows are bright spots in the calibrated lights, {-100 * match.beta:.0f} % of their depth "
            f"({sigma:.0f} sigma): the dust has moved or gone since the flats; take flats with every session."
        )
        return finding("flat_dust", "warn", message, match.beta, WORTH_DUST)
    message = (
        f"{100 * match.beta:.0f} % of the depth of the flat's dust shadows is left in the calibrated lights ({sigma:.0f} "
        "sigma): the flats hold light that the lights did not get, or lack their pedestal."
    )
    return finding("flat_dust", "warn", message, match.beta, WORTH_DUST)


def _tilt(shape):
    share = shape.tilt_px / shape.width_px
    sure = _surety(shape.tilt_sigma)
    figures = f"{shape.tilt_px:.2f} ± {shape.tilt_px_err:.2f} px of {shape.width_px:.2f}"
    if sure:
        message = (
            f"Stars get wider towards {_direction(shape.tilt_angle_deg)}, by {figures} from end to end ({sure}): sensor or "
            "train is tilted."
        )
        return finding("tilt", _severity(shape.tilt_sigma, share, WORTH_WIDTH), message, shape.tilt_px)
    sure = _surety(shape.ridge_sigma)
    if sure:
        message = (
            f"Stars are wider at both ends of the line at {shape.ridge_angle_deg:.0f} degrees than across it, by "
            f"{shape.ridge_px:.2f} ± {shape.ridge_px_err:.2f} px ({sure}): a tilt about a line of best focus, or astigmatism."
        )
        severity = _severity(shape.ridge_sigma, shape.ridge_px / shape.width_px, WORTH_WIDTH)
        return finding("tilt", severity, message, shape.ridge_px)
    bound = shape.tilt_px + 2 * shape.tilt_px_err
    message = (
        f"No tilt is seen: less than {bound:.2f} px of {shape.width_px:.2f} from end to end of the field."
    )
    return finding("tilt", "info", message, shape.tilt_px)


def _curvature(shape):
    sigma = abs(shape.curvature_px) / shape.curvature_px_err if shape.curvature_px_err > 0 else 0.0
    sure = _surety(sigma)
    figures = f"{abs(shape.curvature_px):.2f} ± {shape.curvature_px_err:.2f} px"
    if not sure:
        message = f"Corners and middle are equally sharp, to {2 * shape.curvature_px_err:.2f} px."
        return finding("field_curvature", "info", message, shape.curvature_px)
    side = "wider" if shape.curvature_px > 0 else "sharper"
    message = (
        f"Stars are {side} in the corners than in the middle, by {figures} of {shape.width_px:.2f} ({sure}): field "
        "curvature, spacing, or focus set for another place."
    )
    severity = _severity(sigma, abs(shape.curvature_px) / shape.width_px, 2 * WORTH_WIDTH)
    return finding("field_curvature", severity, message, shape.curvature_px)


def _common(shape):
    ratio, error = _axes(shape.common_e), 2 * shape.common_e_err
    sure = _surety(shape.common_sigma)
    if not sure:
        message = (
            f"No direction is common to the stars of all the field: axes as 1 to {ratio:.3f} ± {error:.3f}."
        )
        return finding("common_elongation", "info", message, ratio)
    message = (
        f"Stars of all the field are drawn out along one direction, {shape.common_angle_deg:.0f} degrees from +x towards "
        f"+y, axes as 1 to {ratio:.3f} ± {error:.3f} ({sure}): guiding, wind, or collimation."
    )
    return finding(
        "common_elongation", _severity(shape.common_sigma, ratio, WORTH_ELONGATION), message, ratio
    )


def _off_axis(shape):
    sigma = abs(shape.radial_e) / shape.radial_e_err if shape.radial_e_err > 0 else 0.0
    ratio, error = _axes(abs(shape.radial_e)), 2 * shape.radial_e_err
    sure = _surety(sigma)
    if not sure:
        message = (
            f"Corner stars show no radial or tangential pattern: axes as 1 to {ratio:.3f} ± {error:.3f}."
        )
        return finding("off_axis", "info", message, shape.radial_e)
    pattern, cause = (
        ("radial (towards the centre)", "spacing of the corrector too small or large, coma or astigmatism")
        if shape.radial_e > 0
        else ("tangential (around the centre)", "spacing of the corrector, astigmatism, or field rotation")
    )
    message = (
        f"Corner stars are drawn out {pattern}, axes as 1 to {ratio:.3f} ± {error:.3f} ({sure}): {cause}."
    )
    return finding("off_axis", _severity(sigma, ratio, WORTH_ELONGATION), message, shape.radial_e)


def _surety(sigma):
    """Words for a significance, "" for none."""
    if sigma >= CERTAIN_SIGMA:
        return f"certain, {sigma:.0f} sigma"
    return f"likely, {sigma:.1f} sigma" if sigma >= LIKELY_SIGMA else ""


def _severity(sigma, size, worth):
    return "warn" if sigma >= CERTAIN_SIGMA and size >= worth else "info"


def _axes(e):
    """Ratio of the axes from (long - short) / (long + short)."""
    return (1 + min(e, 0.95)) / (1 - min(e, 0.95))


def _direction(angle_deg):
    """A direction in the stored frame in words: rows run down, so positive angles are towards the last row."""
    names = (
        "the last column", "the corner of last row and last column", "the last row",
        "the corner of last row and first column", "the first column", "the corner of first row and first column",
        "the first row", "the corner of first row and last column",
    )  # fmt: skip
    return f"{names[round(angle_deg / 45) % 8]} ({angle_deg:.0f} degrees from +x towards +y)"
