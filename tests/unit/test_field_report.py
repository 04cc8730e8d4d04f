"""The section on field, focus and optics, from the evidence of a small run."""

import numpy as np
import pytest

from pipeline import qa
from pipeline.errors import ConfigError
from pipeline.layout import Layout
from pipeline.report_page.field import field_report
from pipeline.report_page.gather import gather
from pipeline.settings.load import load_settings
from pipeline.stages.report import run
from pipeline.tables import read_table, write_table
from tests.unit.report_tree import add_session, add_shared, settings

OPTICS = {
    "focal_length_mm": 400.0,
    "aperture_mm": 80.0,
    "pixel_um": 4.0,
    "back_focus_mm": 55.0,
    "spacing_mm": [17.5, 21.0, 16.5],
    "window_mm": 0.0,
    "filters": {
        "broad": {"thickness_mm": 1.0, "glass": None, "index": None},
        "duo": {"thickness_mm": 3.0, "glass": "N-BK7", "index": None},
    },
}


@pytest.fixture
def tree(tmp_path):
    """Two filter sets in one night; stars through the second 1.5 times as wide."""
    layout = Layout(tmp_path)
    sessions = [add_session(layout, "broad", "02", n=8), add_session(layout, "duo", "02", n=8)]
    for session, width in zip(sessions, (2.4, 3.6), strict=True):
        table = read_table(layout.frames(session))
        table["fwhm_px"] = width * (1 + 0.01 * np.sin(np.arange(8)))
        write_table(layout.frames(session), table)
        with qa.record(layout, "diagnose", session) as record:
            record.flag(
                "tilt", "info", "No tilt is seen: less than 0.10 px of 2.40 from end to end of the field."
            )
    add_shared(layout)
    return layout, sessions


def test_focus_of_the_filters_and_the_train(tree):
    layout, sessions = tree
    options = settings() | {"optics": OPTICS}
    evidence = gather(layout, options, sessions=sessions, filter_sets=["broad", "duo"])
    found = field_report(evidence)
    assert [unit for unit, _ in found.sessions] == sessions
    (difference,) = found.differences
    assert difference["severity"] == "warn"
    assert "Stars through duo are 1.52" in difference["message"]
    # Seeing at 578 nm, the mean of both lines, is 1 % sharper than at 550 nm: the ratio is 1.5 (578 / 550)^0.2 = 1.515.
    # 2.4 px and 1.515 times that differ by 2.73 px in quadrature, of 4 um: 10.9 um, a disc of 18.6 um, 93 um at f/5.
    assert found.metrics["focus_extra_px_broad_duo_2031_03_02"] == pytest.approx(2.73, rel=0.01)
    assert "as 93\u202fµm out of focus would give at f/5" in difference["message"]
    # 3 mm of N-BK7 at the mean of H-alpha and [O III]: 3 (1 - 1 / 1.517); the spacing fits without glass.
    assert found.metrics["optics_glass_shift_mm_duo"] == pytest.approx(3 * (1 - 1 / 1.517), abs=0.002)
    assert found.metrics["optics_spacer_mm_duo"] == pytest.approx(found.metrics["optics_glass_shift_mm_duo"])
    assert found.metrics["optics_spacing_blur_px_broad"] == pytest.approx(1000 / 3 / 5 / 4, rel=1e-6)
    step = found.metrics["optics_glass_shift_mm_duo"] - 1 / 3
    assert found.metrics["optics_refocus_blur_px_broad_duo"] == pytest.approx(1000 * step / 5 / 4, rel=1e-6)
    assert any("so focus again" in sentence for sentence in found.optics)
    assert len(found.table.rows) == 2


def test_the_page_and_the_record_hold_them(tree):
    layout, sessions = tree
    run(layout, "report", settings() | {"optics": OPTICS}, sessions=sessions, filter_sets=["broad", "duo"])
    page = layout.report().read_text(encoding="utf-8")
    assert 'id="field"' in page and "No tilt is seen" in page and "N-BK7 at" in page
    record = qa.read_record(layout.qa("report", "report"))
    assert record["metrics"]["optics_f_ratio"] == 5.0
    assert [flag["code"] for flag in record["flags"]] == ["filters_focus"]


def test_without_an_optics_block_and_on_other_nights_nothing_is_said(tree):
    layout, sessions = tree
    evidence = gather(layout, settings(), sessions=sessions[:1], filter_sets=["broad"])
    found = field_report(evidence)
    assert (found.differences, found.optics, found.table, found.metrics) == ([], [], None, {})


def test_a_filter_that_is_not_there_and_twofold_glass_are_refused(tmp_path):
    (tmp_path / "c.yaml").write_text(
        f"target: {{name: m}}\ninput: {{folders: [{tmp_path}]}}\noutput: {{folder: {tmp_path}/out}}\n"
        "filter_sets: {duo: {role: broadband}}\n"
        "optics: {filters: {dou: {thickness_mm: 2}, duo: {thickness_mm: 2, glass: N-BK7, index: 1.5}}}\n"
    )
    with pytest.raises(ConfigError) as error:
        load_settings(tmp_path / "c.yaml")
    assert "optics.filters.dou" in str(error.value) and "both glass and index are given" in str(error.value)
