"""Mistakes that no single key shows: filter sets that contradict each other, files that are not there."""

import os
from datetime import datetime
from pathlib import Path

from pipeline.settings.filters import lines_of, spellings
from pipeline.settings.tables.filter_sets import LINES_NM

__all__ = ["check_meaning"]

FIRST_DAY = "0001-01-01"
"""A date that is one, in the place of one that is not given."""

WIDEST_NARROWBAND_NM = 60.0
"""A passband of a dual-band or narrowband filter wider than this is surely a slip; such filters are 3 to 35
nm wide."""


def check_meaning(checked):
    """Add what is wrong with the meaning to ``checked.findings``; ``checked`` is what ``check_values`` gave.

    What has a finding already (its value is then None or the default) is not complained of a second time.
    """
    faulty = {finding.path for finding in checked.findings}
    _check_folders(checked, faulty)
    _check_dates(checked)
    _check_curve(checked, "camera.response", checked.settings["camera"]["response"])
    _check_filter_sets(checked, faulty)
    _check_optics(checked)


def _check_optics(checked):
    options, known = checked.settings["optics"], checked.settings["filter_sets"] or {}
    for name, entry in (options["filters"] or {}).items():
        path = f"optics.filters.{name}"
        if name not in known:
            checked.find(path, "there is no such filter set", f"one of {', '.join(known) or 'filter_sets'}")
        if entry["glass"] is not None and entry["index"] is not None:
            checked.find(f"{path}.index", "both glass and index are given", "one of the two")


def _check_folders(checked, faulty):
    folders = checked.settings["input"]["folders"] or []
    if not folders and "input.folders" not in faulty:
        checked.find("input.folders", "is empty", "at least one folder with raw frames")
    for index, folder in enumerate(folders):
        path = f"input.folders[{index}]"
        if folder is not None and not os.path.isdir(folder):
            checked.find(
                path,
                f'there is no folder "{folder}"',
                "an existing folder",
                f"Relative names start at {Path.cwd()}.",
            )
    for index, path in enumerate(checked.settings["input"]["masters"] or []):
        if path is not None and not os.path.exists(path):
            checked.find(
                f"input.masters[{index}]",
                f'there is no "{path}"',
                "an existing file or folder",
                f"Relative names start at {Path.cwd()}.",
            )
    output = checked.settings["output"]["folder"]
    if output and os.path.isfile(output):
        checked.find("output.folder", f'"{output}" is a file', "a folder, or a name that is still free")
    if output and set(output) & set("{}"):
        checked.find(
            "output.folder",
            f'found "{output}"',
            "a name without braces, which have a meaning in the workflow",
        )
    if output and any(_same(output, folder) for folder in folders if folder):
        checked.find("output.folder", f'"{output}" is an input folder too', "a folder of its own")


def _check_dates(checked):
    """Dates and times that are written in the right form and still are none, like the 30th of February."""
    for index, entry in enumerate(checked.settings["input"]["overrides"] or []):
        for name in ("start_utc", "night"):
            text = entry.get(name)
            try:
                datetime.fromisoformat(text or FIRST_DAY)
            except ValueError as error:
                path = f"input.overrides[{index}].{name}"
                checked.find(path, f'found "{text}" ({error})', "a date of the calendar")


def _check_filter_sets(checked, faulty):
    filter_sets = checked.settings["filter_sets"]
    if not filter_sets:
        if "filter_sets" not in faulty:
            checked.find(
                "filter_sets", "is empty", "at least one filter set", "See config/README.md for examples."
            )
        return
    claimed = {}
    for name, entry in filter_sets.items():
        path = f"filter_sets.{name}"
        for spelling in dict.fromkeys(spellings(name, entry)):
            if spelling in claimed:
                checked.find(
                    f"{path}.filter_names",
                    f'the filter name "{spelling}" belongs to {claimed[spelling]} already',
                    "each name in one filter set only (capitals, spaces, dashes, underscores do not count)",
                )
            claimed.setdefault(spelling, name)
        _check_bands(checked, path, entry, faulty)
        _check_curve(checked, f"{path}.transmission", entry["transmission"])
        for line in entry["line_throughput"]:
            if line not in LINES_NM:
                checked.find(
                    f"{path}.line_throughput.{line}", "unknown line", f"one of {', '.join(LINES_NM)}"
                )


def _check_bands(checked, path, entry, faulty):
    given = f"{path}.passbands_nm"
    narrow = entry["role"] in ("dualband", "narrowband")
    usable = []
    for index, band in enumerate(entry["passbands_nm"]):
        if not isinstance(band, list) or len(band) != 2 or None in band:
            continue
        usable.append(band)
        low, high = band
        if not low < high:
            checked.find(
                f"{given}[{index}]", f"found [{low:g}, {high:g}]", "the shorter wavelength first, in nm"
            )
        elif narrow and high - low > WIDEST_NARROWBAND_NM:
            checked.find(
                f"{given}[{index}]",
                f"{high - low:g} nm is too wide for a {entry['role']} filter",
                f"at most {WIDEST_NARROWBAND_NM:g} nm, or another role",
            )
    if not narrow or any(known.startswith((given, f"{path}.lines")) for known in faulty):
        return
    if not entry["passbands_nm"] and not entry["lines"]:
        checked.find(
            path, f"a {entry['role']} filter set needs passbands_nm or lines", "for example lines: [Ha, OIII]"
        )
    elif usable and entry["lines"]:
        for line in entry["lines"]:
            if line in LINES_NM and not any(low <= LINES_NM[line] <= high for low, high in usable):
                checked.find(
                    f"{path}.lines",
                    f"{line} at {LINES_NM[line]:g} nm is in none of passbands_nm",
                    "lines that the filter passes",
                )
    elif usable and not lines_of({**entry, "passbands_nm": usable}):
        lines = ", ".join(f"{line} {nm:g}" for line, nm in LINES_NM.items())
        checked.find(given, "no known line lies in these bands", f"a band with at least one of {lines} nm")


def _check_curve(checked, path, file):
    if file is not None and not os.path.isfile(file):
        checked.find(path, f'there is no file "{file}"', "an existing CSV file, or null")


def _same(one, other):
    return Path(one).resolve() == Path(other).resolve()
