"""The keys of the config: one module a section, each with a tuple ``KEYS``."""

import pkgutil
from functools import cache
from importlib import import_module

__all__ = ["SECTIONS", "all_keys", "section_doc"]

SECTIONS = (
    "target",
    "input",
    "output",
    "site",
    "camera",
    "optics",
    "filter_sets",
    "calibration",
    "measure",
    "anchor",
    "register",
    "stack",
    "merge",
    "flatten",
    "lines",
    "fuse",
    "render",
    "report",
    "run",
)
"""Sections in the order in which the reference shows them: what a target says first, then the stages."""


@cache
def all_keys():
    """Every key, in the order of ``SECTIONS`` and of each table; a tuple of ``Key``."""
    found = {module.name for module in pkgutil.iter_modules(__path__)}
    unknown = found - set(SECTIONS)
    if unknown:
        raise ValueError(f"{__name__}.SECTIONS does not list {', '.join(sorted(unknown))}")
    keys = []
    for section in SECTIONS:
        if section in found:
            table = import_module(f"{__name__}.{section}").KEYS
            strangers = [key.path for key in table if key.section != section]
            if strangers:
                raise ValueError(
                    f"{__name__}.{section} holds keys of another section: {', '.join(strangers)}"
                )
            keys.extend(table)
    paths = [key.path for key in keys]
    twice = sorted({path for path in paths if paths.count(path) > 1})
    if twice:
        raise ValueError(f"defined twice: {', '.join(twice)}")
    return tuple(keys)


@cache
def section_doc(section):
    """What the section is about: the docstring of its table."""
    return " ".join(import_module(f"{__name__}.{section}").__doc__.split())
