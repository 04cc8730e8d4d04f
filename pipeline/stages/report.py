"""Report: what happened, is it good, what is wrong with which frame, what did each filter bring, what next.

The report is made from what is there. A stage that failed, a filter set that is missing or a file that cannot be
read becomes a sentence on the page and never stops it.
"""

import json

import numpy as np

from pipeline import qa
from pipeline.atomic import write_bytes
from pipeline.errors import InputError
from pipeline.fitsio import read_keywords
from pipeline.report_page.bench import bench
from pipeline.report_page.captions import comparison_texts, filter_set_texts, picture_texts
from pipeline.report_page.evidence import Flag
from pipeline.report_page.field import field_report
from pipeline.report_page.frames import frame_remarks
from pipeline.report_page.gather import gather, with_findings, with_problems
from pipeline.report_page.halo import halo_share
from pipeline.report_page.maps import read_maps
from pipeline.report_page.page import render_page
from pipeline.report_page.pictures import filter_set_picture, photograph
from pipeline.report_page.summary import summarise

__all__ = ["run"]


def run(layout, unit, settings, *, sessions, filter_sets):
    """Write ``report/index.html`` and ``qa/summary.json``.

    Parameters
    ----------
    layout : Layout
    unit : "report"
    settings : nested dict of all sections of the config; it is printed in full
    sessions, filter_sets : names of those that take part in this run
    """
    with qa.record(layout, "report", unit) as record:
        evidence = gather(layout, settings, sessions=sessions, filter_sets=filter_sets)
        maps = read_maps(evidence)
        halos = {
            each.name: halo_share(
                each, layout.link(each.name), output_scale=settings["stack"]["output_scale"]
            )
            for each in evidence.filter_sets
        }
        rows = bench(evidence, maps.flats, maps.regions, halos)
        low_weight = settings["report"]["low_weight"]
        remarks = frame_remarks(evidence.filter_sets, low_weight)
        down_weighted = sum(r.relative_weight is not None and r.relative_weight < low_weight for r in remarks)
        pictures, problems = _pictures(layout, evidence, settings)
        evidence = with_problems(evidence, (*maps.problems, *problems))
        for flag in evidence.unreadable:
            record.flag(flag.code, flag.severity, flag.message)
        field = field_report(evidence)
        for finding in field.differences:
            record.flag(**finding)
        # The section shows all of them; only what is worth an evening's work is counted as a finding.
        serious = [finding for finding in field.differences if finding["severity"] != "info"]
        evidence = with_findings(evidence, unit, serious)
        page = render_page(evidence, rows=rows, remarks=remarks, maps=maps, pictures=pictures, field=field)
        summary = summarise(evidence, rows, down_weighted, layout)
        write_bytes(layout.report(), page.encode())
        text = json.dumps(summary, indent=1, ensure_ascii=False, allow_nan=False)
        write_bytes(layout.summary(), (text + "\n").encode())
        record.metrics(
            {
                "page_bytes": len(page.encode()),
                "lights": len(evidence.lights),
                "records": len(evidence.records),
                "line_maps": len(maps.lines),
                "filter_sets": len(evidence.filter_sets),
            }
        )
        record.metrics(field.metrics)
        record.input(layout.inventory())


def _pictures(layout, evidence, settings):
    """((hero or None, [comparison sheet, or for want of one a picture of each filter set]), problems as Flags)."""
    problems, hero, gallery = [], None, []
    options = settings["report"]
    if evidence.preview is not None:
        alt, caption = picture_texts(evidence)
        try:
            hero = photograph(evidence.preview, width=options["picture_width_px"], alt=alt, caption=caption)
        except InputError as error:
            problems.append(_problem("preview", error))
    if evidence.comparison is not None:
        alt, caption = comparison_texts(evidence)
        try:
            width = options["comparison_width_px"]
            sheet = photograph(evidence.comparison, width=width, alt=alt, caption=caption)
            return (hero, [sheet]), problems
        except InputError as error:
            problems.append(_problem("comparison", error))
    gains = _white_gains(layout)
    for each in evidence.filter_sets:
        if each.flat is None:
            continue
        alt, caption = filter_set_texts(each)
        try:
            width = options["filter_picture_width_px"]
            made = filter_set_picture(
                each.flat, gains, settings["render"], width=width, alt=alt, caption=caption
            )
        except InputError as error:
            problems.append(_problem(each.name, error))
            continue
        if made is not None:
            gallery.append(made)
    return (hero, gallery), problems


def _white_gains(layout):
    """White gains of R, G, B that the fused picture has; 1 where there is none."""
    if not layout.fused().is_file():
        return np.ones(3)
    try:
        header = read_keywords(layout.fused())
    except InputError:
        return np.ones(3)
    return np.array([float(header.get(f"WHITE_{channel}", 1.0)) for channel in "RGB"])


def _problem(unit, error):
    return Flag("report", unit, "no_picture", "warn", f"A picture is missing from this page: {error}.")
