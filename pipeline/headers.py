"""What a raw frame says about itself, whatever program wrote it.

Keywords are those that capture programs and observatories use at large (common practice, no source), beside
the reserved ones of FITS 4.0 (DATE-OBS, DATE-BEG, XPOSURE, OBJECT).
"""

import math
import re
from datetime import UTC, datetime, timedelta
from pathlib import Path

__all__ = [
    "KIND_KEYWORDS",
    "exposure_start",
    "frame_kind",
    "header_facts",
    "is_master",
    "kind_of_words",
    "number",
]

KIND_KEYWORDS = ("IMAGETYP", "FRAME", "FRAMETYP", "OBSTYPE", "KIND")
"""Keywords that tell what a frame is, in order of trust."""

KIND_WORDS = (
    ("darkflat", ("darkflat", "flatdark", "dark flat", "flat dark", "dark for flat")),
    ("flat", ("flat", "flatfield", "skyflat", "domeflat", "twilight")),
    ("dark", ("dark",)),
    ("bias", ("bias", "biases", "zero", "offset")),
    ("light", ("light", "object", "science", "target")),
)
"""Words that tell the kind of a frame, in the order in which they are tried: "dark flat" before "dark" and
"flat". They count as whole words; a number may follow ("flat01"), but not after "offset", where it is a setting."""

NUMBERS = {
    "exposure_s": ("EXPTIME", "EXPOSURE", "EXP_TIME", "XPOSURE"),
    "gain_setting": ("GAIN", "ISO", "ISOSPEED", "GAINSET"),
    "offset_setting": ("OFFSET", "BLKLEVEL"),
    "temperature_c": ("CCD-TEMP", "CCDTEMP", "DET-TEMP", "SET-TEMP", "CAMTEMP"),
    "outside_c": ("FOCTEMP", "FOCUSTEM", "AMBTEMP", "AMB-TEMP", "AMBIENT", "OUTTEMP"),
    "electrons_per_adu": ("EGAIN",),
    "read_noise_e": ("RDNOISE", "READNOIS", "RON"),
    "rotation_deg": ("ROTATANG", "ROTANG", "ROTATOR"),
    "focal_length_mm": ("FOCALLEN",),
    "pixel_um": ("XPIXSZ", "PIXSIZE1"),
}
"""Keywords that hold a number, in order of trust: what was measured before what was asked for."""

POSSIBLE = {
    "temperature_c": (-150.0, 80.0),
    "outside_c": (-80.0, 60.0),
    "gain_setting": (0.0, math.inf),
    "offset_setting": (0.0, math.inf),
    "rotation_deg": (-360.0, 360.0),
}
"""Range outside of which a number stands for "not known", like -273.15 or -999 degC."""

FILTER_KEYWORDS = ("FILTER", "FILTER1", "FILTERID", "FILTNAME", "FILTSET")
"""Keywords that name the filter, in order of trust."""

BINNING_KEYWORDS = (("XBINNING", "YBINNING"), ("BINX", "BINY"), ("BINNING", None), ("CCDSUM", None))
"""Keywords of the binning along x and y, or of both in one text like "2x2" or "2 2"."""

MOST_BINNING = 64
"""A larger number is no binning."""

ORIGIN_KEYWORDS = ("XORGSUBF", "YORGSUBF")
"""Keywords of the place on the sensor, in pixels as binned, where a subframe begins."""

LONGITUDE_KEYWORDS = ("SITELONG", "LONG-OBS", "OBSGEO-L")
"""Keywords of the site's longitude, east positive, in degrees or as degrees, minutes and seconds."""

POSITIVE = ("focal_length_mm", "pixel_um", "electrons_per_adu", "read_noise_e")
"""Numbers for which 0 stands for "not known"."""

DATE_KEYWORDS = ("DATE-OBS", "DATE-BEG", "DATE_OBS")
"""Keywords of the start in UTC."""

TIME_KEYWORDS = ("TIME-OBS", "UTSTART", "UT")
"""Where the start is a date alone, keywords of its time of day."""

LOCAL_KEYWORDS = ("DATE-LOC", "LOCALTIM", "LOCTIME")
"""Keywords of the start by the clock of the place."""

DAY_COUNTS = {"MJD-OBS": 0.0, "JD": 2400000.5}
"""Keywords that count days, with their count on ``MJD_ZERO`` (FITS 4.0 section 9.5)."""

MJD_ZERO = datetime(1858, 11, 17)
"""Day 0 of the Modified Julian Date."""

DATE_AND_TIME = re.compile(r"(\d{4})-(\d\d)-(\d\d)[T ](\d\d):(\d\d)(?::(\d\d)(\.\d+)?)?")
"""ISO 8601 as in FITS 4.0 section 9.1.1; seconds and their fraction are optional."""

OFFSET_STEP_H = 0.25
"""Time zones differ from UTC by whole quarters of an hour."""

LARGEST_OFFSET_H = 14.0
"""No clock on Earth is further from UTC."""


def number(value):
    """A number from a header value: 11, "11 C", "1,5" or "120 s"; None where there is none."""
    if isinstance(value, bool):
        return None
    if not isinstance(value, int | float):
        found = re.match(r"\s*([-+]?(?:\d+(?:[.,]\d*)?|[.,]\d+)(?:[eE][-+]?\d+)?)", str(value))
        if not found:
            return None
        value = found.group(1).replace(",", ".")
    try:
        value = float(value)
    except OverflowError:
        return None
    return value if math.isfinite(value) else None


def kind_of_words(text):
    """Kind of frame that a text names ("Light Frame", "FLAT", "Darks", "dark_012"), or None."""
    squeezed = re.sub(r"[\W_]+|master", " ", str(text).lower()).strip()
    for kind, words in KIND_WORDS:
        for word in words:
            after = r"[a-z]|\s*\d" if word == "offset" else "[a-z]"
            if re.search(rf"(?<![a-z]){word}s?(?!{after})", squeezed):
                return kind
    return None


def is_master(header):
    """Whether the header calls the frame a master, one that was combined from others ("Master Dark"), or is that of one
    of ours, with its keyword KIND alone.
    """
    stated = [keyword for keyword in KIND_KEYWORDS if kind_of_words(header.get(keyword, ""))]
    return stated == ["KIND"] or any("master" in str(header.get(key, "")).lower() for key in KIND_KEYWORDS)


def frame_kind(header, path):
    """What a frame is, from IMAGETYP and its like, else from its own name, else from folders, innermost first.

    Returns
    -------
    kind or None
    """
    path = Path(path)
    stated = [header.get(keyword, "") for keyword in KIND_KEYWORDS]
    named = [path.name.split(".")[0], *reversed(path.parts[:-1])]
    return next((kind for kind in map(kind_of_words, [*stated, *named]) if kind), None)


def header_facts(header):
    """Facts of a header as a dict; what it does not tell is left out.

    Parameters
    ----------
    header : dict keyword -> value

    Returns
    -------
    dict with some of: the names in ``NUMBERS``, "longitude_deg", "utc_offset_h", "filter", "binning",
    "start_utc", "start_local", "pattern_text", "origin" ("x,y", where on the sensor a subframe begins), "night" (from a
    master of ours); and always "object_name", "x_offset", "y_offset" (place of the first pixel in the colour pattern) and "row_order"
    """
    facts = {}
    for name, keywords in NUMBERS.items():
        values = (number(header[keyword]) for keyword in keywords if keyword in header)
        value = next((v for v in values if v is not None and _possible(name, v)), None)
        if value is not None:
            facts[name] = value
    longitude = next((_degrees(header[key]) for key in LONGITUDE_KEYWORDS if key in header), None)
    if longitude is not None and 0 < abs(longitude) <= 360:
        facts["longitude_deg"] = (longitude + 180) % 360 - 180
    local = next((s for s in (exposure_start(header.get(key)) for key in LOCAL_KEYWORDS) if s), None)
    if local:
        facts["start_local"] = local
    start = _start(header)
    if start:
        facts["start_utc"] = start
        offset = _utc_offset(local, start)
        if offset is not None:
            facts["utc_offset_h"] = offset
    filter_name = next((name for name in (_text(header, key) for key in FILTER_KEYWORDS) if name), "")
    if filter_name:
        facts["filter"] = filter_name
    binning = _binning(header)
    if binning:
        facts["binning"] = binning
    origin = _origin(header)
    if origin:
        facts["origin"] = origin
    pattern = (
        str(header.get("BAYERPAT") or header.get("COLORTYP") or header.get("CFAPAT") or "").strip().upper()
    )
    if pattern:
        facts["pattern_text"] = pattern
    night = str(header.get("NIGHT", "")).strip()
    if re.fullmatch(r"\d{4}-\d\d-\d\d", night):
        facts["night"] = night
    facts["object_name"] = str(header.get("OBJECT") or header.get("FIELD") or "").strip()
    for name, keyword in (("x_offset", "XBAYROFF"), ("y_offset", "YBAYROFF")):
        # Only odd or even counts.
        facts[name] = int(number(header.get(keyword, 0)) or 0) % 2
    facts["row_order"] = str(header.get("ROWORDER", "")).strip().upper()
    return facts


def exposure_start(text):
    """Start of an exposure as ISO 8601 with seconds, or None if the text is no date with time."""
    found = DATE_AND_TIME.match(str(text).strip())
    if not found:
        return None
    year, month, day, hour, minute, second = (int(part or 0) for part in found.groups()[:6])
    try:
        # A leap second is the one before, for our purpose.
        moment = datetime(year, month, day, hour, minute, min(second, 59), tzinfo=UTC)
    except ValueError:
        return None
    # Milliseconds are finer than any shutter.
    return moment.replace(tzinfo=None).isoformat() + (found.group(7) or "")[:4]


def _start(header):
    for keyword in DATE_KEYWORDS:
        date = str(header.get(keyword, "")).strip()
        times = (f"{date}T{header[key]}" for key in TIME_KEYWORDS if key in header)
        start = next((s for s in map(exposure_start, (date, *times)) if s), None)
        if start:
            return start
    for keyword, count in DAY_COUNTS.items():
        days = number(header.get(keyword, ""))
        if days:
            try:
                return (MJD_ZERO + timedelta(days=days - count)).isoformat(timespec="seconds")
            except OverflowError:
                continue
    return None


def _possible(name, value):
    """Whether a number can be what it is said to be; zeros and impossible values stand for "not known"."""
    if name in POSITIVE and value <= 0:
        return False
    lowest, highest = POSSIBLE.get(name, (-math.inf, math.inf))
    return lowest <= value <= highest


def _text(header, keyword):
    return str(header.get(keyword, "")).strip()


def _binning(header):
    """Like "2x2", or None."""
    for x_key, y_key in BINNING_KEYWORDS:
        found = re.findall(r"\d+(?:\.0*)?", " ".join(_text(header, key) for key in (x_key, y_key) if key))
        factors = [int(float(text)) for text in found[:2] if len(text) < 8]
        if factors and all(1 <= factor <= MOST_BINNING for factor in factors):
            return f"{factors[0]}x{factors[-1]}"
    return None


def _origin(header):
    """Like "640,128": first column and row of a subframe, or None."""
    place = [number(header.get(key, "")) for key in ORIGIN_KEYWORDS]
    if any(value is None or value < 0 for value in place):
        return None
    return "{:.0f},{:.0f}".format(*place)


def _utc_offset(local, start_utc):
    """Local clock minus UTC in hours, or None."""
    if local is None:
        return None
    hours = (datetime.fromisoformat(local) - datetime.fromisoformat(start_utc)).total_seconds() / 3600
    offset = round(hours / OFFSET_STEP_H) * OFFSET_STEP_H
    return offset if abs(offset) <= LARGEST_OFFSET_H else None


def _degrees(value):
    """Degrees from 11.6, "11.6" or "-70 58 12" (also with colons)."""
    parts = re.split(r"[\s:]+", str(value).strip())
    numbers = [number(part) for part in parts[:3]]
    if not numbers or any(part is None for part in numbers):
        return number(value)
    size = sum(abs(part) / 60**power for power, part in enumerate(numbers))
    return -size if parts[0].startswith("-") else size
