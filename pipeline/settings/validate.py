"""Hold what a config says against the tables of keys, and fill in what it leaves out."""

import copy
import difflib
import math
import os
import re

from pipeline.settings.findings import Finding, shown
from pipeline.settings.keys import REQUIRED

__all__ = ["Checked", "check_values", "expectation", "tree_of"]

CLOSE_ENOUGH = 0.6
"""Similarity (difflib, 0 to 1) from which a valid key is offered for a mistyped one; the library's own
default."""


class Checked:
    """Outcome of a check: ``settings``, a nested dict with every key filled, and ``findings``."""

    def __init__(self, lines):
        self.settings = {}
        self.findings = []
        self._lines = lines

    def find(self, path, problem, expected="", hint=""):
        """Add a finding about the key ``path``."""
        self.findings.append(Finding(path, problem, expected, hint, self._line(path)))

    def _line(self, path):
        """Line of the key, or of the nearest key around it that the file does have."""
        while path and path not in self._lines:
            path = path[: max(path.rfind("."), path.rfind("["), 0)]
        return self._lines.get(path)


def tree_of(keys):
    """Nest keys by their dotted paths: name -> ``Key`` or such a tree."""
    tree = {}
    for key in keys:
        *above, name = key.path.split(".")
        branch = tree
        for part in above:
            branch = branch.setdefault(part, {})
        branch[name] = key
    return tree


def check_values(values, keys, *, lines=None):
    """Check everything, and go on after each mistake.

    Parameters
    ----------
    values : nested dict from the config file
    keys : sequence of ``Key``
    lines : line of each dotted path in the file

    Returns
    -------
    Checked; where something is wrong, its settings hold the default in that place
    """
    checked = Checked(lines or {})
    tree = tree_of(keys)
    checked.settings = _branch(values, tree, "", checked, [key.path for key in keys])
    return checked


def expectation(key):
    """What a key takes, in words: "a number from 2 to 50 sigma"."""
    words = _expected(key)
    return f"{words}, or null" if key.optional else words


def _branch(values, tree, path, checked, all_paths):
    """Check one level of sections."""
    if not isinstance(values, dict):
        checked.find(path, f"found {shown(values)}", f"keys below it: {', '.join(tree)}")
        values = {}
    for name in values:
        if name not in tree:
            here = _join(path, name)
            hint = _nearest(name, here, [_join(path, known) for known in tree], all_paths)
            checked.find(here, f"there is no such key (its value is {shown(values[name])})", hint=hint)
    settings = {}
    for name, spec in tree.items():
        here = _join(path, name)
        if isinstance(spec, dict):
            inner = values.get(name)
            settings[name] = _branch({} if inner is None else inner, spec, here, checked, all_paths)
        else:
            settings[name] = _value_or_default(values, name, spec, here, checked)
    return settings


def _value_or_default(values, name, key, path, checked):
    if name in values:
        return _value(values[name], key, path, checked)
    if key.default is REQUIRED:
        checked.find(path, "is missing", expectation(key), key.doc)
        return None
    return _plain(key.default)


def _value(value, key, path, checked):
    """The value in its proper type, or the default after a finding."""
    if value is None and key.optional:
        return None
    converted = _CONVERT[key.kind](value, key, path, checked)
    if converted is not _WRONG:
        return converted
    quote = (
        " (put it in quotes to make it text)" if key.kind in ("text", "path") and _is_scalar(value) else ""
    )
    hint = ""
    if key.kind == "choice" and isinstance(value, str):
        near = difflib.get_close_matches(value, key.choices, n=1, cutoff=CLOSE_ENOUGH)
        hint = f"Did you mean {near[0]}?" if near else ""
    checked.find(path, f"found {shown(value)}{quote}", expectation(key), hint)
    return None if key.default is REQUIRED else _plain(key.default)


_WRONG = object()


def _number(value, key, path, checked):
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        return _WRONG
    return float(value) if _in_range(value, key) else _WRONG


def _integer(value, key, path, checked):
    number = _number(value, key, path, checked)
    return int(value) if number is not _WRONG and number == int(number) else _WRONG


def _text(value, key, path, checked):
    fits = isinstance(value, str) and (key.pattern is None or re.fullmatch(key.pattern, value))
    return value if fits else _WRONG


def _path(value, key, path, checked):
    fits = isinstance(value, str) and value.strip() and "\0" not in value
    return os.path.expanduser(value) if fits else _WRONG


def _choice(value, key, path, checked):
    return value if isinstance(value, str) and value in key.choices else _WRONG


def _flag(value, key, path, checked):
    return value if isinstance(value, bool) else _WRONG


def _list(value, key, path, checked):
    if not isinstance(value, list) or (key.length is not None and len(value) != key.length):
        return _WRONG
    return [_item(item, key, f"{path}[{index}]", checked) for index, item in enumerate(value)]


def _mapping(value, key, path, checked):
    if not isinstance(value, dict):
        return _WRONG
    made = {}
    for name, item in value.items():
        here = _join(path, name)
        if key.pattern is not None and not re.fullmatch(key.pattern, name):
            checked.find(here, f'the name "{name}" cannot be used', key.pattern_doc)
        made[name] = _item(item, key, here, checked)
    return made


def _item(value, key, path, checked):
    if isinstance(key.of, tuple):
        tree = {inner.name: inner for inner in key.of}
        return _branch({} if value is None else value, tree, path, checked, [])
    return _value(value, key.item(), path, checked)


_CONVERT = {
    "number": _number,
    "integer": _integer,
    "text": _text,
    "path": _path,
    "choice": _choice,
    "flag": _flag,
    "list": _list,
    "mapping": _mapping,
}


def _in_range(value, key):
    return (key.minimum is None or value >= key.minimum) and (key.maximum is None or value <= key.maximum)


def _expected(key):
    if key.kind in ("number", "integer"):
        words = "a whole number" if key.kind == "integer" else "a number"
        if key.minimum is not None and key.maximum is not None:
            words += f" from {key.minimum:.15g} to {key.maximum:.15g}"
        elif key.minimum is not None:
            words += f" of {key.minimum:.15g} or more"
        elif key.maximum is not None:
            words += f" of {key.maximum:.15g} or less"
        return f"{words} {key.unit}".rstrip()
    if key.kind == "text":
        return f"text, {key.pattern_doc}" if key.pattern_doc else "text"
    if key.kind == "path":
        return "the name of a file or folder"
    if key.kind == "choice":
        return f"one of {', '.join(key.choices)}"
    if key.kind == "flag":
        return "true or false"
    inner = _items_expected(key)
    if key.kind == "list":
        count = "" if key.length is None else f" of {key.length} items"
        return f"a list{count} like [a, b], each item {inner}"
    return f"`name: value` lines, each value {inner}"


def _items_expected(key):
    if isinstance(key.of, tuple):
        return f"with the keys {', '.join(inner.name for inner in key.of)}"
    return expectation(key.item())


def _nearest(name, path, level, all_paths):
    """A sentence with the valid key that was probably meant, or with all that this level has."""
    by_name = {known.rsplit(".", 1)[-1]: known for known in level}
    near = difflib.get_close_matches(name, by_name, n=1, cutoff=CLOSE_ENOUGH)
    if near:
        return f"Did you mean {by_name[near[0]]}?"
    elsewhere = [known for known in all_paths if known.rsplit(".", 1)[-1] == name]
    elsewhere = elsewhere or difflib.get_close_matches(path, all_paths, n=1, cutoff=CLOSE_ENOUGH)
    if elsewhere:
        return f"Did you mean {elsewhere[0]}?"
    return f"The keys here are {', '.join(sorted(by_name))}."


def _join(path, name):
    return f"{path}.{name}" if path else str(name)


def _is_scalar(value):
    return isinstance(value, bool | int | float)


def _plain(default):
    """A default of its own for each config, with tuples as the lists that YAML would give."""
    if isinstance(default, tuple | list):
        return [_plain(item) for item in default]
    return copy.deepcopy(default)
