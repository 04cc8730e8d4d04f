"""The report: made from whatever is there, self-contained, readable by people and by machines."""

import json
import re
from html.parser import HTMLParser
from itertools import pairwise
from types import SimpleNamespace

import jsonschema
import numpy as np
import pytest

from pipeline import qa
from pipeline.bundles import LinearImage
from pipeline.fitsio import write_fits, write_linear
from pipeline.layout import Layout
from pipeline.report_page.halo import halo_share
from pipeline.report_page.summary import SCHEMA_PATH
from pipeline.stages.report import run
from tests.unit.report_tree import (
    NOISE,
    QUARANTINED,
    SHAPE,
    add_images,
    add_link,
    add_session,
    add_shared,
    full_run,
    settings,
)

VOID = {"meta", "img", "source", "br", "link", "input", "hr"}
"""Elements without an end tag (HTML living standard, 13.1.2; those that a page like this could hold)."""


class Page(HTMLParser):
    """Checks the nesting of tags and collects what the tests ask for."""

    def __init__(self, text):
        super().__init__(convert_charrefs=True)
        self.open, self.problems, self.elements, self.words = [], [], [], []
        self.feed(text)
        self.close()
        self.problems += [f"<{tag}> is never closed" for tag in self.open]
        self.text = " ".join(" ".join(self.words).split())

    def handle_starttag(self, tag, attrs):
        self.elements.append((tag, dict(attrs), tuple(self.open)))
        if tag not in VOID:
            self.open.append(tag)

    def handle_endtag(self, tag):
        if not self.open or self.open[-1] != tag:
            self.problems.append(f"</{tag}> inside {self.open[-3:]}")
        else:
            self.open.pop()

    def handle_data(self, data):
        if self.open and self.open[-1] != "style":
            self.words.append(data)

    def all(self, tag):
        return [attributes for name, attributes, _ in self.elements if name == tag]


def made(layout, sessions, filter_sets, **report):
    run(layout, "report", settings(**report), sessions=sessions, filter_sets=filter_sets)
    text = layout.report().read_text(encoding="utf-8")
    summary = json.loads(layout.summary().read_text(encoding="utf-8"))
    jsonschema.Draft202012Validator(json.loads(SCHEMA_PATH.read_text(encoding="utf-8"))).validate(summary)
    page = Page(text)
    assert page.problems == []
    return page, summary, text


@pytest.fixture(scope="module")
def whole(tmp_path_factory):
    layout, sessions, filter_sets = full_run(tmp_path_factory.mktemp("run"))
    return (layout, *made(layout, sessions, filter_sets))


def test_nothing_is_fetched_from_anywhere(whole):
    _, page, _, text = whole
    assert "script" not in {tag for tag, _, _ in page.elements} and not page.all("link")
    sources = [a["src"] for a in page.all("img")] + [a["srcset"] for a in page.all("source")]
    assert len(sources) >= 8
    assert all(source.startswith("data:image/") for source in sources)
    assert all(a["href"].startswith("#") for a in page.all("a"))
    assert not re.search(r"url\(|@import|https?://", text)


def test_pictures_have_words_and_tables_have_captions_and_heads(whole):
    _, page, _, _ = whole
    assert all(len(a["alt"]) > 20 for a in page.all("img"))
    assert len(page.all("caption")) == len(page.all("table")) >= 6
    assert all(a.get("scope") in ("col", "row") for a in page.all("th"))
    ids = [a["id"] for _, a, _ in page.elements if "id" in a]
    assert len(ids) == len(set(ids))
    assert {a["href"][1:] for a in page.all("a")} <= set(ids)
    assert page.all("html")[0]["lang"] == "en"


def test_headings_go_down_one_level_at_a_time(whole):
    levels = [int(tag[1]) for tag, _, _ in whole[1].elements if re.fullmatch("h[1-6]", tag)]
    assert levels[0] == 1 and levels.count(1) == 1
    assert all(after - before <= 1 for before, after in pairwise(levels))


def test_names_from_outside_are_escaped(whole):
    _, page, _, text = whole
    assert "The Lantern <test> & friends" in page.text
    assert "<test>" not in text and "<b>.txt" not in text


def test_every_odd_file_and_light_is_named_with_its_reason(whole):
    _, page, summary, _ = whole
    for path, reason in QUARANTINED:
        assert path in page.text and reason in page.text
    assert [(entry["path"], entry["reason"]) for entry in summary["quarantined"]] == list(QUARANTINED)
    assert page.text.count("out of focus: FWHM 6.1 px") == 3
    assert page.text.count("used, weight 33 % of the median transparency 50 % of the median") == 3
    assert summary["lights"] == {"seen": 16, "used": 13, "rejected": 3, "down_weighted": 3, "used_s": 1560.0}


def test_flags_appear_by_severity_and_told_ones_once(whole):
    _, page, summary, _ = whole
    assert "No filter set passes [S II]" in page.text and "No bias frame fits" in page.text
    assert "A typical sensor curve was used" not in page.text  # info stays in the records
    assert page.text.index("No filter set passes [S II]") < page.text.index("No bias frame fits")
    assert summary["flags"] == {"fail": 1, "warn": 1, "info": 1}
    assert summary["verdict"] == "warn"
    assert (
        "1 thing could not be done" in summary["sentence"]
        and " ".join(summary["sentence"].split()) in page.text
    )


def test_a_flag_about_a_listed_light_is_not_told_twice(tmp_path):
    layout, sessions, filter_sets = full_run(tmp_path)
    with qa.record(layout, "measure", sessions[0]) as record:
        record.flag("frame_rejected", "warn", f"raw/{sessions[0]}_001.fits: out of focus, as the table says")
        record.flag("frame_rejected", "warn", "raw/unheard_of.fits: dropped on the way")
    page, summary, _ = made(layout, sessions, filter_sets)
    assert "as the table says" not in page.text
    assert "raw/unheard_of.fits: dropped on the way" in page.text
    assert len(summary["findings"]) == 4


def test_bench_gives_the_numbers_that_were_put_in(whole):
    _, _, summary, _ = whole
    for name, hours in (("broad", 600 / 3600), ("duo", 960 / 3600)):
        bench = summary["filter_sets"][name]["bench"]
        assert bench["integration_h"]["all"]["value"] == pytest.approx(hours)
        # Scaled from the integration time to one hour; VARIANCE is constant, so the median is exact to float32.
        expected = NOISE[name] * np.sqrt(hours)
        assert bench["noise_one_hour_e_s"]["G"]["value"] == pytest.approx(expected, rel=1e-5)
    contrast = [
        summary["filter_sets"][name]["bench"]["contrast_Ha"]["R"]["value"] for name in ("broad", "duo")
    ]
    # The brightest tenth of a Gaussian blob is above 0.75 to 1 of its peak (sky of 3.05 and 0.57, see the tree).
    assert 0.75 * 0.3 / 3.1 < contrast[0] < 0.3 / 3.0
    assert 0.75 * 1.2 / 0.66 < contrast[1] < 1.2 / 0.5
    assert summary["filter_sets"]["duo"]["bench"]["gradient_after_e_s"]["all"]["value"] is None
    assert (
        "no flattened stack" in summary["filter_sets"]["duo"]["bench"]["gradient_after_e_s"]["all"]["missing"]
    )


def test_outlook_follows_the_square_root_law(whole):
    _, page, summary, _ = whole
    # broad: 4 lights of weight 25 and one of 25/3, a night of 5 lights like the typical one comes on top.
    plan = summary["filter_sets"]["broad"]["one_more_night"]
    total = 4 + 1 / 3
    assert plan["lights"] == 5 and plan["from_measured_weights"]
    assert plan["noise_ratio"] == pytest.approx(np.sqrt(total / (total + 5)))
    assert plan["lights_to_halve"] == 13
    assert "it then falls with the square root" in page.text


def test_costs_name_every_stage_that_left_a_record(whole):
    _, page, summary, _ = whole
    assert set(summary["stages"]) == {"inventory", "masters", "stack_session", "lines"}
    assert summary["stages"]["masters"]["units"] == 3
    assert summary["wall_s"] == pytest.approx(
        sum(stage["wall_s"] for stage in summary["stages"].values()), abs=0.002
    )
    assert "Separating the lines 1" in page.text


def test_config_is_printed_in_full(whole):
    _, page, _, _ = whole
    for word in ("low_weight: 0.5", "role: dualband", "name: The Lantern <test> & friends"):
        assert word in page.text


def test_same_run_gives_the_same_bytes(whole, tmp_path):
    layout, _, _, text = whole
    names = sorted(path.parent.name for path in layout.root.glob("sessions/*/session.json"))
    ordered = [name for fs in ("broad", "duo") for name in names if name.startswith(fs)]
    assert made(layout, ordered, ["broad", "duo"])[2] == text


def test_records_of_former_sessions_do_not_count(tmp_path):
    layout, sessions, filter_sets = full_run(tmp_path)
    with qa.record(layout, "stack_session", "gone-2030-01-01") as record:
        record.flag("no_frames", "fail", "a session that was removed since")
    page, _, _ = made(layout, sessions, filter_sets)
    assert "a session that was removed since" not in page.text


def test_halo_of_a_moffat_profile(tmp_path):
    """Against the growth curve of a Moffat profile, L(<r) = 1 - (1 + (r/a)^2)^(1 - beta) (Trujillo et al. 2001, MNRAS
    328, 977; from memory), for beta = 3: 0.92 % of the core's light lies from 3 to 9 widths.
    """
    layout = Layout(tmp_path)
    session = add_session(layout, "broad", "02")
    add_shared(layout)
    add_images(layout, "broad", nebula_share=0.0)
    add_link(layout, "broad")
    _, summary, _ = made(layout, [session], ["broad"])
    halo = summary["filter_sets"]["broad"]["bench"]["halo_percent"]["all"]
    # Sampling in rings of a pixel, noise and the width's 0.05 px scatter together are within a quarter of it.
    assert halo["value"] == pytest.approx(0.92, abs=0.23)


def test_halo_on_a_finer_grid(tmp_path):
    """Stars of 2.65 px on the grid of the stack are half as wide in the frames, and listed at places on the anchor."""
    layout = Layout(tmp_path)
    add_images(layout, "broad", nebula_share=0.0)
    add_link(layout, "broad", output_scale=2)
    light = SimpleNamespace(number=lambda name: {"fwhm_px": 2.65 / 2}[name])
    stacked = SimpleNamespace(flat=layout.flat("broad"), used=[light])
    halo = halo_share(stacked, layout.link("broad"), output_scale=2)
    assert halo.value == pytest.approx(0.92, abs=0.23)


def test_mono_single_filter_without_lines_or_flats(tmp_path):
    layout = Layout(tmp_path)
    masters = {"bias": None, "dark": None, "flat": None}
    session = add_session(layout, "broad", "02", channels=("L",), n=3, masters=masters)
    add_images(layout, "broad", channels=1)
    page, summary, _ = made(layout, [session], ["broad"])
    assert "There is no fused picture, only the stack of broad" in summary["sentence"]
    assert summary["verdict"] == "fail"
    assert "No session has a dark." in page.text and "No session has a flat." in page.text
    assert "Line maps: none were made" in page.text
    assert list(summary["filter_sets"]["broad"]["bench"]["noise_one_hour_e_s"]) == ["L"]


def test_one_light_alone(tmp_path):
    layout = Layout(tmp_path)
    session = add_session(layout, "duo", "02", n=1)
    add_shared(layout, quarantined=())
    add_images(layout, "duo")
    page, summary, _ = made(layout, [session], ["duo"])
    assert "1 of 1 light went in, 2 min of exposure in 1 night" in page.text
    assert "No file was quarantined." in page.text
    assert summary["filter_sets"]["duo"]["bench"]["sky_e_s"]["R"]["uncertainty"] is None


def test_nothing_at_all(tmp_path):
    page, summary, _ = made(Layout(tmp_path), [], [])
    assert summary["verdict"] == "fail" and "no usable light frame" in summary["sentence"]
    assert "not measured, since no light was registered" in page.text


def test_every_light_rejected_and_an_empty_stack(tmp_path):
    layout = Layout(tmp_path)
    session = add_session(layout, "duo", "02", n=4, rejected=range(4))
    nothing = np.zeros((3, *SHAPE), np.float32)
    empty = LinearImage(nothing, np.full_like(nothing, np.nan), nothing)
    write_linear(layout.stack("duo"), empty)
    write_linear(layout.flat("duo"), empty, extensions={"BACKGROUND": nothing})
    write_fits(layout.line("Ha"), nothing[0], extensions={"VARIANCE": np.full(SHAPE, np.nan, np.float32)})
    page, summary, _ = made(layout, [session], ["duo"])
    assert "none of the 4 lights could be used" in summary["sentence"]
    assert "Nothing can be said yet, since no light was used." in page.text
    assert summary["filter_sets"]["duo"]["one_more_night"] is None


def test_filter_set_whose_flattening_failed_is_said_and_the_rest_goes_on(tmp_path):
    layout, sessions, filter_sets = full_run(tmp_path)
    layout.flat("duo").unlink()
    with qa.record(layout, "flatten", "duo") as record:
        record.flag("no_sky", "fail", "the field of duo has no free sky")
    page, summary, _ = made(layout, sessions, filter_sets)
    assert "the field of duo has no free sky" in page.text
    assert "missing" in summary["filter_sets"]["duo"]["bench"]["noise_one_hour_e_s"]["all"]
    assert "not measured (no flattened stack)" in page.text
    assert summary["filter_sets"]["broad"]["bench"]["noise_one_hour_e_s"]["R"]["value"] > 0


def test_damaged_products_are_named_and_the_report_is_made(tmp_path):
    layout, sessions, filter_sets = full_run(tmp_path)
    damaged = [
        layout.flat("duo"),
        layout.preview(),
        layout.qa("lines", "lines"),
        layout.frames(sessions[0]),
        layout.inventory(),
    ]
    for path in damaged:
        content = path.read_bytes()
        path.write_bytes(content[: len(content) // 3])
    page, summary, _ = made(layout, sessions, filter_sets)
    told = " ".join(finding["message"] for finding in summary["findings"] if finding["stage"] == "report")
    for path in damaged:
        assert str(path) in told
        assert str(path) in page.text
    assert qa.read_record(layout.qa("report", "report"))["verdict"] == "warn"


def test_pictures_keep_to_the_configured_width(tmp_path):
    layout, sessions, filter_sets = full_run(tmp_path)
    page, _, _ = made(layout, sessions, filter_sets, picture_width_px=320, filter_picture_width_px=161)
    widths = {
        a["alt"].split(" ")[1]: int(a["width"])
        for a in page.all("img")
        if a["src"].startswith("data:image/jpeg")
    }
    assert widths == {"fused": SHAPE[1], "flattened": 161}  # never enlarged, and made smaller
