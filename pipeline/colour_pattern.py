"""The colour pattern of the stored pixels, from headers, from the pixels, and from the config.

Pixels are never flipped. A header may say with ROWORDER that the rows run bottom-up; no neutral document says
whether the pattern that it names is then that of the stored rows or of the picture as shown. The two differ, for an
even number of rows, in the diagonal on which the green pixels lie, so the pixels decide. Where they cannot, the
pattern is taken to be that of the picture as shown. Without the keyword the pattern is that of the stored rows.
"""

from collections import Counter, defaultdict

from pipeline.numerics.cfa import BAYER_PATTERNS, MONO
from pipeline.numerics.green_planes import GreenTest
from pipeline.qa import finding

__all__ = ["GREEN_DIAGONAL", "settle_patterns", "stored_pattern"]

GREEN_DIAGONAL = {"RGGB": "anti", "BGGR": "anti", "GRBG": "main", "GBRG": "main"}
"""Where the two green pixels of a pattern's 2 x 2 cell lie."""

SWAPPED_ROWS = {"RGGB": "GBRG", "GBRG": "RGGB", "BGGR": "GRBG", "GRBG": "BGGR"}
"""Pattern of the same array when its first row is the second one of the pattern."""

LEAST_AGREEMENT = 0.8
"""Share of the frames that have to show the green pixels on the same diagonal before the pixels are believed."""

ADVICE = "Set camera.cfa_pattern if red and blue come out exchanged."


def stored_pattern(text, *, x_offset=0, y_offset=0, bottom_up_height=None):
    """Colour pattern of the stored array's upper left 2 x 2 pixels, or None if the text is no Bayer pattern.

    Parameters
    ----------
    text : like "RGGB"
    x_offset, y_offset : XBAYROFF, YBAYROFF: place of the first pixel in the pattern
    bottom_up_height : number of rows where the first stored row is the last one of the pattern, else None
    """
    if text not in BAYER_PATTERNS:
        return None
    pattern = ""
    for y in (0, 1):
        row = y if bottom_up_height is None else bottom_up_height - 1 - y
        for x in (0, 1):
            pattern += text[2 * ((row + y_offset) % 2) + (x + x_offset) % 2]
    return pattern


def settle_patterns(entries, forced):
    """Give every entry its pattern under "cfa".

    Parameters
    ----------
    entries : list of dict, used entries of the inventory
    forced : ``camera.cfa_pattern`` of the config, or None

    Returns
    -------
    list of flags in the form of a QA record's
    """
    flags = []
    for entry in entries:
        entry["cfa"] = forced
    by_size = defaultdict(list)
    for entry in entries:
        look = entry["look"]
        by_size[look["width"], look["height"], entry["facts"].get("binning", "1x1")].append(entry)
    for _, group in sorted(by_size.items()):
        if forced:
            flags.extend(_contradiction(group, forced))
        else:
            flags.extend(_settle(group))
    return flags


def _settle(group):
    """Patterns of frames of one size: those whose headers claim the same are judged together."""
    flags, by_claim = [], defaultdict(list)
    for entry in group:
        by_claim[_claims(entry)].append(entry)
    silent = by_claim.pop((), [])
    usual = None
    # The most frequent claim comes first: it is what frames with a silent header are compared with.
    for claims, members in sorted(by_claim.items(), key=lambda item: (-len(item[1]), item[0])):
        pattern, found = _judged(claims, members)
        usual = usual or pattern
        flags.extend(found)
        _give(members, pattern)
    if silent:
        pattern, found = _guessed(silent, usual)
        flags.extend(found)
        _give(silent, pattern)
    return flags


def _claims(entry):
    """Patterns that the header may mean, likeliest first; () where it names none."""
    facts = entry["facts"]
    options = {"x_offset": facts["x_offset"], "y_offset": facts["y_offset"]}
    heights = (entry["look"]["height"], None) if facts["row_order"].startswith("BOTTOM") else (None,)
    text = facts.get("pattern_text", "")
    readings = [stored_pattern(text, bottom_up_height=height, **options) for height in heights]
    return tuple(dict.fromkeys(pattern for pattern in readings if pattern))


def _judged(claims, members):
    """(pattern, flags) of frames whose headers claim a pattern."""
    seen = _seen_diagonal(members)
    if seen == "none" and _binned_flats(members):
        message = (
            f"The headers mean {claims[0]}, but the frames are binned and their flats show no pattern: colours were added up "
            "by the binning, and the frames are taken for mono. Set camera.cfa_pattern if that is wrong."
        )
        return MONO, [finding("pattern_lost_by_binning", "warn", message, MONO, claims[0])]
    if seen not in ("main", "anti"):
        if len(claims) > 1:
            return claims[0], [
                finding(
                    "row_order_undecided",
                    "warn",
                    f"The headers say that rows run bottom-up; the pattern of the stored pixels is taken to be {claims[0]}, "
                    f"and the pixels do not tell. {ADVICE}",
                    claims[0],
                    claims[1],
                )
            ]
        return claims[0], []
    fitting = [pattern for pattern in claims if GREEN_DIAGONAL[pattern] == seen]
    if fitting:
        flags = []
        if len(claims) > 1:
            flags.append(
                finding(
                    "row_order_settled",
                    "info",
                    f"The headers say that rows run bottom-up; the pixels show that the stored pattern is {fitting[0]}.",
                    fitting[0],
                )
            )
        return fitting[0], flags
    pattern = SWAPPED_ROWS[claims[0]]
    message = (
        f"The headers mean {claims[0]}, but the pixels that look alike lie on the {seen} diagonal: {pattern} is used, "
        f"as if the rows were counted from the other end. {ADVICE}"
    )
    return pattern, [finding("pattern_corrected", "warn", message, pattern, claims[0])]


def _binned_flats(members):
    """Whether there are flats with a test among the frames, and these are binned. A flat is bright, so its pixels tell;
    the lights of a dark sky do not.
    """
    flats = [entry for entry in members if entry["kind"] == "flat" and not entry.get("given")]
    tested = any(entry["look"]["green"] is not None for entry in flats)
    return tested and all(entry["facts"].get("binning", "1x1") != "1x1" for entry in flats)


def _guessed(members, usual):
    """(pattern, flags) of frames whose headers name no pattern.

    Mono, unless the pixels show a colour pattern or other frames of the size name one.
    """
    seen = _seen_diagonal(members)
    if usual and (seen is None or seen == GREEN_DIAGONAL.get(usual, "none")):
        return usual, []
    if seen not in ("main", "anti"):
        return MONO, []
    hints = Counter(entry["facts"].get("filter", "").strip().upper() for entry in members)
    hint = next((text for text, _ in hints.most_common() if text in BAYER_PATTERNS), None)
    if hint is None:
        pattern = next(name for name in BAYER_PATTERNS if GREEN_DIAGONAL[name] == seen)
        said = "No header names the colour pattern"
    else:
        pattern = hint if GREEN_DIAGONAL[hint] == seen else SWAPPED_ROWS[hint]
        said = f'The headers only hint at "{hint}" (FILTER)'
    message = (
        f"{said}, and the pixels that look alike lie on the {seen} diagonal: {pattern} is assumed. {ADVICE}"
    )
    return pattern, [finding("pattern_guessed", "warn", message, pattern, hint)]


def _contradiction(group, forced):
    seen = _seen_diagonal(group)
    if forced not in GREEN_DIAGONAL or seen not in ("main", "anti") or seen == GREEN_DIAGONAL[forced]:
        return []
    message = f"camera.cfa_pattern says {forced}, but the pixels that look alike lie on the {seen} diagonal."
    return [finding("pattern_contradicted", "warn", message, seen, GREEN_DIAGONAL[forced])]


def _seen_diagonal(members):
    """Diagonal of the green pixels ("main", "anti", "none") if most frames with light agree on it, else None."""
    votes = Counter()
    for entry in members:
        test = None if entry.get("given") else entry["look"]["green"]
        if entry["kind"] in ("light", "flat") and test is not None:
            votes[GreenTest(**test).greens] += 1
    votes.pop(None, None)
    # A frame of grey or faint light says nothing against those that show a pattern.
    coloured = votes["main"] + votes["anti"]
    for diagonal in ("main", "anti"):
        if coloured and votes[diagonal] >= LEAST_AGREEMENT * coloured:
            return diagonal
    return "none" if votes["none"] and not coloured else None


def _give(members, pattern):
    for entry in members:
        entry["cfa"] = pattern
