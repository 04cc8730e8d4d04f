"""Metric names as words: the unit at the end of a QA metric's name becomes a printed unit, the rest a label."""

from pipeline.report_page.quantities import ELECTRON_RATE, NARROW_SPACE, fixed, significant

__all__ = ["UNIT_SUFFIXES", "metric_text"]

UNIT_SUFFIXES = (
    ("_electrons_per_adu", "e⁻ ADU⁻¹"), ("_e_per_adu", "e⁻ ADU⁻¹"), ("_adu_per_s", "ADU s⁻¹"), ("_adu_s", "ADU s⁻¹"),
    ("_e_s", ELECTRON_RATE), ("_e_per_s", "e⁻ s⁻¹"), ("_adu", "ADU"), ("_e", "e⁻"), ("_px", "px"), ("_deg", "°"), ("_nm", "nm"),
    ("_c", "°C"), ("_percent", "%"), ("_s", "s"), ("_h", "h"), ("_mb", "MB"),
)  # fmt: skip
"""Ends of metric names and the units they stand for; the first match counts, so longer ones come first."""

NUMBERED = ("n_", "number_of_")
"""Beginnings of the names of counts."""


def metric_text(name, value):
    """'read noise 1.23 e⁻' for ("read_noise_e", 1.2345); lists are joined, None is "not measured"."""
    label, unit = name, ""
    for suffix, printed in UNIT_SUFFIXES:
        if name.endswith(suffix):
            label, unit = name[: -len(suffix)], printed
            break
    for beginning in NUMBERED:
        if label.startswith(beginning):
            label = label[len(beginning) :]
    shown = _value_text(value)
    space = NARROW_SPACE if unit and unit != "°" else ""
    return f"{label.replace('_', ' ')} {shown}{space}{unit if value is not None else ''}".rstrip()


def _value_text(value):
    if value is None:
        return "not measured"
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, list):
        return ", ".join(_value_text(item) for item in value)
    if isinstance(value, int):
        return fixed(value, 0)
    if isinstance(value, float):
        return fixed(value, 0) if value.is_integer() and abs(value) < 1e7 else significant(value)
    return str(value)
