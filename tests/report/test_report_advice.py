"""The advice in every output: what was seen by hand, why this test, what would change it, what may be repaired."""

import json
from dataclasses import replace

import jsonschema
import pytest

from witnessmark.causes.catalogue import load_knowledge
from witnessmark.causes.observations import observation
from witnessmark.causes.weigh import Context, weigh
from witnessmark.report.analysis_json import analysis_json
from witnessmark.report.html import report_html
from witnessmark.report.schema import analysis_schema
from witnessmark.report.terminal import summary

from .fixtures import weak_tooth
from .pages import walk

KNOWN = load_knowledge()
CONTEXT = Context(sensor="vr", crank_judged=True, has_setup_wheel=True, roles=frozenset({"crank"}), turns=60.0)


def with_verdict(*said, closed=None):
    """The weak tooth's analysis, weighed anew with these tests done by hand."""
    base = weak_tooth()
    seen = [observation(test, outcome, KNOWN, when="2026-03-02", by="the shop") for test, outcome in said]
    return replace(base, verdict=weigh(base.findings, CONTEXT, observations=seen, closed=closed))


@pytest.mark.parametrize(
    ("said", "closed"),
    [
        ((), {"trigger-wheel-tooth": 3}),
        ((("look-at-the-tooth", "2"), ("measure-the-gap", "3")), {"crank-sensor": 9}),
    ],
)
def test_every_output_stands(said, closed):
    analysis = with_verdict(*said, closed=closed)
    data = analysis_json(analysis)
    jsonschema.Draft202012Validator(analysis_schema()).validate(data)
    json.dumps(data, allow_nan=False)
    assert max(map(len, summary(analysis).splitlines())) <= 100
    page = walk(analysis, report_html(analysis))
    text = " ".join(s["text"] for s in page.sentences)
    assert len(data["observed"]) == len(said)
    assert ("2026-03-02, the shop" in text) == bool(said)
    assert data["priors"]
    assert analysis_json(with_verdict(*said))["priors"] == []


def test_the_report_says_why_this_test_and_no_other():
    analysis = with_verdict()
    data = analysis_json(analysis)
    advice = data["advice"]
    assert advice["chosen"] == data["next_tests"][0]["id"] == "look-at-the-tooth"
    assert advice["actions"] == []
    text = " ".join(s["text"] for s in walk(analysis, report_html(analysis)).sentences)
    for part in (advice["why_not"], advice["robust"], advice["stop"]):
        assert part
        assert part in text.replace("\xa0", " ")
    first = data["next_tests"][0]
    assert sum(o["probability"] for o in first["outcomes"]) == pytest.approx(1.0, abs=1e-5)
    assert first["cost_min"] > first["minutes"]


def test_seen_at_the_part_the_repair_is_open_in_every_output():
    analysis = with_verdict(("look-at-the-tooth", "1"))
    data = analysis_json(analysis)
    assert [a["cause"] for a in data["advice"]["actions"]] == ["trigger-wheel-tooth"]
    assert data["next_tests"] == []
    for text in (summary(analysis), report_html(analysis)):
        words = " ".join(text.replace("\xa0", " ").split())
        assert "Repair or replacement is open" in words
    assert "Repair" not in summary(with_verdict())


def test_a_look_that_contradicts_the_verdict_is_said_in_its_line():
    whole, seen = with_verdict(("look-at-the-tooth", "2")), with_verdict(("look-at-the-tooth", "1"))
    for text in (summary(whole), report_html(whole)):
        words = " ".join(text.replace("\xa0", " ").split())
        assert "contradicts this (the tooth is whole): doubt slot reference and hookup first" in words
    assert "contradicts" not in summary(seen) + summary(with_verdict())
    assert "To bring slot" in summary(with_verdict())
    assert "To bring slot" not in summary(whole)
    assert analysis_json(whole)["observed"][0]["against"] == ["trigger-wheel-tooth"]
    assert analysis_json(seen)["observed"][0]["against"] == []


def test_what_every_caution_ends_with_is_said_once():
    from witnessmark.report.words import LOCAL, local_once

    assert local_once([f"A. {LOCAL}", f"B. {LOCAL}"]) == ["A.", "B.", LOCAL]
    assert local_once([f"A. {LOCAL}"]) == [f"A. {LOCAL}"]
