"""The cams' part of the report against what was simulated (simulated truth) and against numbers worked by hand."""

from dataclasses import replace

import pytest

from tests.findings.test_whole_engine import CRANKED, LINES, RUNNING, analysed
from witnessmark.report import cam_edges
from witnessmark.report.analysis_json import analysis_json
from witnessmark.report.compose import compose
from witnessmark.report.compose_cams import cams_section, moved
from witnessmark.report.draw_cams import cams_picture
from witnessmark.report.figures import Pictures
from witnessmark.report.html import report_html

from . import fixtures
from .pages import walk


def tables(analysis):
    section = cams_section(analysis, Pictures())
    return {t.id: [dict(zip(t.columns, r, strict=True)) for r in t.rows] for t in section.tables}


@pytest.fixture(scope="module")
def jumped():
    return analysed(
        CRANKED, [*LINES, {"role": "starter-current"}], {"kind": "cam-jumped", "teeth": 1, "sprocket_teeth": 20}
    )


def test_a_jumped_chain_is_told_in_degrees_and_in_teeth(jumped):
    """One tooth of a 20-tooth sprocket is 360/20 = 18 crank degrees (worked)."""
    got = tables(jumped)
    assert [row["Offset"] for row in got["cams"]] == ["+18.0°", "+18.0°"]
    assert all("20" in row["In chain teeth"] and row["In chain teeth"].startswith("1 tooth of") for row in got["cams"])
    late = [float(row["Late"].rstrip("°")) for row in got["cam-edges"]]
    assert late == pytest.approx([18.0] * 8, abs=0.5)
    expected = [row["Expected"] for row in got["cam-edges"]]
    assert expected == ["40.0°", "220.0°", "310.0°", "400.0°", "100.0°", "160.0°", "460.0°", "520.0°"]
    assert {row["Seen"] for row in got["cam-edges"]} == {"100 %"}
    assert "the cams moved and not the wheel" in moved(jumped)


def test_the_page_stands_with_cams_in_it(jumped):
    page = walk(jumped, report_html(jumped))
    assert any("18° late" in s["text"] for s in page.sentences)


@pytest.mark.parametrize(
    ("fault", "words"),
    [
        ({"kind": "wheel-moved", "deg": 15.0}, "the wheel has moved against crankshaft and cams"),
        ({"kind": "phaser-stuck", "cams": [2], "deg": -20.0}, "early against the crank wheel and against cam in"),
        ({"kind": "cam-target", "cams": [1], "edge": 1, "deg": 15.0}, "but the falling edge of cam in due at 220°"),
        ({"kind": "tooth-absent", "slots": [20]}, "No cam has moved as a whole"),
    ],
    ids=["wheel", "one cam", "one edge", "none"],
)
def test_what_moved_against_what(fault, words):
    analysis = analysed(CRANKED, LINES, fault)
    assert words in moved(analysis)
    if fault["kind"] == "wheel-moved":
        assert {row["In chain teeth"] for row in tables(analysis)["cams"]} == {"–"}


def test_a_line_the_other_way_up_is_compared_edge_by_edge():
    """The probe turned about: falling where the setup says rising. No edge is late or missing for it."""
    analysis = analysed(CRANKED, LINES, {"kind": "probe", "channel": "cam in", "what": "inverted"})
    (cam,) = [c for c in analysis.engine.cams if c.channel == "cam in"]
    assert cam.inverted
    assert cam.late_deg == pytest.approx([0.0] * 4, abs=0.6)
    rows = [r for r in tables(analysis)["cam-edges"] if r["Cam"] == "cam in"]
    assert [(r["Edge"], r["Expected"]) for r in rows] == [
        ("falling", "40.0°"), ("rising", "220.0°"), ("falling", "310.0°"), ("rising", "400.0°"),
    ]  # fmt: skip
    section = cams_section(analysis, Pictures())
    assert any("the other way up" in s.text for s in section.sentences)
    assert not any(f.kind.startswith("cam-") for f in analysis.findings.found)


def test_while_running_a_phaser_may_have_moved_it():
    analysis = analysed(RUNNING, LINES, {"kind": "phaser-stuck", "cams": [2], "deg": -20.0})
    assert "a phaser may have moved it" in moved(analysis)


def test_chain_teeth_by_hand():
    """360/18 = 20, 360/20 = 18, 360/24 = 15 (published table of the trade); two teeth of 24 are 30 degrees."""
    assert (1, 18) in cam_edges.chain_teeth(20.0)
    assert (1, 20) in cam_edges.chain_teeth(-18.0)
    assert cam_edges.chain_teeth(15.0)[0] == (1, 24)
    assert cam_edges.chain_teeth(30.0)[0] == (2, 24)
    assert cam_edges.chain_teeth(6.0) == []
    assert cam_edges.chain_teeth(27.0) == []


def test_without_a_description_nothing_is_expected(jumped):
    bare = replace(
        jumped,
        engine=replace(jumped.engine, cams=tuple(replace(c, offset_deg=None, late_deg=()) for c in jumped.engine.cams)),
    )
    got = tables(bare)
    assert "Expected" not in got["cam-edges"][0]
    assert {row["Offset"] for row in got["cams"]} == {"–"}
    assert moved(bare) == ""


def test_no_cam_no_section():
    analysis = fixtures.weak_tooth()
    without = replace(analysis, engine=replace(analysis.engine, cams=()))
    assert "cams" not in {s.id for s in compose(without, with_pictures=False).sections}
    assert cams_picture(without) is None


def test_cam_angles_say_what_they_count_from_where_no_tdc_is_known(jumped):
    """Cam edges lie in 0..720 whatever is known: words that say 0 to 360 would be wrong."""
    phase = replace(jumped.engine.phase, known=False, turn_known=False, tdc_deg=None, reference="0 to 360 from slot 1")
    data = analysis_json(replace(jumped, engine=replace(jumped.engine, phase=phase)))
    assert max(e["angle_deg"] for c in data["cams"] for e in c["edges"]) > 360.0
    assert all(c["angle_reference"].startswith("0 to 720 from slot 1") for c in data["cams"])
