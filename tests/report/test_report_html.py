"""The report: every sentence leads to its finding or says what else it rests on; nothing leaves the file."""

import re
from html.parser import HTMLParser

import pytest

from witnessmark.errors import BadOutput
from witnessmark.report.compose import compose
from witnessmark.report.html import html, write_report
from witnessmark.report.words import TOOTH_KINDS

from . import fixtures

VOID = {"meta", "br", "link", "img", "hr", "input", "use", "path"}


class Page(HTMLParser):
    """What the tests ask of a page: its ids, its links, its sentences with their attributes, its text."""

    def __init__(self, text):
        super().__init__()
        self.ids, self.links, self.sentences, self.tags, self.headings = [], [], [], [], []
        self.urls, self.text, self.figures, self._figure = [], [], [], None
        self._open = []
        self.feed(text)

    def handle_starttag(self, tag, attrs):
        given = dict(attrs)
        self.tags.append((tag, given))
        if "id" in given:
            self.ids.append(given["id"])
        if tag == "a":
            self.links.append(given.get("href", ""))
            for sentence in self._open:
                sentence["links"].append(given.get("href", ""))
        self.urls += [v for k, v in attrs if k in ("src", "href", "xlink:href", "data", "action") and v]
        if re.fullmatch("h[1-6]", tag):
            self.headings.append(int(tag[1]))
        if "data-findings" in given:
            self._open.append({**given, "links": [], "text": "", "tag": tag})

    def handle_endtag(self, tag):
        if self._open and self._open[-1]["tag"] == tag:
            self.sentences.append(self._open.pop())

    def handle_data(self, data):
        self.text.append(data)
        for sentence in self._open:
            sentence["text"] += data


@pytest.fixture(scope="module", params=list(fixtures.ALL))
def case(request):
    analysis = fixtures.ALL[request.param]()
    text = fixtures.report(request.param)
    return analysis, text, Page(text)


def ranges_of(text):
    """(channel, first, stop, turn) of each stretch written at a sentence."""
    out = []
    for part in text.split():
        name, first, stop, turn = re.fullmatch(r"(.+):(\d+)-(\d+)(?:@(\d+))?", part).groups()
        name = name.replace("%20", " ").replace("%7C", "|").replace("%25", "%")
        out.append((name, int(first), int(stop), turn))
    return out


def test_every_sentence_leads_somewhere(case):
    analysis, _, page = case
    known = {f.id for f in analysis.findings.found}
    assert len(page.sentences) > 10
    for sentence in page.sentences:
        findings = sentence["data-findings"].split()
        assert set(findings) <= known, sentence["text"]
        if sentence["data-basis"] == "finding":
            assert findings, sentence["text"]
            assert sentence["data-ranges"], sentence["text"]
        else:
            assert sentence["data-basis"] in ("record", "measurement", "knowledge"), sentence["text"]
        if sentence["data-basis"] in ("record", "measurement"):
            assert sentence["data-ranges"], sentence["text"]
        assert sentence["links"], sentence["text"]
        assert {f"#{f}" for f in findings} <= set(sentence["links"])


def test_every_link_has_its_anchor(case):
    _, _, page = case
    assert all(link.startswith("#") and link[1:] in page.ids for link in page.links)
    assert len(page.ids) == len(set(page.ids))


def test_every_range_is_within_its_channel(case):
    analysis, _, page = case
    channels = {c.name: c for c in analysis.recording.channels}
    for sentence in page.sentences:
        for name, first, stop, _ in ranges_of(sentence["data-ranges"]):
            assert 0 <= first < stop <= channels[name].samples, sentence["text"]


def test_tooth_sentences_rest_on_turns_not_on_the_record(case):
    analysis, _, page = case
    at_teeth = {f.id for f in analysis.findings.found if f.kind in TOOTH_KINDS}
    samples = {c.name: c.samples for c in analysis.recording.channels}
    for sentence in page.sentences:
        findings = set(sentence["data-findings"].split())
        if findings and findings <= at_teeth and sentence["data-basis"] == "finding":
            stretches = ranges_of(sentence["data-ranges"])
            for name, first, stop, turn in stretches:
                assert stop - first < 0.1 * samples[name], sentence["text"]
                assert turn is not None
            assert sum(s[2] - s[1] for s in stretches) < 0.5 * samples[stretches[0][0]]


def test_every_finding_is_listed_with_all_its_stretches(case):
    analysis, text, page = case
    for finding in analysis.findings.found:
        assert finding.id in page.ids
        part = text.split(f'<div id="{finding.id}"')[1].split('<div id="')[0]
        for stretch in finding.ranges:
            assert f"{stretch.start_sample}–{stretch.stop_sample}" in part


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
    from dataclasses import replace

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
    from dataclasses import replace

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
