"""Numbers that people write into the names of files and folders: "darks_120s_gain100_-10C", "bin2", "ISO800"."""

import re
from pathlib import Path

from pipeline.headers import number

__all__ = ["facts_of_names"]

NUMBER = r"(\d+(?:[.,]\d+)?)"

PATTERNS = {
    "exposure_s": re.compile(rf"(?<![\w.,]){NUMBER} ?(?:s|sec|secs|seconds)(?![a-z0-9])", re.IGNORECASE),
    "gain_setting": re.compile(rf"(?<![a-z])(?:gain|iso)[ -]?{NUMBER}(?![a-z.])", re.IGNORECASE),
    "offset_setting": re.compile(rf"(?<![a-z])offset[ -]?{NUMBER}(?![a-z.])", re.IGNORECASE),
    # A dash right after a letter or digit may separate as well as mean minus; such a number is not believed.
    "temperature_c": re.compile(rf"(?<![\w.,+-])([-+]?{NUMBER}) ?(?:deg ?)?C(?![a-z0-9])", re.IGNORECASE),
    "binning": re.compile(r"(?<![a-z])bin(?:ning)?[ -]?([1-9])(?:x([1-9]))?(?![a-z0-9])", re.IGNORECASE),
}
"""Habits in which the unit or the word leaves no doubt (common practice, no source)."""

SUFFIX = re.compile(r"(?:\.(?:fits|fit|fts|fz|gz))+\Z", re.IGNORECASE)


def facts_of_names(below):
    """What the names tell: the file's own first, then its folders, innermost first.

    Parameters
    ----------
    below : path below the input folder, with that folder's name before it

    Returns
    -------
    dict with some of "exposure_s", "gain_setting", "offset_setting", "temperature_c" (numbers) and "binning" ("2x2")
    """
    path = Path(below)
    facts = {}
    for part in (SUFFIX.sub("", path.name), *reversed(path.parts[:-1])):
        text = part.replace("_", " ")
        for name, pattern in PATTERNS.items():
            found = pattern.search(text)
            if found and name not in facts:
                facts[name] = f"{found[1]}x{found[2] or found[1]}" if name == "binning" else number(found[1])
    return facts
