"""Which sections of the config and which code each stage uses: what makes it run again when it changes."""

from pipeline.digest import code_digest
from pipeline.settings.tables import SECTIONS

__all__ = ["CHOOSING", "CHOSEN_BY", "SETTINGS_USED", "code_for", "settings_for"]

SETTINGS_USED = {
    "inventory": ("input", "site", "camera", "filter_sets", "calibration"),
    "masters": ("calibration", "run"),
    "measure": ("measure", "camera", "calibration"),
    "diagnose": ("camera", "calibration"),
    "anchor": ("anchor", "filter_sets"),
    "register_filter_set": ("register", "run"),
    "register_session": ("register", "run"),
    "stack_session": ("stack", "camera", "calibration", "run"),
    "stack_filter_set": ("merge",),
    "find_stars": ("flatten",),
    "survey_sky": ("flatten",),
    "flatten": ("flatten", "filter_sets", "camera"),
    "lines": ("lines", "filter_sets", "camera"),
    "fuse": ("fuse", "filter_sets", "camera"),
    "render": ("render", "target", "filter_sets"),
    "report": SECTIONS,
}
"""Sections of the config that each stage reads; a change elsewhere does not run it again. The report prints
all of them."""

FILTER_SET_KEYS = {"anchor": ("role",)}
"""Keys of a filter set that a stage reads, if not all: a finer passband must not move the anchor."""

CHOSEN_BY = ("masters", "measure")
"""Stages whose code and settings count for a choice of a reference frame as well. The steps that choose look
only at whether their measurements exist, so that new frames cannot move a choice; that must not hide a change
of how they were measured."""

CHOOSING = ("anchor", "register_filter_set")
"""Stages that choose a reference frame; see ``pipeline.pinning``."""


def settings_for(stage, settings, *, filter_sets):
    """The settings that a stage reads; of the filter sets, only those in ``filter_sets``."""
    sections = [*SETTINGS_USED[stage]]
    if stage in CHOOSING:
        sections += [section for name in CHOSEN_BY for section in SETTINGS_USED[name]]
    made = {section: settings[section] for section in dict.fromkeys(sections)}
    if "run" in made:
        # How much memory a job may use changes no result; a job gets that with its resources.
        made["run"] = {key: value for key, value in made["run"].items() if key != "memory_gb"}
    if "filter_sets" in made:
        entries = {name: entry for name, entry in made["filter_sets"].items() if name in filter_sets}
        keys = FILTER_SET_KEYS.get(stage)
        if keys:
            entries = {name: {key: entry[key] for key in keys} for name, entry in entries.items()}
        made["filter_sets"] = entries
    return made


def code_for(stage):
    """Digest of the code that a stage's result depends on."""
    stages = (stage, *CHOSEN_BY) if stage in CHOOSING else (stage,)
    return code_digest(*(f"pipeline.stages.{name}" for name in stages), "pipeline.job")
