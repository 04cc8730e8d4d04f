"""What a raw frame says about itself, whatever program wrote it.

Keywords are those that capture programs and observatories use at large (common practice, no source), beside the
reserved ones of FITS 4.0 (DATE-OBS, OBJECT, INSTRUME, TELESCOP).
"""

import re
from datetime import UTC, datetime, timedelta
from pathlib import Path

from pipeline.numerics.cfa import BAYER_PATTERNS

__all__ = ["exposure_start", "frame_kind", "header_facts", "kind_of_words", "night_of", "number", "stored_pattern"]

KIND_WORDS = (
    ("darkflat", ("darkflat", "flatdark", "dark flat", "flat dark", "dark for flat")),
    ("flat", ("flat", "skyflat", "domeflat", "twilight")),
    ("dark", ("dark",)),
    ("bias", ("bias", "zero", "offset")),
    ("light", ("light", "object", "science", "target")),
)
"""Words that tell the kind of a frame, in the order in which they are tried: "dark flat" before "dark" and "flat"."""

NUMBERS = {
    "exposure_s": ("EXPTIME", "EXPOSURE", "EXP_TIME"),
    "gain_setting": ("GAIN", "ISO", "ISOSPEED"),
    "offset_setting": ("OFFSET", "BLKLEVEL"),
    "temperature_c": ("CCD-TEMP", "CCDTEMP", "SET-TEMP", "DET-TEMP", "CAMTEMP"),
    "electrons_per_adu": ("EGAIN",),
    "read_noise_e": ("RDNOISE", "READNOIS", "RON"),
    "rotation_deg": ("ROTATANG", "ROTANG", "ROTATOR"),
    "focal_length_mm": ("FOCALLEN",),
    "pixel_um": ("XPIXSZ", "PIXSIZE1"),
    "longitude_deg": ("SITELONG", "LONG-OBS", "OBSGEO-L"),
}
"""Keywords that hold a number, in order of trust."""

POSITIVE = ("focal_length_mm", "pixel_um", "electrons_per_adu", "read_noise_e")
"""Numbers for which 0 stands for "not known"."""

DATE_KEYWORDS = ("DATE-OBS", "DATE-BEG", "DATE_OBS")
"""Keywords of the start in UTC."""

NAMED_FRACTION = re.compile(r"(\d{4})-(\d\d)-(\d\d)T(\d\d):(\d\d)(?::(\d\d)(\.\d+)?)?")
"""ISO 8601 as in FITS 4.0 section 9.1.1, seconds and fraction optional."""


def number(value):
    """A number from a header value: 11, "11 C", "1,5" or "120 s"; None where there is none."""
    if isinstance(value, bool):
        return None
    if isinstance(value, int | float):
        return float(value)
    found = re.match(r"\s*([-+]?\d+(?:[.,]\d+)?(?:[eE][-+]?\d+)?)", str(value))
    return float(found.group(1).replace(",", ".")) if found else None


def kind_of_words(text):
    """Kind of frame that a text names ("Light Frame", "FLAT", "Darks"), or None."""
    squeezed = re.sub(r"[\s_\-]+", " ", str(text)).strip().lower()
    for kind, words in KIND_WORDS:
        if any(re.search(rf"(?<![a-z]){word}s?(?![a-z])", squeezed) for word in (*words, f"{kind} frame")):
            return kind
    return None


def frame_kind(header, path):
    """(kind, where it comes from): from IMAGETYP and its like, else from folder names, innermost first, or (None, "")."""
    for keyword in ("IMAGETYP", "FRAME", "FRAMETYP", "OBSTYPE"):
        kind = kind_of_words(header.get(keyword, ""))
        if kind:
            return kind, keyword
    path = Path(path)
    for part in (*reversed(path.parts[:-1]), path.stem):
        kind = kind_of_words(part)
        if kind:
            return kind, "folder or file name"
    return None, ""


def header_facts(header):
    """Facts of a header as a dict; what it does not tell is left out.

    Parameters
    ----------
    header : dict keyword -> value

    Returns
    -------
    dict with some of: the names in ``NUMBERS``, "filter", "object_name", "binning", "start_utc", "pattern_text",
    "x_offset", "y_offset", "row_order"
    """
    facts = {}
    for name, keywords in NUMBERS.items():
        values = (number(header[keyword]) for keyword in keywords if keyword in header)
        value = next((v for v in values if v is not None), None)
        if value is not None and not (name in POSITIVE and value <= 0):
            facts[name] = value
    filter_name = str(header.get("FILTER", "")).strip()
    if filter_name:
        facts["filter"] = filter_name
    facts["object_name"] = str(header.get("OBJECT") or header.get("FIELD") or "").strip()
    x_binning, y_binning = (number(header.get(key, "")) for key in ("XBINNING", "YBINNING"))
    if x_binning:
        facts["binning"] = f"{int(x_binning)}x{int(y_binning or x_binning)}"
    for keyword in DATE_KEYWORDS:
        start = exposure_start(header.get(keyword))
        if start:
            facts["start_utc"] = start
            break
    pattern = str(header.get("BAYERPAT") or header.get("COLORTYP") or "").strip().upper()
    if pattern:
        facts["pattern_text"] = pattern
    facts["x_offset"] = int(number(header.get("XBAYROFF", 0)) or 0)
    facts["y_offset"] = int(number(header.get("YBAYROFF", 0)) or 0)
    facts["row_order"] = str(header.get("ROWORDER", "")).strip().upper()
    return facts


def exposure_start(text):
    """Start of an exposure as ISO 8601 UTC with seconds, or None if the text is no date with time."""
    found = NAMED_FRACTION.match(str(text).strip().replace(" ", "T"))
    if not found:
        return None
    year, month, day, hour, minute, second = (int(part or 0) for part in found.groups()[:6])
    try:
        moment = datetime(year, month, day, hour, minute, min(second, 59), tzinfo=UTC)
    except ValueError:
        return None
    return moment.replace(tzinfo=None).isoformat() + (found.group(7) or "")[:4]


def night_of(start_utc, *, shift_h):
    """Date on which the night of an exposure began: noon to noon, local mean time.

    Parameters
    ----------
    start_utc : ISO 8601
    shift_h : local time minus UTC, hours (longitude / 15 degrees)
    """
    local = datetime.fromisoformat(start_utc) + timedelta(hours=shift_h - 12)
    return local.date().isoformat()


def stored_pattern(text, *, x_offset=0, y_offset=0, bottom_up_height=None):
    """Colour pattern of the stored array's upper left 2 x 2 pixels, or None if the text is no Bayer pattern.

    The offsets say where in the pattern the first pixel lies. A header that declares its rows bottom-up describes the
    picture as displayed; the stored rows then run through the pattern from its other end. No neutral document
    defines the keyword, so the data have the last word (see the inventory).

    Parameters
    ----------
    text : like "RGGB"
    x_offset, y_offset : XBAYROFF, YBAYROFF
    bottom_up_height : number of rows where the rows are declared bottom-up, else None
    """
    if text not in BAYER_PATTERNS:
        return None
    pattern = ""
    for y in (0, 1):
        row = y if bottom_up_height is None else bottom_up_height - 1 - y
        for x in (0, 1):
            pattern += text[2 * ((row + y_offset) % 2) + (x + x_offset) % 2]
    return pattern
