"""Fill the template: one self-contained HTML file."""

from pathlib import Path

import jinja2
import yaml

from pipeline.report_page import captions, content, figures, map_figures, sentences
from pipeline.report_page.camera import camera_sentences, master_table
from pipeline.report_page.findings import group_findings, open_flags
from pipeline.report_page.noise import noise_curves
from pipeline.report_page.outlook import limiting_set, outlook, sets_in_picture
from pipeline.report_page.quantities import count_of, joined, line_label
from pipeline.report_page.summary import inputs_digest

__all__ = ["render_page"]

VERDICT_WORDS = {"pass": "Good.", "warn": "Look closer.", "fail": "No picture."}
"""First word of the verdict, so that colour is not the only sign."""

SECTIONS = (
    ("happened", "What happened"),
    ("frames", "Frames"),
    ("filters", "Filters"),
    ("stack", "Noise and registration"),
    ("field", "Field, focus and optics"),
    ("camera", "Masters and camera"),
    ("limits", "What could not be done"),
    ("next", "What next"),
    ("provenance", "Where this comes from"),
)
"""Anchors and titles of the sections, as in the template."""

SHORT_CELL = 24
"""Letters up to which a cell is kept on one line: dates, numbers with units, names; longer ones may wrap."""

UNITS_SHOWN = 6
"""Units named behind a finding; more of them are counted."""


def render_page(evidence, *, rows, remarks, maps, pictures, field):
    """The page as text.

    Parameters
    ----------
    evidence : Evidence
    rows : list of BenchRow
    remarks : list of Remark
    maps : Maps, block maps of stacks and lines
    pictures : tuple (hero Drawing or None, list of Drawing for the filter sets)
    field : FieldReport

    Returns
    -------
    str
    """
    environment = jinja2.Environment(
        loader=jinja2.FileSystemLoader(Path(__file__).parent),
        autoescape=lambda name: name != "style.css",
        undefined=jinja2.StrictUndefined,
        trim_blocks=False,
        keep_trailing_newline=True,
    )
    level, sentence = sentences.verdict(evidence)
    hero, gallery = pictures
    context = {
        "target": evidence.target,
        "short": SHORT_CELL,
        "title_dates": _dates(evidence.nights),
        "sections": SECTIONS,
        "verdict_level": level,
        "verdict_word": VERDICT_WORDS[level],
        "verdict_sentence": sentence,
        "hero": hero,
        "gallery": gallery,
        "happened": sentences.happened(evidence),
        "night_table": content.night_table(evidence),
        "frame_table": content.frame_table(remarks),
        "frame_sentence": sentences.no_remarks(evidence),
        "quarantine_table": content.quarantine_table(evidence.quarantined),
        "bench_table": content.bench_table(evidence.filter_sets, rows),
        "filter_notes": _filter_notes(evidence, maps, gallery),
        "anchor_sentence": sentences.anchor_sentence(evidence.anchor),
        "camera_sentences": camera_sentences(evidence),
        "master_table": master_table(evidence),
        "field": field,
        "findings": [_finding(group) for group in group_findings(open_flags(evidence))],
        "outlook": _outlook(evidence, maps),
        "provenance": _provenance(evidence),
        "stage_table": content.stage_table(evidence),
        "software_table": content.software_table(),
        "configuration": yaml.safe_dump(
            evidence.settings, sort_keys=True, allow_unicode=True, default_flow_style=None
        ),
        **_figures(evidence, maps),
    }
    return environment.get_template("index.html.j2").render(context)


def _figures(evidence, maps):
    """Figures by their name in the template; None where there is nothing to draw."""
    made = dict.fromkeys(("timeline", "registration", "noise", "backgrounds", "line_maps"))
    if evidence.lights:
        caption = captions.timeline_caption(evidence)
        made["timeline"] = figures.timeline_figure(
            evidence,
            alt=f"Points over {count_of(len(evidence.lights), 'light')} in order of time: star width, sky, "
            f"transparency and weight, as far as measured. {caption}",
            caption=caption,
        )
        caption = captions.registration_caption(evidence)
        made["registration"] = figures.registration_figure(
            evidence,
            alt=f"Points over the lights in order of time: residual of the pose and matched stars. {caption}",
            caption=caption,
        )
    curves = noise_curves(evidence)
    if curves:
        caption = captions.noise_caption(curves)
        made["noise"] = figures.noise_figure(
            curves,
            [each.name for each in evidence.filter_sets],
            alt=f"Falling marks and lines of noise against number of lights, a colour per filter set. {caption}",
            caption=caption,
        )
    backgrounds = maps.backgrounds()
    if backgrounds:
        caption = captions.background_caption(backgrounds)
        made["backgrounds"] = map_figures.background_figure(
            backgrounds, alt=f"Colour-coded maps of the smooth background. {caption}", caption=caption
        )
    if maps.lines:
        planes = {line_label(line): each.value[0] for line, each in maps.lines.items()}
        caption = captions.line_caption(maps.lines)
        made["line_maps"] = map_figures.line_figure(
            planes, alt=f"Grey maps of the line emission. {caption}", caption=caption
        )
    return made


def _filter_notes(evidence, maps, gallery):
    """What this section cannot show, and why."""
    notes = []
    if not gallery:
        notes.append("Pictures of the filter sets: none, since no flattened stack could be rendered.")
    if not maps.backgrounds():
        notes.append("Background models: none, since no stack was flattened.")
    if not maps.lines:
        record = evidence.record("lines", "lines")
        reasons = (
            "; ".join(flag.message for flag in record.flags)
            if record is not None
            else "the lines were not separated"
        )
        notes.append(f"Line maps: none were made ({reasons or 'no line was asked for'}).")
    return notes


def _finding(group):
    entries = []
    for text, units in group.items:
        shown = (
            joined(units)
            if len(units) <= UNITS_SHOWN
            else f"{', '.join(units[:UNITS_SHOWN])} and {len(units) - UNITS_SHOWN} more"
        )
        # Names that the sentence itself carries need no repeating.
        entries.append((text, "" if all(unit in text for unit in units) else f"[{shown}]"))
    return {"title": group.title, "severity": group.severity, "entries": entries}


def _outlook(evidence, maps):
    plans = [plan for each in evidence.filter_sets if (plan := outlook(each)) is not None]
    said = [sentences.outlook_sentence(plan) for plan in plans]
    inside = sets_in_picture(evidence)
    best = {name: figure for name, figure in maps.best_signal_to_noise().items() if name in inside}
    limiting = limiting_set({name: value for name, (value, _) in best.items()})
    if len(best) > 1:
        said.append(sentences.limiting_sentence(limiting, best))
    elif len(inside) > 1:
        said.append(
            "Which filter set limits the picture was not measured: too few stacks show an object above their noise."
        )
    aside = [plan.filter_set for plan in plans if plan.filter_set not in inside]
    if aside:
        verb = "is" if len(aside) == 1 else "are"
        said.append(
            f"{joined(aside)} {verb} not part of the picture; more nights through it serve comparison only."
        )
    return said


def _provenance(evidence):
    inputs = {entry["path"] for record in evidence.records for entry in record.inputs}
    return [
        f"Made from {count_of(len(inputs), 'input')} named in {count_of(len(evidence.records), 'QA record')}; "
        f"SHA-256 over their paths, sizes and digests: {inputs_digest(evidence)}.",
    ]


def _dates(nights):
    if not nights:
        return "no nights"
    return (
        f"night of {nights[0]}" if len(nights) == 1 else f"{len(nights)} nights, {nights[0]} to {nights[-1]}"
    )
