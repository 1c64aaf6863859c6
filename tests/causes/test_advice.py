"""The choice of the next test: worked numbers, a reference library, the runner-up, the stop rule, moved priors."""

from __future__ import annotations

import itertools
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from witnessmark.causes import catalogue
from witnessmark.causes.catalogue import Knowledge, load_knowledge
from witnessmark.causes.chances import shows_within, turns_to_see, while_absent
from witnessmark.causes.choose import REACH, choose, moved
from witnessmark.causes.ids import CAUSES
from witnessmark.causes.next_test import shows_per_turn
from witnessmark.causes.observations import Observation, observation, observe
from witnessmark.causes.reach import load_reach
from witnessmark.causes.weigh import Balance, Entry, balance_of, weigh
from witnessmark.causes.worth import bench_of, expected_cost, price_of, repair_order, search_cost, worth_of
from witnessmark.findings.model import Findings

from .made import HALL, VR, finding, verdict

KNOWN = load_knowledge()


def _balance(*found: str) -> Balance:
    return balance_of(Findings(tuple(finding(k) for k in found), ()), HALL, KNOWN)


# --- worked numbers ---------------------------------------------------------------------------------------------------


def test_search_in_arrays_is_the_published_order() -> None:
    # Derived worked numbers of Heckerman, Breese & Rommelse, CACM 38(3), 1995: 54.0 in the order 2, 3, 1 against 69.0.
    p, c = [0.5, 0.3, 0.2], [60.0, 10.0, 20.0]
    assert search_cost(np.array(p), np.array(c)) == pytest.approx(54.0)
    assert repair_order(p, c) == ((1, 2, 0), pytest.approx(54.0))
    assert expected_cost(p, c, (0, 1, 2)) == pytest.approx(69.0)


@given(st.lists(st.tuples(st.floats(0.01, 1.0), st.floats(1.0, 100.0)), min_size=1, max_size=5))
def test_search_in_arrays_against_all_orders(rows: list[tuple[float, float]]) -> None:
    total = sum(p for p, _ in rows)
    p, c = [p / total for p, _ in rows], [c for _, c in rows]
    best = min(expected_cost(p, c, order) for order in itertools.permutations(range(len(p))))
    assert search_cost(np.array([p, p]), np.array(c)) == pytest.approx([best, best])


@pytest.mark.parametrize(
    ("rate", "turns", "chance"), [(0.05, 59, 0.9515), (0.5, 2, 0.75), (0.0, 100, 0.0), (1.0, 1, 1.0)]
)
def test_a_fault_that_comes_and_goes(rate: float, turns: int, chance: float) -> None:
    # Derived: sensitivity 1 - (1 - rate)^n; 59 turns see a fault of 5 % with 95 %.
    assert shows_within(rate, turns) == pytest.approx(chance, abs=5e-5)


def test_turns_to_see_a_rare_fault() -> None:
    assert turns_to_see(0.05) == 59  # derived, as above
    assert turns_to_see(1.0) == 1
    for rate in (0.3, 0.01, 0.002):
        n = turns_to_see(rate)
        assert shows_within(rate, n) >= 0.95 > shows_within(rate, n - 1)


def test_a_test_that_catches_only_what_shows() -> None:
    assert while_absent([0.9, 0.1], [0.05, 0.95], 0.0) == [0.05, 0.95]
    assert while_absent([0.9, 0.1], [0.05, 0.95], 1.0) == pytest.approx([0.9, 0.1])
    entries = _balance("edges-dropped").entries
    test = next(t for t in KNOWN.test if t.id == "both-ends-of-the-line")
    often, rare = (bench_of([test], entries, KNOWN, shows_per_turn=rate) for rate in (0.5, 0.001))
    prior = np.array([e.probability for e in entries])
    assert rare.worth(prior)[0].bits < 0.2 * often.worth(prior)[0].bits


def test_how_often_it_shows_is_read_from_the_counts() -> None:
    dropped = finding("edges-dropped", evidence={"missed": 12, "passages": 5800})
    weak = finding("tooth-weak", "wheel", slot=23, evidence={"missed": 30, "passages": 100})
    assert shows_per_turn(Findings((dropped,), ()), VR) == pytest.approx(12 / 120)
    assert shows_per_turn(Findings((dropped, weak), ()), VR) == pytest.approx(0.3)
    assert shows_per_turn(Findings((finding("signal-low"),), ()), VR) is None


# --- a reference library ----------------------------------------------------------------------------------------------


def test_posterior_and_worth_against_a_bayesian_network_library() -> None:
    """Inference by pyAgrum (reference library) on a network cause -> three tests; worth by plain sums over it."""
    gum = pytest.importorskip("pyagrum")
    entries = [Entry(e.id, e.probability) for e in _balance("edges-dropped", "late-sync").entries if e.with_ is None]
    total = sum(e.probability for e in entries)
    entries = [Entry(e.id, e.probability / total) for e in entries]
    tests = [t for t in KNOWN.test if t.id in ("both-ends-of-the-line", "cam-with-crank", "inputs-at-the-control-unit")]
    net = gum.BayesNet("causes")
    net.add(gum.LabelizedVariable("cause", "", [e.id for e in entries]))
    net.cpt("cause")[:] = [e.probability for e in entries]
    for test in tests:
        net.add(gum.LabelizedVariable(test.id, "", [str(k) for k in range(len(test.outcomes))]))
        net.addArc("cause", test.id)
        for n, entry in enumerate(entries):
            net.cpt(test.id)[{"cause": n}] = test.chances(entry.members)
    engine = gum.LazyPropagation(net)
    for picks in itertools.product(range(2), range(2), range(2)):
        engine.setEvidence({t.id: k for t, k in zip(tests, picks, strict=True)})
        engine.makeInference()
        theirs = engine.posterior("cause").toarray()
        seen = [Observation(t.id, k) for t, k in zip(tests, picks, strict=True)]
        ours, _ = observe(Balance(tuple(entries), ()), seen, KNOWN)
        for entry, p in zip(entries, theirs, strict=True):
            mine = next(e.probability for e in ours.entries if e.id == entry.id)
            assert mine == pytest.approx(float(p), abs=1e-12)
    for test in tests:
        _worth_by_library(gum, net, test, entries)


def _worth_by_library(gum: object, net: object, test: catalogue.TestRow, entries: list[Entry]) -> None:
    """ECR before and after one test with the library's posteriors and the plain sum over all orders' best."""
    engine = gum.LazyPropagation(net)  # type: ignore[attr-defined]
    bench = bench_of([test], entries, KNOWN, looks=KNOWN.test)
    worth = worth_of(test, entries, KNOWN)
    engine.makeInference()
    chance = engine.posterior(test.id).toarray()
    after = 0.0
    for k, p in enumerate(chance):
        engine.setEvidence({test.id: k})
        engine.makeInference()
        belief = list(engine.posterior("cause").toarray())
        after += p * repair_order(belief, list(bench.look_after[0, k]))[1]
    before = repair_order([e.probability for e in entries], list(bench.look))[1]
    assert worth.value_min == pytest.approx(before - after - price_of(test, KNOWN).total)
    assert worth.outcome == pytest.approx(tuple(chance))
    engine.eraseAllEvidence()
    engine.makeInference()
    information = gum.InformationTheory(engine, ["cause"], [test.id]).mutualInformationXY()  # type: ignore[attr-defined]
    assert worth.bits == pytest.approx(information, abs=1e-9)


# --- the catalogue ----------------------------------------------------------------------------------------------------


def test_every_fault_has_a_test_and_every_test_a_fault() -> None:
    faults = {f.id for f in load_reach().fault}
    named = {f for t in KNOWN.test for f in t.faults}
    assert named == faults
    assert all(t.faults and t.equipment for t in KNOWN.test)


def test_every_cause_can_be_seen_at_the_part() -> None:
    seen = {c for t in KNOWN.test for o in t.outcomes for c in o.sees}
    assert seen == set(CAUSES) - {"none-found", "none-of-these"}
    for test in KNOWN.test:
        assert {c for o in test.outcomes for c in o.sees} == set(test.observes), test.id


def test_what_an_outcome_shows_speaks_for_it() -> None:
    for test in KNOWN.test:
        for k, outcome in enumerate(test.outcomes):
            for cause in outcome.sees:
                told = test.sensitivity(cause)
                assert told is not None, (test.id, cause)
                assert test.chances((cause,))[k] >= 3.0 * test.others[k], (test.id, cause)
                assert told[0] > 0.15
                assert told[1] > 0.85


def test_sensitivity_and_specificity_are_read_off_the_chances() -> None:
    look = next(t for t in KNOWN.test if t.id == "look-at-the-tooth")
    assert look.sensitivity("trigger-wheel-tooth") == pytest.approx((0.92, 0.97))
    assert look.sensitivity("cam-phaser") is None


def test_a_price_has_its_parts() -> None:
    price = price_of(next(t for t in KNOWN.test if t.id == "sensor-at-its-own-terminals"), KNOWN)
    assert price.irreversible > 0.0  # unplugging may cure a joint that comes and goes
    parts = (price.work, price.opening, price.precautions, price.risk, price.irreversible, price.material)
    assert price.total == pytest.approx(sum(parts))


# --- the choice -------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("kinds", [("edges-dropped",), ("late-sync",), ("no-start",), ("signal-low",), ("cam-offset",)])
def test_the_choice_is_the_best_worth_or_the_first_look(kinds: tuple[str, ...]) -> None:
    result = verdict(*(finding(k) for k in kinds), context=HALL)
    advice = result.advice
    assert advice is not None
    assert advice.chosen == result.next_tests[0].id
    first = result.next_tests[0]
    assert first.worth_min is not None
    others = [t.worth_min for t in result.next_tests[1:] if t.worth_min is not None]
    if advice.direct:
        assert all(w <= 0.0 for w in others)
        assert any(o.sees for o in first.outcomes)
    else:
        assert first.worth_min > 0.0
        assert all(w <= first.worth_min for w in others)


def test_the_runner_up_and_by_how_much() -> None:
    result = verdict(finding("late-sync"), context=HALL)
    advice = result.advice
    assert advice is not None
    assert advice.behind_min is not None
    chosen, runner = result.next_tests[0], result.next_tests[1]
    assert (advice.chosen, advice.runner_up) == (chosen.id, runner.id)
    assert advice.behind_min == pytest.approx((chosen.worth_min or 0.0) - (runner.worth_min or 0.0))
    assert f"{advice.behind_min:.0f} less" in advice.why_not


def test_what_each_outcome_would_do() -> None:
    result = verdict(finding("edges-dropped"), context=HALL)
    for test in result.next_tests:
        chances = [o.probability or 0.0 for o in test.outcomes]
        assert sum(chances) == pytest.approx(1.0)
        first = {c.id: c.probability for c in result.causes if c.with_ is None}
        for cause in ("crank-sensor", "crank-circuit"):  # what is expected after is what is believed now
            parts = [(o.probability or 0.0, {s.id: s.probability for s in o.after}.get(cause)) for o in test.outcomes]
            if all(p is not None for _, p in parts):
                assert sum(c * (p or 0.0) for c, p in parts) == pytest.approx(first[cause], abs=1e-3)


def test_an_outcome_foretold_is_what_the_observation_does() -> None:
    before = verdict(finding("edges-dropped"), context=HALL)
    test = before.next_tests[0]
    for k, outcome in enumerate(test.outcomes):
        after = weigh(Findings((finding("edges-dropped"),), ()), HALL, observations=[Observation(test.id, k)])
        assert after.causes[0].id == outcome.after[0].id
        assert after.causes[0].probability == pytest.approx(outcome.after[0].probability, abs=1e-6)


# --- moved priors -----------------------------------------------------------------------------------------------------


def test_a_moved_prior_really_changes_the_choice_there_and_not_before() -> None:
    balance = _balance("edges-dropped")
    fit = [t for t in KNOWN.test if not t.clean]
    bench = bench_of(fit, balance.entries, KNOWN)
    prior = np.array([e.probability for e in balance.entries])
    advice = verdict(finding("edges-dropped"), context=HALL).advice
    assert advice is not None
    assert advice.turns
    now = choose(bench, prior)
    assert now is not None
    for turn in advice.turns:
        assert 1.0 / REACH <= turn.factor <= REACH
        assert turn.test != advice.chosen
    sizes = [abs(np.log(t.factor)) for t in advice.turns]
    assert sizes == sorted(sizes)


def test_the_advice_changes_when_the_knowledge_is_moved_by_that_much() -> None:
    advice = verdict(finding("edges-dropped"), context=HALL).advice
    assert advice is not None
    turn = advice.turns[0]

    def chosen(factor: float) -> str | None:
        rows = [c.model_copy(update={"prior": c.prior * (factor if c.id == turn.cause else 1.0)}) for c in KNOWN.cause]
        known: Knowledge = KNOWN.model_copy(update={"cause": rows})
        moved_advice = weigh(Findings((finding("edges-dropped"),), ()), HALL, known).advice
        assert moved_advice is not None
        return moved_advice.chosen

    assert chosen(turn.factor**0.95) == advice.chosen
    assert chosen(turn.factor**1.05) == turn.test


@given(st.floats(0.01, 100.0))
@settings(max_examples=20, deadline=None)
def test_moving_a_prior_keeps_the_sum_and_nothing_wrong(factor: float) -> None:
    entries = _balance("edges-dropped").entries
    prior = np.array([e.probability for e in entries])
    out = moved(prior, entries, "crank-sensor", factor)
    assert out.sum() == pytest.approx(1.0)
    nothing = [e.id for e in entries].index("none-found")
    assert out[nothing] == pytest.approx(prior[nothing])


def test_a_clear_tooth_is_firm_advice() -> None:
    advice = verdict(finding("tooth-absent", "wheel", 0.97, slot=23)).advice
    assert advice is not None
    assert advice.direct
    assert not advice.turns
    assert "changes this choice" in advice.robust


# --- the stop rule ----------------------------------------------------------------------------------------------------


TOOTH = finding("tooth-weak", "wheel", 0.95, slot=23)


def test_no_part_is_named_without_an_observation() -> None:
    result = verdict(TOOTH)
    assert result.causes[0].probability > 0.9
    assert result.advice is not None
    assert not result.advice.actions
    assert "observation is missing" in result.advice.stop


def test_seen_at_the_part_and_above_the_line_opens_the_repair() -> None:
    result = weigh(Findings((TOOTH,), ()), VR, observations=[observation("look-at-the-tooth", "1", KNOWN)])
    assert result.advice is not None
    assert [a.cause for a in result.advice.actions] == ["trigger-wheel-tooth"]
    assert "Repair or replacement is open" in result.advice.stop
    assert result.next_tests == ()
    assert result.observed[0].after > 0.99


def test_an_observation_that_only_fits_opens_nothing() -> None:
    result = weigh(Findings((TOOTH,), ()), VR, observations=[observation("amplitude-by-slot", "1", KNOWN)])
    assert result.causes[0].probability > 0.9
    assert result.advice is not None
    assert not result.advice.actions
    assert result.next_tests[0].id == "look-at-the-tooth"


def test_seen_at_the_part_but_too_unlikely_opens_nothing() -> None:
    found = Findings((finding("no-start"),), ())
    result = weigh(found, HALL, observations=[observation("ground-drop-while-cranking", "1", KNOWN)])
    assert result.advice is not None
    assert not result.advice.actions
    assert result.causes[0].probability < 0.9


def test_a_whole_tooth_sends_the_search_elsewhere() -> None:
    weaker = replace(TOOTH, confidence=0.55)
    before = weigh(Findings((weaker,), ()), VR)
    after = weigh(Findings((weaker,), ()), VR, observations=[observation("look-at-the-tooth", "whole", KNOWN)])
    assert after.causes[0].probability < before.causes[0].probability
    assert "look-at-the-tooth" not in {t.id for t in after.next_tests}
