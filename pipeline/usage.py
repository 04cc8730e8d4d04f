"""Which sections of the config and which code each stage uses: what makes it run again when it changes."""

from pipeline.digest import code_digest

__all__ = ["SETTINGS_USED", "code_for", "settings_for"]

SETTINGS_USED = {
    "inventory": ("target", "input", "output", "site", "camera", "filter_sets", "calibration", "run"),
    "masters": ("calibration", "camera", "run"),
    "measure": ("measure", "calibration", "camera", "run"),
    "anchor": ("anchor", "measure", "calibration", "camera", "filter_sets", "run"),
    "register_filter_set": ("register", "measure", "calibration", "camera", "filter_sets", "run"),
    "register_session": ("register", "run"),
    "stack_session": ("stack", "calibration", "camera", "run"),
    "stack_filter_set": ("stack", "run"),
    "flatten": ("flatten", "filter_sets", "run"),
    "lines": ("lines", "filter_sets", "camera", "run"),
    "fuse": ("fuse", "filter_sets", "camera", "run"),
    "render": ("render", "fuse", "filter_sets", "camera", "run"),
    "report": ("report", "render", "fuse", "filter_sets", "target", "site"),
}
"""Sections of the config that each stage reads; a change elsewhere does not run it again. The two stages that
choose a reference frame have those of the measurements, too: see ``CODE_USED``."""

CODE_USED = {
    "anchor": ("anchor", "measure", "masters"),
    "register_filter_set": ("register_filter_set", "measure", "masters"),
}
"""Stages whose code counts for a step beyond its own. The two that choose a reference frame look only at
whether their measurements exist, so that new frames cannot move a choice; that must not hide an edit of the
code that measures."""


def settings_for(stage, settings, *, filter_sets):
    """The sections that a stage reads; of the filter sets, only those in ``filter_sets``."""
    made = {section: settings[section] for section in SETTINGS_USED[stage] if section in settings}
    if "run" in made:
        # How much memory a job may use changes no result; a job gets that with its resources.
        made["run"] = {key: value for key, value in made["run"].items() if key != "memory_gb"}
    if "filter_sets" in made:
        made["filter_sets"] = {
            name: entry for name, entry in made["filter_sets"].items() if name in filter_sets
        }
    return made


def code_for(stage):
    """Digest of the code that a stage's result depends on."""
    stages = CODE_USED.get(stage, (stage,))
    return code_digest(*(f"pipeline.stages.{name}" for name in stages), "pipeline.job")
