"""Numbers as a reader wants them: a value, its uncertainty, its unit, or the reason why there is none.

Typography follows the SI brochure (BIPM 2019, section 5.4, from memory): a space between number and unit, negative
exponents for quotients, a true minus sign, uncertainty and value rounded to the same digit.
"""

import math
from dataclasses import dataclass

__all__ = [
    "ELECTRON_RATE",
    "HOUR",
    "PIXEL",
    "Quantity",
    "count_of",
    "duration",
    "fixed",
    "joined",
    "line_label",
    "measured",
    "percent",
    "significant",
    "unmeasured",
]

NARROW_SPACE = "\u202f"
"""Narrow no-break space, between a number and its unit and between groups of three digits."""

MINUS = "\u2212"
"""Minus sign; the ASCII hyphen is shorter than a plus and breaks at line ends."""

ELECTRON_RATE = "e⁻\u202fs⁻¹\u202fpx⁻¹"
"""Unit of every calibrated image: electrons per second and pixel."""

PIXEL = "px"
"""Unit of widths and residuals on the detector."""

HOUR = "h"
"""Unit of integration time."""

VALUE_DIGITS = 3
"""Significant digits of a value without uncertainty: a per cent or better, which is all that a reader compares."""

UNCERTAINTY_DIGITS = 2
"""Significant digits of an uncertainty (JCGM 100:2008, 7.2.6, from memory: at most two)."""

SCIENTIFIC_BELOW = 1e-4
"""Magnitudes under this are written as a power of ten; longer rows of zeros are misread."""

SCIENTIFIC_FROM = 1e7
"""Magnitudes from this on are written as a power of ten."""

LINE_LABELS = {"Ha": "Hα", "Hb": "Hβ", "OIII": "[O\u202fIII]", "SII": "[S\u202fII]", "NII": "[N\u202fII]"}
"""Line names of the config as they are printed; brackets mark forbidden lines."""

SUPERSCRIPTS = str.maketrans("-0123456789", "⁻⁰¹²³⁴⁵⁶⁷⁸⁹")


@dataclass(frozen=True)
class Quantity:
    """A measured number, or the plain reason why it is missing.

    Attributes
    ----------
    value : float or None
        None when it was not measured; then ``missing`` says why.
    unit : str
        As printed, empty for a pure number.
    uncertainty : float or None
        Same unit as the value; what it is (scatter, standard error) belongs in the caption.
    missing : str
        Reason in a few words, without a full stop.
    """

    value: float | None
    unit: str = ""
    uncertainty: float | None = None
    missing: str = ""

    @property
    def known(self):
        """True when there is a number to show."""
        return self.value is not None

    @property
    def bare(self):
        """The number without its unit, for tables whose heading gives that."""
        return self._text(bracket=False)

    def __str__(self):
        text = self._text(bracket=bool(self.unit))
        return f"{text}{NARROW_SPACE}{self.unit}" if self.unit and self.known else text

    def _text(self, *, bracket):
        if not self.known:
            return f"not measured ({self.missing})" if self.missing else "not measured"
        if self.uncertainty is not None and math.isfinite(self.uncertainty) and self.uncertainty > 0:
            return _with_uncertainty(self.value, self.uncertainty, bracket=bracket)
        return significant(self.value)


def measured(value, unit="", uncertainty=None, *, missing="no usable value"):
    """Quantity of a number that may be absent or not finite (then it counts as not measured)."""
    if value is None or isinstance(value, (bool, str)) or not math.isfinite(float(value)):
        return unmeasured(missing)
    spread = None if uncertainty is None or not math.isfinite(float(uncertainty)) else float(uncertainty)
    return Quantity(float(value), unit, spread)


def unmeasured(reason):
    """Quantity without a number; `reason` is shown in its place."""
    return Quantity(None, missing=reason)


def significant(value, digits=VALUE_DIGITS):
    """`value` rounded to `digits` significant digits, e.g. 0.0123, 1 230 000, 4.5 × 10⁻⁶."""
    value = float(value)
    if not math.isfinite(value):
        return "not a number"
    if value == 0.0:
        return "0"
    size = abs(value)
    if size < SCIENTIFIC_BELOW or size >= SCIENTIFIC_FROM:
        mantissa, exponent = f"{value:.{digits - 1}e}".split("e")
        power = str(int(exponent)).translate(SUPERSCRIPTS)
        return f"{mantissa.replace('-', MINUS)}{NARROW_SPACE}×{NARROW_SPACE}10{power}"
    # The exponent is taken after rounding, so that 9.996 becomes 10.0 and not 10.00.
    exponent = int(f"{value:.{digits - 1}e}".split("e")[1])
    return fixed(value, max(0, digits - 1 - exponent))


def fixed(value, decimals):
    """`value` with a fixed number of decimals, true minus sign and grouped thousands."""
    text = f"{float(value):,.{decimals}f}"
    if float(text.replace(",", "")) == 0.0:
        text = text.lstrip("-")
    return text.replace(",", NARROW_SPACE).replace("-", MINUS)


def percent(fraction, decimals=None):
    """`fraction` (0.123) as per cent (12 %); one decimal under 10 % unless told otherwise."""
    share = 100.0 * float(fraction)
    if decimals is None:
        decimals = 0 if share == 0 or abs(share) >= 10 else 1
    return f"{fixed(share, decimals)}{NARROW_SPACE}%"


def duration(seconds):
    """A span of time in the two units that matter: 42 s, 3 min 20 s, 2 h 05 min."""
    seconds = float(seconds)
    if seconds < 10:
        return f"{fixed(seconds, 1)}{NARROW_SPACE}s"
    whole = round(seconds)
    minutes, rest = divmod(whole, 60)
    hours, minutes = divmod(minutes, 60)
    if hours:
        return f"{hours}{NARROW_SPACE}h {minutes:02d}{NARROW_SPACE}min"
    if minutes:
        return (
            f"{minutes}{NARROW_SPACE}min {rest:02d}{NARROW_SPACE}s" if rest else f"{minutes}{NARROW_SPACE}min"
        )
    return f"{rest}{NARROW_SPACE}s"


def count_of(number, singular, plural=None):
    """'1 night', '3 nights', 'no nights'."""
    plural = plural or f"{singular}s"
    if number == 0:
        return f"no {plural}"
    return f"{fixed(number, 0)} {singular if number == 1 else plural}"


def joined(words, last="and"):
    """'a', 'a and b', 'a, b and c'."""
    words = [str(word) for word in words]
    if len(words) < 2:
        return "".join(words)
    return f"{', '.join(words[:-1])} {last} {words[-1]}"


def capitalised(text):
    """The text with its first letter in upper case."""
    return text[:1].upper() + text[1:]


def line_label(name):
    """A line's name as printed; names that are not known stay as they are."""
    return LINE_LABELS.get(name, name)


def _with_uncertainty(value, uncertainty, *, bracket):
    """'12.3 ± 1.2' with value and uncertainty rounded to the same digit; bracketed before a unit."""
    exponent = int(f"{uncertainty:.{UNCERTAINTY_DIGITS - 1}e}".split("e")[1])
    decimals = max(0, UNCERTAINTY_DIGITS - 1 - exponent)
    if abs(value) >= SCIENTIFIC_FROM or max(abs(value), uncertainty) < SCIENTIFIC_BELOW:
        power = int(f"{max(abs(value), uncertainty):.0e}".split("e")[1])
        scale = 10.0**power
        decimals = max(0, UNCERTAINTY_DIGITS - 1 - (exponent - power))
        body = f"{fixed(value / scale, decimals)} ± {fixed(uncertainty / scale, decimals)}"
        tail = f"{NARROW_SPACE}×{NARROW_SPACE}10{str(power).translate(SUPERSCRIPTS)}"
        return f"({body}){tail}"
    body = f"{fixed(value, decimals)} ± {fixed(uncertainty, decimals)}"
    return f"({body})" if bracket else body
