"""The report: every sentence leads to its finding or says what else it rests on; nothing leaves the file."""

import re
from dataclasses import replace

import pytest

from witnessmark.errors import BadOutput
from witnessmark.report.compose import compose
from witnessmark.report.html import html, write_report

from . import fixtures
from .pages import Page, walk


@pytest.fixture(scope="module", params=list(fixtures.ALL))
def case(request):
    analysis = fixtures.ALL[request.param]()
    text = fixtures.report(request.param)
    return analysis, text, Page(text)


def test_every_sentence_leads_to_its_finding_and_its_turns(case):
    analysis, text, _ = case
    walk(analysis, text)


@pytest.mark.parametrize(
    "spoil",
    [
        lambda t: t.replace('data-findings="F1"', 'data-findings="F9"', 1),
        lambda t: t.replace('<div id="F1"', '<div id="F8"', 1),
        lambda t: t.replace('href="#F1"', 'href="#nowhere"', 1),
        lambda t: re.sub(r'data-ranges="crank:\d+-\d+@', 'data-ranges="crank:0-190001@', t, count=1),
        lambda t: re.sub(
            r'data-ranges="[^"]+" data-basis="finding"', 'data-ranges="" data-basis="finding"', t, count=1
        ),
    ],
)
def test_the_walk_notices_what_is_wrong(spoil):
    with pytest.raises((AssertionError, IndexError)):
        walk(fixtures.weak_tooth(), spoil(fixtures.report("weak tooth")))


def test_the_document_holds_no_sentence_without_ground(case):
    analysis, _, _ = case
    document = compose(analysis, with_pictures=False)
    sentences = [document.verdict, *(s for part in document.sections for s in part.sentences)]
    for sentence in sentences:
        assert sentence.text.strip()
        assert sentence.findings or sentence.basis != "finding", sentence.text
        assert sentence.ranges or sentence.basis == "knowledge", sentence.text


def test_no_request_leaves_the_file(case):
    _, text, page = case
    assert all(url.startswith("#") for url in page.urls)
    assert not re.search(r"@import|url\(\s*['\"]?(?!#)", text)
    outside = set(re.findall(r"https?://[^\s\"'<)]+", text))
    assert all("www.w3.org" in url for url in outside)  # the names of SVG and XLink, never fetched
    assert "default-src 'none'" in text
    assert not [t for t, _ in page.tags if t in ("script", "link", "img", "iframe", "object")]


def test_it_is_made_to_print_and_to_be_read_aloud(case):
    _, text, page = case
    assert "@page" in text
    assert "@media print" in text
    assert "break-inside: avoid" in text
    assert page.headings[0] == 1
    assert all(b - a <= 1 for a, b in zip(page.headings, page.headings[1:], strict=False))
    for tag, attributes in page.tags:
        if tag == "svg":
            assert attributes.get("role") == "img"
            assert attributes.get("aria-label")
        if tag == "th":
            assert attributes.get("scope") in ("col", "row")
    assert dict(page.tags)["html"] == {"lang": "en"}
    assert [t for t, _ in page.tags].count("svg") == [t for t, _ in page.tags].count("figcaption")


def test_the_verdict_is_one_sentence_and_never_orders_a_part(case):
    _, _, page = case
    verdict = page.sentences[0]["text"]
    assert "%" in verdict
    assert not re.search(r"[.!?] [A-Z]", verdict)
    everything = " ".join(s["text"] for s in page.sentences).lower()
    assert "replace the" not in everything
    assert "replace it" not in everything


def test_hints_say_that_they_are_hints():
    page = Page(fixtures.report("weak tooth"))
    (hint,) = [s for s in page.sentences if s["data-findings"] == "F3"]
    assert hint["text"].startswith("Hint only (confidence 0.20)")


def test_weak_tooth_is_named_with_angle_and_counts():
    analysis = fixtures.weak_tooth()
    tooth = analysis.wheel.teeth[22]
    text = compose(analysis, with_pictures=False).verdict.text
    assert "slot 23 of the 60-2 wheel, 132° after slot 1" in text
    assert f"no edge in {tooth.passages - tooth.seen} of {tooth.passages} turns" in text
    assert "(91 %)" in text


def test_a_healthy_record_accuses_nothing():
    document = compose(fixtures.healthy(), with_pictures=False)
    assert document.verdict.text.startswith("Nothing wrong is seen")
    assert not any(s.id == "where" and s.sentences for s in document.sections)
    assert 'class="verdict clear"' in fixtures.report("healthy")


def test_hostile_names_stay_text():
    analysis = fixtures.weak_tooth()
    setup = analysis.setup.model_copy(
        update={
            "vehicle": analysis.setup.vehicle.model_copy(update={"complaint": '<script>alert(1)</script> & "so" on'})
        }
    )
    text = html(compose(replace(analysis, setup=setup), with_pictures=False))
    assert "<script>" not in text
    assert "&lt;script&gt;" in text


def test_many_ranges_stay_readable():
    analysis = fixtures.dropouts()
    finding = analysis.findings.found[0]
    many = replace(finding, ranges=tuple(replace(r, turn=i) for i, r in enumerate(finding.ranges * 20)))
    found = replace(analysis.findings, found=(many,))
    document = compose(replace(analysis, findings=found), with_pictures=False)
    text = html(document)
    assert "further rows</summary>" in text
    assert len(text) < 800_000


def test_the_file_appears_whole_or_not_at_all(tmp_path):
    goal = tmp_path / "report.html"
    write_report(fixtures.undecodable(), goal)
    assert goal.read_text(encoding="utf-8").endswith("</html>\n")
    assert [p.name for p in tmp_path.iterdir()] == ["report.html"]
    with pytest.raises(BadOutput, match="missing"):
        write_report(fixtures.undecodable(), tmp_path / "missing" / "report.html")
    assert [p.name for p in tmp_path.iterdir()] == ["report.html"]


def test_the_vehicle_number_is_masked():
    """The number is 49 CFR 565's worked example of the check digit; a report is handed on."""
    analysis = fixtures.healthy()
    vehicle = analysis.setup.vehicle.model_copy(update={"vin": "1M8GDM9AXKP042788"})
    text = html(
        compose(replace(analysis, setup=analysis.setup.model_copy(update={"vehicle": vehicle})), with_pictures=False)
    )
    assert "1M8**************" in text
    assert "042788" not in text
