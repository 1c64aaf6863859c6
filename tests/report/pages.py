"""A report as a page: its sentences with what they rest on, and the checks that every page must stand."""

import re
from html.parser import HTMLParser

from witnessmark.report.words import TOOTH_KINDS


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


def ranges_of(text):
    """(channel, first, stop, turn) of each stretch written at a sentence."""
    out = []
    for part in text.split():
        name, first, stop, turn = re.fullmatch(r"(.+):(\d+)-(\d+)(?:@(\d+))?", part).groups()
        name = name.replace("%20", " ").replace("%7C", "|").replace("%25", "%")
        out.append((name, int(first), int(stop), turn))
    return out


def walk(analysis, text):
    """Check every sentence of a page, its links, and every stretch it names; returns the page."""
    page = Page(text)
    known = {f.id: f for f in analysis.findings.found}
    samples = {c.name: c.samples for c in analysis.recording.channels}
    assert len(page.sentences) > 10
    for sentence in page.sentences:
        grounded(sentence, known)
        within(sentence, samples)
        at_the_turns(sentence, known, samples)
    assert all(link.startswith("#") and link[1:] in page.ids for link in page.links)
    assert len(page.ids) == len(set(page.ids))
    listed(known, text)
    return page


def grounded(sentence, known):
    """The sentence leads to findings that exist, or says what else it rests on."""
    findings = sentence["data-findings"].split()
    assert set(findings) <= set(known), sentence["text"]
    assert {f"#{f}" for f in findings} <= set(sentence["links"])
    assert sentence["links"], sentence["text"]
    if sentence["data-basis"] == "finding":
        assert findings, sentence["text"]
    assert sentence["data-basis"] in ("finding", "record", "measurement", "knowledge"), sentence["text"]
    assert sentence["data-ranges"] or sentence["data-basis"] == "knowledge", sentence["text"]


def within(sentence, samples):
    """Each stretch lies within its channel."""
    for name, first, stop, _ in ranges_of(sentence["data-ranges"]):
        assert 0 <= first < stop <= samples[name], sentence["text"]


def at_the_turns(sentence, known, samples):
    """What is said of a tooth rests on the turns concerned, not on the whole record."""
    kinds = {known[f].kind for f in sentence["data-findings"].split()}
    if not kinds or not kinds <= set(TOOTH_KINDS) or sentence["data-basis"] != "finding":
        return
    stretches = ranges_of(sentence["data-ranges"])
    for name, first, stop, turn in stretches:
        assert stop - first < 0.1 * samples[name], sentence["text"]
        assert turn is not None, sentence["text"]
    covered = sum(stop - first for _, first, stop, _ in stretches)
    assert covered < 0.5 * len(known) * samples[stretches[0][0]], sentence["text"]


def listed(known, text):
    """The appendix lists every stretch of every finding."""
    for finding in known.values():
        part = text.split(f'<div id="{finding.id}"')[1].split('<div id="')[0]
        for stretch in finding.ranges:
            assert f"{stretch.start_sample}–{stretch.stop_sample}" in part
