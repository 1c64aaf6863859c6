"""The demo from end to end: the bakery's van, simulated, with one low tooth at a slot that the truth names."""

from __future__ import annotations

import json

import pytest

from witnessmark.report.analysis_json import analysis_json


@pytest.fixture(scope="module")
def truth(bakery):
    return json.loads(bakery.truth.read_text(encoding="utf-8"))


@pytest.fixture(scope="module", params=["with setup", "without setup"])
def analysis(request):
    name = "bakery_analysis" if request.param == "with setup" else "bakery_without_setup"
    return request.getfixturevalue(name)


def test_the_right_tooth_comes_first(analysis, truth):
    first = analysis.verdict.causes[0]
    assert first.id == truth["cause"] == "trigger-wheel-tooth"
    assert first.target == truth["slot"]
    assert first.with_ is None  # nothing else is wrong in this record
    assert first.probability >= 0.8
    tooth = [f for f in analysis.findings.found if f.stated and f.slot is not None]
    assert {f.slot for f in tooth} == {truth["slot"]}
    assert {f.lock for f in tooth} == {"wheel"}
    assert set(first.because) >= {f.id for f in tooth[:1]}


def test_no_other_tooth_is_touched(analysis, truth):
    """The neighbours' field bends a little beside a low tooth; they still give their edge."""
    others = [t for t in analysis.wheel.teeth if t.expected and t.slot != truth["slot"]]
    assert sum(t.seen for t in others) >= 0.999 * sum(t.passages for t in others)


def test_the_wheel_is_the_designed_one(analysis, truth):
    wheel = analysis_json(analysis)["crank_wheel"]
    assert (wheel["slots"], wheel["missing"]) == (truth["design"]["slots"], truth["design"]["missing"])


def test_three_attempts_of_which_the_last_runs(analysis, truth):
    attempts = analysis.engine.attempts
    assert [a.started for a in attempts] == [bool(t["started"]) for t in truth["attempts"]] == [False, False, True]
    for found, true in zip(attempts, truth["attempts"], strict=True):
        assert found.start_s == pytest.approx(true["start_s"], abs=0.15)
    assert attempts[-1].turns_to_sync is not None
    assert [a.turns_to_sync for a in attempts[:2]] == [None, None]


def test_where_to_look(bakery_analysis, truth):
    """Slot 23 stands 22 pitches of 6 degrees after slot 1; cylinder 1's TDC is at slot 22 (the scenario says so)."""
    spot = bakery_analysis.whereabouts[0]
    assert spot.slot == truth["slot"] == 23
    assert spot.angle_from_slot1_deg == pytest.approx(132.0)
    assert spot.angle_atdc_deg == pytest.approx((23 - truth["tdc_slot"]) * 6.0)
    assert len(spot.guides) == 2


def test_replaced_parts_are_not_blamed(analysis):
    """Starter and battery were replaced for nothing: the record shows that they are good."""
    by_id = {c.id: c.probability for c in analysis.verdict.causes}
    assert by_id.get("cranking-system", 0.0) < 0.05


def test_every_finding_rests_on_turns_of_the_record(analysis):
    for finding in analysis.findings.found:
        assert finding.ranges, finding
        for stretch in finding.ranges:
            assert 0 <= stretch.start_sample < stretch.stop_sample
            assert stretch.end_s - stretch.start_s < 0.5 * analysis.recording.duration_s


def test_after_the_repair_the_fault_is_gone(bakery, bakery_analysis, tmp_path):
    """The demo's second half: the wheel replaced, the same hook-up, old battery, no booster."""
    from pathlib import Path

    from witnessmark.compare.compare import compare
    from witnessmark.pipeline import analyze
    from witnessmark.simulate.run import write_simulation

    scenario = Path(__file__).parents[1] / "examples" / "bakery-van-repaired.toml"
    recording, truth_path, _ = write_simulation(scenario, tmp_path / "repaired.npz")
    assert json.loads(truth_path.read_text(encoding="utf-8"))["faults"] == []
    comparison = compare(bakery_analysis, analyze(recording, bakery.setup))
    assert comparison.overall == "repaired"
    (tooth,) = (j for j in comparison.findings if j.shown.slot == 23)
    assert tooth.verdict == "gone"
    starts = [j for j in comparison.findings if j.shown.kind == "no-start"]
    assert [j.verdict for j in starts] == ["not comparable"]  # one start proves little where one of three ran before
