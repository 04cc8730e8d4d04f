"""Flags of the QA records, put together so that a person can read them: what could not be done, and what to look at."""

from dataclasses import dataclass

__all__ = ["STAGE_TITLES", "FindingGroup", "counts", "group_findings", "open_flags"]

STAGE_TITLES = {
    "inventory": "Taking stock of the files",
    "masters": "Calibration masters",
    "measure": "Measuring the lights",
    "diagnose": "Field, focus and dust",
    "anchor": "Choosing the anchor",
    "register_filter_set": "Linking the filter sets",
    "register_session": "Registering the lights",
    "stack_session": "Stacking the sessions",
    "stack_filter_set": "Merging the sessions",
    "find_stars": "Finding the stars",
    "survey_sky": "Surveying the sky",
    "flatten": "Flattening the background",
    "lines": "Separating the lines",
    "fuse": "Fusing",
    "render": "Rendering",
    "report": "This report",
}
"""Stages as the page names them."""

SEVERITY_ORDER = ("fail", "warn")
"""What the page lists, worst first; "info" stays in the records."""


@dataclass(frozen=True)
class FindingGroup:
    """Findings of one stage and one severity.

    Attributes
    ----------
    stage, severity : of all of them
    title : the stage in words
    items : (text, units) with the units that share the same message
    """

    stage: str
    severity: str
    title: str
    items: tuple[tuple[str, tuple[str, ...]], ...]


def group_findings(flags):
    """Groups in the order of severity and then of the chain; equal messages are merged, none is lost."""
    groups = {}
    for flag in flags:
        if flag.severity not in SEVERITY_ORDER:
            continue
        messages = groups.setdefault((flag.severity, flag.stage), {})
        units = messages.setdefault(flag.message, [])
        if flag.unit not in units:
            units.append(flag.unit)
    order = list(STAGE_TITLES)
    keys = sorted(
        groups,
        key=lambda key: (
            SEVERITY_ORDER.index(key[0]),
            order.index(key[1]) if key[1] in order else len(order),
        ),
    )
    return [
        FindingGroup(
            stage,
            severity,
            STAGE_TITLES.get(stage, stage.replace("_", " ").capitalize()),
            tuple((message, tuple(units)) for message, units in groups[severity, stage].items()),
        )
        for severity, stage in keys
    ]


def open_flags(evidence):
    """Flags that are not told elsewhere: those about one light or file that the page lists by name are left out."""
    listed = [light.path for light in evidence.lights if not light.used or light.reason]
    listed += [entry.path for entry in evidence.quarantined]
    told = tuple(f"{path}:" for path in listed)
    return [
        flag for flag in evidence.flags if not (flag.severity == "warn" and flag.message.startswith(told))
    ]


def counts(flags):
    """Number of flags by severity."""
    return {
        severity: sum(flag.severity == severity for flag in flags) for severity in ("fail", "warn", "info")
    }
