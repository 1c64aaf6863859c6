"""Several recordings of one case together: counts, intervals, balance, and every sentence back to its recording."""

from __future__ import annotations

import json
from dataclasses import replace
from typing import Any

import pytest
from scipy import stats as sps

from tests.report.fixtures import weak_tooth
from witnessmark.causes.catalogue import load_knowledge
from witnessmark.causes.observations import observation
from witnessmark.findings.model import Finding, Findings, NotAssessed
from witnessmark.pool.join import joined
from witnessmark.pool.model import Pooled
from witnessmark.pool.pool import pool
from witnessmark.pool.pooled_json import pooled_json
from witnessmark.pool.terminal import summary
from witnessmark.report.model import Analysis

BASE: Analysis = weak_tooth()


def found(kind: str, confidence: float = 0.8, **more: Any) -> Finding:
    lock = more.pop("lock", "none")
    return Finding("F1", kind, "crank", lock, f"{kind} in a made record", confidence, (), **more)


def record(name: str, *findings: Finding, not_assessed: tuple[NotAssessed, ...] = ()) -> Analysis:
    """The base record's wheel and lines under another name, with these findings."""
    numbered = tuple(replace(f, id=f"F{n}") for n, f in enumerate(findings, start=1))
    return replace(
        BASE,
        recording=replace(BASE.recording, path=f"{name}.csv"),
        findings=Findings(numbered, not_assessed),
        in_motion=True,
    )


def chance(pooled: Pooled, cause: str) -> float:
    return sum(c.probability for c in pooled.verdict.causes if cause in (c.id, c.with_))


def dropped(missed: int, passages: int, confidence: float = 0.8) -> Finding:
    return found("edges-dropped", confidence, evidence={"missed": missed, "passages": passages, "slots": 9})


def test_counts_add_up_with_an_exact_interval() -> None:
    """Against scipy's exact binomial interval (reference library)."""
    both = pool([record("a", dropped(12, 5800)), record("b", dropped(3, 2900))])
    (one,) = both.findings
    assert (one.hits, one.chances) == (15, 8700)
    exact = sps.binomtest(15, 8700).proportion_ci(0.95, method="exact")
    assert (one.low_95, one.high_95) == pytest.approx((exact.low, exact.high))
    assert one.members == (("R1", "F1"), ("R2", "F1"))
    assert one.finding.evidence["recordings_found"] == 2
    assert any("15 in 8700" in b for b in both.bounds)


def test_a_clean_record_adds_its_passages_and_raises_nothing() -> None:
    alone = pool([record("a", dropped(12, 5800))])
    with_clean = pool([record("a", dropped(12, 5800)), record("clean")])
    (one,) = with_clean.findings
    passages = sum(t.passages for t in BASE.wheel.teeth if t.expected)
    assert one.chances == 5800 + passages
    assert one.judged == ("R1", "R2")
    assert one.finding.confidence <= alone.findings[0].finding.confidence
    assert chance(with_clean, "crank-sensor") <= chance(alone, "crank-sensor") + 1e-9
    assert "not in R2" in one.finding.statement


def test_two_records_that_state_it_are_surer_than_one_and_hints_stay_hints() -> None:
    one = pool([record("a", dropped(12, 5800, 0.7))]).findings[0].finding.confidence
    two = pool([record("a", dropped(12, 5800, 0.7)), record("b", dropped(9, 5800, 0.7))]).findings[0].finding.confidence
    assert one == pytest.approx(0.7)
    assert one < two < 1.0 - 0.3 * 0.3  # less than two independent witnesses
    hints = pool([record(n, dropped(1, 5800, 0.45)) for n in "abcdef"])
    assert not any(p.finding.stated for p in hints.findings)
    assert hints.verdict.causes[0].id == "none-found"


def test_a_steady_fault_that_another_record_does_not_show_is_doubted() -> None:
    gone = found("tooth-absent", 0.9, lock="wheel", slot=7)
    pooled = pool([record("a", gone), record("b")])
    assert pooled.findings[0].finding.confidence == pytest.approx(0.45)
    both = pool([record("a", gone), record("b", gone), record("c")])
    assert both.findings[0].finding.stated
    assert any("one state of the vehicle" in c for c in both.cautions)
    assert pool([record("a", gone), record("b", gone)]).findings[0].finding.confidence > 0.9


def test_the_balance_is_over_all_and_leads_back() -> None:
    tooth = found("tooth-weak", 0.8, lock="wheel", slot=23)
    pooled = pool([record("a", tooth), record("b", found("no-start", 0.9)), record("c", tooth)])
    assert pooled.verdict.causes[0].id == "trigger-wheel-tooth"
    ids = {p.finding.id for p in pooled.findings}
    assert set(pooled.verdict.causes[0].because) <= ids
    assert {mark for p in pooled.findings for mark, _ in p.members} <= {m.mark for m in pooled.members}
    by_id = {(m.mark, f): m for m in pooled.members for f in ("F1",)}
    assert all(member in by_id for p in pooled.findings for member in p.members)


def test_stretches_name_their_recording() -> None:
    pooled = pool([replace(BASE, in_motion=True)])
    for one in pooled.findings:
        assert all(r.channel.startswith("R1 ") for r in one.finding.ranges)
        original = next(f for f in BASE.findings.found if f.id == one.members[0][1])
        assert [r.start_sample for r in one.finding.ranges] == [r.start_sample for r in original.ranges[:40]]


def test_one_recording_alone_is_that_recording() -> None:
    pooled = pool([record("a", dropped(12, 5800), found("no-start", 0.9))])
    assert [p.finding.confidence for p in pooled.findings] == [0.9, 0.8]
    assert pooled.turns == BASE.wheel.angle.turns


def test_the_same_file_twice_is_one_witness() -> None:
    twice = pool([record("a", dropped(12, 5800, 0.7)), record("a", dropped(12, 5800, 0.7))])
    assert len(twice.members) == 1
    assert twice.findings[0].hits == 12
    assert any("counted once" in c for c in twice.cautions)


def test_teeth_add_up_and_nothing_seen_has_its_bound() -> None:
    clean = tuple(replace(t, seen=t.passages) for t in BASE.wheel.teeth)
    whole = [replace(record(n), wheel=replace(BASE.wheel, teeth=clean)) for n in "ab"]
    pooled = pool(whole)
    for tooth in pooled.teeth:
        assert tooth.passages == sum(n for _, _, n in tooth.each)
        assert len(tooth.each) == 2
    turns = min(t.passages for t in pooled.teeth if t.expected and t.passages)
    upper = 100.0 * (1.0 - 0.05 ** (1.0 / turns))  # derived: 95 % upper rate of none in n
    assert f"more than {upper:.2g} % of the turns" in pooled.bounds[0]


def test_another_wheel_is_kept_apart() -> None:
    other = replace(record("b"), wheel=replace(BASE.wheel, slot_reference="counted from elsewhere"))
    pooled = pool([record("a"), record("c"), other])
    assert all({mark for mark, _, _ in t.each} == {"R1", "R2"} for t in pooled.teeth)
    assert any("R3" in c and "not pooled" in c for c in pooled.cautions)


def test_a_question_is_open_only_where_every_record_leaves_it_open() -> None:
    cams = NotAssessed("Do cams agree?", "no cam line", "a cam line")
    sparks = NotAssessed("Is spark right?", "no coil line", "a coil line")
    pooled = pool([record("a", not_assessed=(cams, sparks)), record("b", not_assessed=(sparks,))])
    needed = pooled.verdict.causes[0].statement
    assert "1 question could not be judged" in needed


def test_observations_count_over_the_pool() -> None:
    known = load_knowledge()
    tooth = found("tooth-weak", 0.9, lock="wheel", slot=23)
    pooled = pool([record("a", tooth), record("b", tooth)], observations=[observation("look-at-the-tooth", "1", known)])
    assert pooled.verdict.advice is not None
    assert [a.cause for a in pooled.verdict.advice.actions] == ["trigger-wheel-tooth"]
    assert "Repair or replacement is open" in " ".join(summary(pooled).split())


def test_every_output_stands() -> None:
    pooled = pool([record("a", dropped(12, 5800)), record("b", dropped(3, 2900), found("no-start", 0.9)), record("c")])
    data = pooled_json(pooled)
    json.dumps(data, allow_nan=False)
    assert data["schema"] == "witnessmark.pooled/1"
    assert len(data["recordings"]) == 3
    assert sum(c["probability"] for c in data["causes"]) == pytest.approx(1.0)
    text = summary(pooled)
    assert max(map(len, text.splitlines())) <= 100
    assert "R1 F1, R2 F1" in " ".join(text.split())
    with pytest.raises(ValueError, match="nothing to pool"):
        pool([])


def test_numbered_by_confidence() -> None:
    marked = (("R1", record("a", dropped(1, 100, 0.6), found("no-start", 0.95))),)
    assert [p.finding.kind for p in joined(marked)] == ["no-start", "edges-dropped"]
    assert [p.finding.id for p in joined(marked)] == ["P1", "P2"]
