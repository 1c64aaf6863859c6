"""The next test: worked numbers of decision-theoretic troubleshooting, and what is shown."""

from __future__ import annotations

import itertools
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats as sps

from witnessmark.causes.catalogue import load_knowledge
from witnessmark.causes.chances import entropy_bits, gain_bits, posterior
from witnessmark.causes.engines import EngineFacts
from witnessmark.causes.next_test import _applies
from witnessmark.causes.weigh import Balance, Context, Entry
from witnessmark.causes.worth import expected_cost, repair_order, worth_of
from witnessmark.findings.model import NotAssessed
from witnessmark.plan.catalogue import load_plan_knowledge

from .made import HALL, VR, finding, verdict


def test_order_by_probability_over_cost() -> None:
    # Worked numbers, derived, of Heckerman, Breese & Rommelse, CACM 38(3), 1995 (published method).
    p, c = [0.5, 0.3, 0.2], [60.0, 10.0, 20.0]
    order, cost = repair_order(p, c)
    assert order == (1, 2, 0)
    assert cost == pytest.approx(54.0)
    assert expected_cost(p, c, (0, 1, 2)) == pytest.approx(69.0)


@given(st.lists(st.tuples(st.floats(0.01, 1.0), st.floats(1.0, 100.0)), min_size=1, max_size=5))
def test_no_other_order_is_cheaper(rows: list[tuple[float, float]]) -> None:
    total = sum(p for p, _ in rows)
    p, c = [p / total for p, _ in rows], [c for _, c in rows]
    best = min(expected_cost(p, c, order) for order in itertools.permutations(range(len(p))))
    assert repair_order(p, c)[1] == pytest.approx(best)


def test_one_imperfect_test() -> None:
    # Worked numbers, derived: prior 0.3, sensitivity 0.9, specificity 0.95.
    prior = [0.3, 0.7]
    positive, after_positive = posterior(prior, [0.9, 0.05])
    _, after_negative = posterior(prior, [0.1, 0.95])
    assert positive == pytest.approx(0.305)
    assert after_positive[0] == pytest.approx(0.8852, abs=5e-5)
    assert after_negative[0] == pytest.approx(0.0432, abs=5e-5)
    assert gain_bits(prior, [[0.9, 0.05], [0.1, 0.95]]) == pytest.approx(0.5461, abs=5e-5)


@given(st.lists(st.floats(0.001, 1.0), min_size=2, max_size=8))
def test_entropy_against_scipy(weights: list[float]) -> None:
    p = np.asarray(weights) / sum(weights)
    assert entropy_bits(list(p)) == pytest.approx(float(sps.entropy(p, base=2)))


def test_a_test_that_tells_nothing_gains_nothing() -> None:
    assert gain_bits([0.3, 0.7], [[0.4, 0.4], [0.6, 0.6]]) == pytest.approx(0.0)


def test_costs_must_match() -> None:
    with pytest.raises(ValueError, match="cost"):
        repair_order([0.5, 0.5], [1.0])


def test_worth_adds_up() -> None:
    known = load_knowledge()
    test = next(t for t in known.test if t.id == "both-ends-of-the-line")
    worth = worth_of(test, [Entry("crank-sensor", 0.6), Entry("crank-circuit", 0.4)], known)
    assert worth.after_min < worth.before_min
    assert sum(worth.outcome) == pytest.approx(1.0)
    assert worth.value_min == pytest.approx(worth.before_min - worth.after_min - worth.cost_min)
    assert worth.cost_min > test.minutes  # opening and precautions are paid for


def test_a_nearly_certain_tooth_is_to_be_looked_at_first() -> None:
    result = verdict(finding("tooth-absent", "wheel", 0.97, slot=23))
    first = result.next_tests[0]
    assert first.id == "look-at-the-tooth"
    assert "slot 23" in first.statement
    assert "does not see the part" in first.why
    assert any("key out" in c for c in first.cautions)


@pytest.mark.parametrize(
    ("kind", "lock", "context", "tests"),
    [
        (
            "edges-dropped",
            "none",
            HALL,
            {"both-ends-of-the-line", "sensor-at-its-own-terminals", "warm-and-cool-the-sensor"},
        ),
        ("signal-lost", "none", HALL, {"both-ends-of-the-line", "supply-and-ground-at-the-sensor"}),
        ("edges-spurious", "event", VR, {"silence-the-other-circuit"}),
        ("polarity-reversed", "none", VR, {"check-the-hookup"}),
        ("wheel-runout", "wheel", VR, {"gauge-the-wheel"}),
        ("wheel-unexpected", "none", HALL, {"count-the-teeth"}),
        ("signal-low", "none", VR, {"amplitude-by-slot", "measure-the-gap"}),
        ("cranking-slow", "none", HALL, {"voltage-while-cranking", "drop-along-the-cables"}),
    ],
)
def test_first_test_fits_the_case(kind: str, lock: str, context: Context, tests: set[str]) -> None:
    assert verdict(finding(kind, lock), context=context).next_tests[0].id in tests


def test_what_the_record_has_already_is_not_proposed() -> None:
    tapped = Context(sensor="hall", crank_judged=True, roles=frozenset({"crank", "second-tap"}))
    ids = [t.id for t in verdict(finding("edges-dropped"), context=tapped).next_tests]
    assert ids
    assert "both-ends-of-the-line" not in ids


def test_tests_for_the_other_kind_of_sensor_are_not_proposed() -> None:
    for kind in ("signal-low", "edges-dropped", "polarity-reversed"):
        ids = {t.id for t in verdict(finding(kind), context=HALL).next_tests}
        assert not ids & {"amplitude-by-slot", "differential-capture", "leads-at-the-connector"}


def test_a_dead_line_gets_no_test_that_needs_its_signal() -> None:
    result = verdict(finding("signal-lost", evidence={"whole_record": True}))
    assert not {t.id for t in result.next_tests} & {"amplitude-by-slot", "count-the-teeth", "both-edges-table"}


def test_an_engine_that_does_not_run_gets_no_test_at_speed() -> None:
    """What the plan of a test asks for: about 2000 rpm, held."""
    plan = next(c for c in load_plan_knowledge().capture if c.test == "amplitude-by-slot")
    assert plan.up_to_rpm >= 2000
    for runs, proposed in ((True, True), (None, True), (False, False)):
        ids = {t.id for t in verdict(finding("signal-low"), context=replace(VR, runs=runs)).next_tests}
        assert ("amplitude-by-slot" in ids) == proposed
        assert ids


def test_nothing_found_asks_for_another_record() -> None:
    result = verdict(not_assessed=(NotAssessed("Do cams agree?", "no cam line", "a cam line beside the crank"),))
    assert [t.id for t in result.next_tests[:2]] == ["record-while-it-fails", "record-more-lines"]
    assert any("a cam line beside the crank" in t.statement for t in result.next_tests)
    assert "Nothing wrong was seen" in result.next_tests[0].why


def test_every_test_says_what_follows_in_numbers_and_with_cautions() -> None:
    for kind, lock in [
        ("edges-dropped", "none"),
        ("signal-low", "none"),
        ("tooth-weak", "wheel"),
        ("no-start", "none"),
    ]:
        result = verdict(finding(kind, lock, slot=9))
        assert 1 <= len(result.next_tests) <= 4
        for test in result.next_tests:
            assert len(test.outcomes) >= 2
            assert all(o.result and o.then for o in test.outcomes)
            assert "gain" in test.why
            assert "min" in test.why
            assert test.gain_bits > 0.0
            assert "{" not in test.statement
        assert any("licensed practice" in c for c in result.cautions)


# --- what applies to the engine ---------------------------------------------------------------------------------------

NOT_ASKED = {  # kind of engine -> words that no test may ask of it, whatever the verdict
    "motor": (EngineFacts(cranked_by="motor"), ("starter",)),
    "compression ignition": (EngineFacts(ignition="compression"), ("spark", "coil", "throttle")),
    "two-stroke": (EngineFacts(strokes=2), (" cam ", "camshaft", "phaser")),
}


def asked_of(engine: EngineFacts) -> list[tuple[str, str]]:
    """(id, statement) of every test that is ever proposed for this engine, over all causes."""
    known = load_knowledge()
    context = replace(HALL, sensor=None, judged=0.0, engine=engine)
    out = []
    for test in known.test:
        if _applies(test, Balance((), ()), replace(context, roles=frozenset(test.needs or ()))):
            words = next((w.statement for w in test.wording if w.engine.fits(engine)), test.statement)
            out.append((test.id, words))
    return out


@pytest.mark.parametrize(("engine", "words"), NOT_ASKED.values(), ids=NOT_ASKED)
def test_no_test_asks_for_what_the_engine_does_not_have(engine: EngineFacts, words: tuple[str, ...]) -> None:
    asked = asked_of(engine)
    assert len(asked) > 20
    assert [(i, text) for i, text in asked if any(w in f" {text.lower()} " for w in words)] == []


def test_one_cylinder_is_not_compared_with_others() -> None:
    assert "relative-compression" in dict(asked_of(EngineFacts(cylinders=4)))
    assert "relative-compression" not in dict(asked_of(EngineFacts(cylinders=1)))


def test_an_unknown_engine_counts_as_the_usual_one() -> None:
    usual = EngineFacts(ignition="coil-per-cylinder", cranked_by="starter", strokes=4, cylinders=4)
    assert asked_of(EngineFacts()) == asked_of(usual)


def test_high_voltage_is_warned_of_wherever_a_motor_turns_the_engine() -> None:
    hybrid = replace(HALL, engine=EngineFacts(cranked_by="motor"))
    told = verdict(finding("cranking-slow"), context=hybrid)
    assert any("high voltage turns it" in c for c in told.cautions)
    assert told.next_tests[0].id == "supply-while-the-motor-cranks"
    assert any("high voltage turns it" in c for c in told.next_tests[0].cautions)
    plain = verdict(finding("cranking-slow"), context=HALL)
    assert not any("high voltage turns it" in c for t in plain.next_tests for c in (*t.cautions, *plain.cautions))


def test_ignition_voltage_is_not_warned_of_where_there_is_none() -> None:
    known = load_knowledge()
    diesel = EngineFacts(ignition="compression")
    shown = [text for t in known.test for text in known.caution_texts(t.cautions, diesel)]
    assert shown
    assert not any("pacemaker" in text for text in shown)
