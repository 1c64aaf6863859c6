"""Odd but possible analyses come through every output: no crank line, few vanes on a change list, many attempts ..."""

import json

import jsonschema
import pytest

from witnessmark.causes.weigh import Context, weigh
from witnessmark.report.analysis_json import analysis_json
from witnessmark.report.compose import compose
from witnessmark.report.figures import pictures
from witnessmark.report.html import html
from witnessmark.report.schema import analysis_schema
from witnessmark.report.terminal import summary
from witnessmark.report.words import TOOTH_KINDS

from . import fixtures, odd


@pytest.fixture(params=list(odd.ALL))
def analysis(request):
    return odd.ALL[request.param]()


def test_json_and_summary(analysis):
    data = analysis_json(analysis)
    jsonschema.Draft202012Validator(analysis_schema()).validate(data)
    json.dumps(data, allow_nan=False)
    lines = summary(analysis).splitlines()
    assert len(lines) <= 30
    assert max(map(len, lines)) <= 100


def test_every_sentence_and_picture_has_its_ground(analysis):
    document = compose(analysis)
    samples = {c.name: c.samples for c in analysis.recording.channels}
    known = {f.id: f for f in analysis.findings.found}
    sentences = [document.verdict, *(s for part in document.sections for s in part.sentences)]
    sentences += [p.caption for part in document.sections for p in part.pictures]
    for sentence in sentences:
        assert set(sentence.findings) <= set(known), sentence.text
        assert sentence.findings or sentence.basis != "finding", sentence.text
        assert sentence.ranges or sentence.basis == "knowledge", sentence.text
        assert all(0 <= r.start_sample < r.stop_sample <= samples[r.channel] for r in sentence.ranges), sentence.text
        kinds = {known[f].kind for f in sentence.findings}
        if kinds and kinds <= set(TOOTH_KINDS):
            assert all(r.turn is not None for r in sentence.ranges), sentence.text
    assert html(document).endswith("</html>\n")


def test_two_teeth_are_both_named_and_barred_to():
    document = compose(odd.two_teeth(), with_pictures=False)
    assert "slots 23 and 41" in document.verdict.text
    assert "(no edge in 14 of 46 and 15 of 47 turns)" in document.verdict.text
    assert document.verdict.findings == ("F1", "F2")
    (where,) = [s for s in document.sections if s.id == "where"]
    assert "132°" in where.sentences[0].text
    assert "240°" in where.sentences[1].text
    assert [s.text.split()[3] for s in where.sentences if s.text.startswith("To bring slot")] == ["23", "41"]


def test_a_hint_marks_no_row_as_suspect():
    document = compose(odd.two_teeth(), with_pictures=False)
    (table,) = [t for s in document.sections for t in s.tables if t.id == "teeth"]
    assert {table.rows[i][0] for i in table.marked} == {"23", "41"}


def test_displaced_tooth_shows_how_late():
    shown = pictures(odd.displaced())
    assert "1.50° late" in shown.strip.svg
    assert "1.5° late" in shown.strip.caption.text
    assert "diamond: displaced" in shown.turn_map.caption.text


def test_extra_edge_is_named_where_the_wheel_has_no_tooth():
    text = compose(odd.extra(), with_pictures=False).verdict.text
    assert "slot 59" in text
    assert "an edge in 16 of 47 turns where the wheel has no tooth" in text


def test_a_good_crank_signal_is_said_to_be_good():
    text = compose(odd.many_attempts(), with_pictures=False).verdict.text
    assert text.startswith("The crank signal is good over 47 turns, but the engine does not start")


def test_no_probability_is_said_to_be_certain():
    assert "100 %" not in compose(odd.displaced(), with_pictures=False).verdict.text


def test_a_limited_record_is_not_called_a_fault_of_the_engine():
    from dataclasses import replace

    base = fixtures.healthy()
    clipped = fixtures.undecodable().findings.found
    text = compose(replace(base, findings=replace(base.findings, found=clipped)), with_pictures=False).verdict.text
    assert text.startswith("Nothing wrong is seen in the crank signal over 47 turns, though the record is clipped")


def test_nothing_wrong_is_not_said_of_what_was_not_decoded():
    from dataclasses import replace

    base = fixtures.undecodable()
    found = replace(base.findings, found=())
    blind = replace(base, findings=found, verdict=weigh(found, Context(sensor="vr", crank_judged=False, judged=0.0)))
    text = compose(blind, with_pictures=False).verdict.text
    assert "so wheel and sensor cannot be judged; this clears nothing: nothing wrong (40 %), or a fault" in text
    assert "Otherwise" not in summary(blind)
