"""Which cause comes first, and how sure the verdict may be."""

from __future__ import annotations

import itertools
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from witnessmark.causes.catalogue import load_knowledge
from witnessmark.causes.ids import CAUSES
from witnessmark.causes.weigh import Context
from witnessmark.findings.kinds import FINDING_KINDS, LOCKS
from witnessmark.findings.model import NotAssessed

from .made import HALL, VR, chances, finding, verdict

FIRST = [
    ("tooth-absent", "wheel", VR, "trigger-wheel-tooth", 0.9),
    ("tooth-absent", "wheel", HALL, "trigger-wheel-tooth", 0.9),
    ("tooth-weak", "wheel", VR, "trigger-wheel-tooth", 0.9),
    ("tooth-weak", "speed", VR, "trigger-wheel-tooth", 0.9),
    ("tooth-displaced", "wheel", HALL, "trigger-wheel-tooth", 0.9),
    ("tooth-extra", "wheel", HALL, "trigger-wheel-tooth", 0.9),
    ("wheel-runout", "wheel", VR, "trigger-wheel-runout", 0.7),
    ("wheel-unexpected", "none", HALL, "trigger-wheel-wrong", 0.7),
    ("wheel-shifted", "none", HALL, "trigger-wheel-shifted", 0.3),
    ("edges-dropped", "none", HALL, "crank-sensor", 0.5),
    ("edges-dropped", "time", VR, "crank-sensor", 0.45),
    ("edges-dropped", "speed", VR, "sensor-air-gap", 0.5),
    ("signal-lost", "time", HALL, "crank-circuit", 0.6),
    ("edges-spurious", "event", VR, "electrical-interference", 0.7),
    ("edges-spurious", "none", VR, "electrical-interference", 0.5),
    ("edges-spurious", "time", HALL, "electrical-interference", 0.5),
    ("polarity-reversed", "none", VR, "sensor-polarity", 0.55),
    ("signal-low", "none", VR, "sensor-air-gap", 0.45),
    ("signal-low", "none", HALL, "crank-circuit", 0.5),
    ("supply-faulty", "event", HALL, "crank-circuit", 0.8),
    ("line-faulty", "none", HALL, "crank-circuit", 0.8),
    ("cranking-slow", "none", HALL, "cranking-system", 0.8),
    ("battery-low", "none", HALL, "cranking-system", 0.75),
    ("cam-offset", "cam", HALL, "cam-timing", 0.5),
    ("compression-uneven", "cycle", HALL, "cylinder-compression", 0.7),
]


@pytest.mark.parametrize(("kind", "lock", "context", "cause", "at_least"), FIRST)
def test_first_cause_of_one_finding(kind: str, lock: str, context: Context, cause: str, at_least: float) -> None:
    result = verdict(finding(kind, lock, 0.92), context=context)
    assert result.causes[0].id == cause
    assert result.causes[0].probability >= at_least
    assert result.causes[0].because == (f"F-{kind}-None",)
    assert chances(result)["none-found"] < 0.02


RUNNERS_UP = [
    ("edges-dropped", "none", HALL, "crank-circuit"),
    ("signal-lost", "none", HALL, "crank-sensor"),
    ("edges-spurious", "none", VR, "crank-circuit"),
    ("polarity-reversed", "none", VR, "measurement-fault"),
]


@pytest.mark.parametrize(("kind", "lock", "context", "cause"), RUNNERS_UP)
def test_runner_up(kind: str, lock: str, context: Context, cause: str) -> None:
    assert verdict(finding(kind, lock), context=context).causes[1].id == cause


def test_a_line_dead_throughout_leaves_sensor_and_circuit_about_even() -> None:
    context = Context(sensor="hall", turning_s=10.0)
    result = verdict(finding("signal-lost", start_s=0.1, end_s=9.9), context=context)
    share = chances(result)
    assert {result.causes[0].id, result.causes[1].id} == {"crank-sensor", "crank-circuit"}
    assert share["crank-sensor"] / share["crank-circuit"] == pytest.approx(1.0, abs=0.2)
    short = verdict(finding("signal-lost", start_s=2.0, end_s=2.5), context=context)
    assert short.causes[0].id == "crank-circuit"


def test_tooth_target_is_the_slot_of_the_strongest_and_both_are_named() -> None:
    result = verdict(
        finding("tooth-absent", "wheel", 0.9, slot=23, id="F1"),
        finding("tooth-absent", "wheel", 0.97, slot=31, id="F2"),
    )
    first = result.causes[0]
    assert (first.id, first.target, first.with_) == ("trigger-wheel-tooth", 31, None)
    assert first.because == ("F2", "F1")
    assert "slots 23 and 31" in first.statement


def test_other_causes_name_the_channel() -> None:
    assert verdict(finding("edges-dropped")).causes[0].target == "crank line"


def test_nothing_found_wins_clearly_without_findings() -> None:
    result = verdict()
    assert result.causes[0].id == "none-found"
    assert result.causes[0].probability > 0.9
    assert result.causes[0].because == ()


@pytest.mark.parametrize(
    "kind", ["record-clipped", "record-rate-low", "record-thinned", "codes-erased", "readiness-incomplete"]
)
def test_a_poor_record_accuses_no_vehicle(kind: str) -> None:
    result = verdict(finding(kind))
    assert result.causes[0].id == "none-found"
    assert result.causes[0].probability > 0.9


def test_a_record_flaw_does_not_unseat_the_tooth() -> None:
    result = verdict(finding("tooth-weak", "wheel", slot=5), finding("record-clipped"))
    assert result.causes[0].id == "trigger-wheel-tooth"


@given(
    st.lists(
        st.tuples(st.sampled_from(FINDING_KINDS), st.sampled_from(LOCKS), st.floats(0.0, 0.49)), min_size=1, max_size=8
    )
)
@settings(max_examples=60, deadline=None)
def test_hints_alone_never_accuse(hints: list[tuple[str, str, float]]) -> None:
    result = verdict(*(finding(k, lock, c, id=f"F{n}") for n, (k, lock, c) in enumerate(hints)))
    assert result.causes[0].id == "none-found"
    assert result.causes[0].probability > 0.9


@given(
    st.sampled_from(FIRST),
    st.lists(st.tuples(st.sampled_from(FINDING_KINDS), st.sampled_from(LOCKS), st.floats(0.0, 0.49)), max_size=6),
)
@settings(max_examples=60, deadline=None)
def test_hints_never_change_the_first_cause(
    stated: tuple[str, str, Context, str, float], hints: list[tuple[str, str, float]]
) -> None:
    kind, lock, context, cause, _ = stated
    extra = [finding(k, lk, c, id=f"H{n}") for n, (k, lk, c) in enumerate(hints)]
    assert verdict(finding(kind, lock), *extra, context=context).causes[0].id == cause


@given(
    st.lists(
        st.tuples(st.sampled_from(FINDING_KINDS), st.sampled_from(LOCKS), st.floats(0.0, 1.0), st.integers(1, 58)),
        max_size=7,
    ),
    st.randoms(use_true_random=False),
)
@settings(max_examples=80, deadline=None)
def test_sums_to_one_sorted_and_does_not_depend_on_order(
    rows: list[tuple[str, str, float, int]], random: object
) -> None:
    found = [finding(k, lock, c, slot=slot, id=f"F{n}") for n, (k, lock, c, slot) in enumerate(rows)]
    result = verdict(*found)
    values = [c.probability for c in result.causes]
    assert sum(values) == pytest.approx(1.0, abs=1e-12)
    assert values[1:] == sorted(values[1:], reverse=True)
    assert values[0] >= values[1] - 1e-9
    assert all(v >= 0.0 for v in values)
    ids = {c.id for c in result.causes}
    assert {"none-of-these", "measurement-fault", "none-found"} <= ids <= set(CAUSES)
    shuffled = list(found)
    random.shuffle(shuffled)  # type: ignore[attr-defined]
    again = verdict(*shuffled)
    assert [(c.id, c.with_, c.because, c.target) for c in again.causes] == [
        (c.id, c.with_, c.because, c.target) for c in result.causes
    ]
    assert [c.probability for c in again.causes] == pytest.approx(values)


@pytest.mark.parametrize(("kind", "lock", "context", "cause", "_least"), FIRST)
def test_more_confidence_more_probability(kind: str, lock: str, context: Context, cause: str, _least: float) -> None:
    values = [chances(verdict(finding(kind, lock, c), context=context))[cause] for c in (0.5, 0.6, 0.7, 0.8, 0.9, 0.99)]
    assert values == sorted(values)
    nothing = [chances(verdict(finding(kind, lock, c), context=context))["none-found"] for c in (0.5, 0.7, 0.9, 0.99)]
    assert nothing == sorted(nothing, reverse=True)
    assert nothing[0] < 0.2


def test_supporting_evidence_adds_up() -> None:
    alone = chances(verdict(finding("edges-dropped", "speed")))["sensor-air-gap"]
    both = chances(verdict(finding("edges-dropped", "speed"), finding("signal-low")))["sensor-air-gap"]
    assert 1.0 - both < 0.3 * (1.0 - alone)


def test_alike_findings_count_once() -> None:
    one = chances(verdict(finding("edges-dropped", id="F1")))["crank-sensor"]
    many = chances(verdict(*(finding("edges-dropped", id=f"F{n}") for n in range(6))))["crank-sensor"]
    assert many == pytest.approx(one)


def test_a_bad_tooth_explains_dropouts_beside_it() -> None:
    result = verdict(finding("tooth-weak", "wheel", slot=23), finding("edges-dropped", confidence=0.7))
    assert (result.causes[0].id, result.causes[0].with_) == ("trigger-wheel-tooth", None)


def test_two_faults_are_a_pair_named_by_the_stronger() -> None:
    result = verdict(
        finding("tooth-weak", "wheel", slot=23, id="F1"), finding("cranking-slow", confidence=0.8, id="F2")
    )
    first = result.causes[0]
    assert (first.id, first.with_, first.target) == ("trigger-wheel-tooth", "cranking-system", 23)
    assert set(first.because) == {"F1", "F2"}
    assert chances(result)["trigger-wheel-tooth"] > 0.95


def test_a_single_fault_opens_no_pair() -> None:
    for kind, lock, context, _, _ in FIRST:
        assert all(c.with_ is None for c in verdict(finding(kind, lock), context=context).causes)


CONSEQUENCES = ["late-sync", "no-start", "spark-absent", "fuel-without-spark"]


@pytest.mark.parametrize(("kind", "lock", "context", "cause", "at_least"), FIRST[:18])
def test_consequences_leave_a_crank_finding_first(
    kind: str, lock: str, context: Context, cause: str, at_least: float
) -> None:
    for n in (1, 2, 4):
        result = verdict(finding(kind, lock), *(finding(k) for k in CONSEQUENCES[:n]), context=context)
        assert result.causes[0].id == cause


@pytest.mark.parametrize(
    ("kind", "causes"),
    [
        ("spark-absent", {"ignition-output", "control-unit", "security-lockout"}),
        ("fuel-without-spark", {"ignition-output", "control-unit", "security-lockout"}),
        ("no-start", {"fuel-supply", "security-lockout", "ignition-output", "fuel-output", "control-unit"}),
        ("late-sync", {"cam-sensor", "cam-circuit", "control-unit"}),
    ],
)
def test_consequences_alone_stay_honestly_unsure(kind: str, causes: set[str]) -> None:
    result = verdict(finding(kind), context=HALL)
    assert result.causes[0].id in causes
    assert result.causes[0].probability < 0.5
    share = chances(result)
    crank = sum(share.get(c.id, 0.0) for c in load_knowledge().cause if c.side == "crank")
    assert crank < sum(share.get(c, 0.0) for c in causes)


def test_symptoms_alone_weigh_the_silence_of_what_shows_itself() -> None:
    """A cam that was recorded and is in order speaks against its sensor; one that was not recorded says nothing."""
    late = finding("late-sync")
    heard = chances(verdict(late, context=replace(HALL, roles=frozenset({"crank", "cam"}))))
    unheard = chances(verdict(late, context=HALL))
    assert heard["cam-sensor"] < 0.4 * unheard["cam-sensor"]
    assert heard["control-unit"] > unheard["control-unit"]
    blind = replace(HALL, roles=frozenset({"crank", "cam"}), judged=0.4)
    assert chances(verdict(late, context=blind))["cam-sensor"] > 0.9 * unheard["cam-sensor"]


@pytest.mark.parametrize(("sparks", "injections", "withheld"), [(30, 30, False), (0, 30, True), (30, 0, True)])
def test_outputs_that_are_given_speak_against_a_lockout(sparks: int, injections: int, withheld: bool) -> None:
    """Without a TDC the sparks' angle is open, yet they are given: nothing is withheld."""
    seen = {"sparks_unplaced": sparks, "injections": injections}
    share = chances(verdict(finding("no-start", evidence=seen), context=HALL))
    assert (share["security-lockout"] > 0.1) is withheld
    assert withheld or share["fuel-supply"] > 0.4


@pytest.mark.parametrize(("misses", "at_most", "compression"), [(9, 0.8, False), (12, 1.0, True), (1, 0.4, True)])
def test_a_cylinder_that_works_in_most_cycles_has_its_compression(
    misses: int, at_most: float, compression: bool
) -> None:
    seen = {"misfires": misses, "misfire_share_high": at_most}
    result = verdict(finding("contribution-uneven", "cycle", evidence=seen), context=HALL)
    assert result.causes[0].id == "cylinder-misfire"
    assert (chances(result)["cylinder-compression"] > 0.1) is compression


def test_the_crank_stays_open_where_it_could_not_be_judged() -> None:
    judged = chances(verdict(finding("no-start"), context=HALL))
    blind = chances(verdict(finding("no-start"), context=Context(crank_judged=False)))
    crank = [c.id for c in load_knowledge().cause if c.side == "crank"]
    assert sum(blind.get(c, 0.0) for c in crank) > 3 * sum(judged.get(c, 0.0) for c in crank)


def test_history_moves_priors_and_not_a_clear_case() -> None:
    fitted = Context(sensor="hall", crank_judged=True, history="The crankshaft sensor was replaced last week.")
    before = chances(verdict(finding("edges-dropped"), context=HALL))
    after = chances(verdict(finding("edges-dropped"), context=fitted))
    assert after["crank-sensor"] < before["crank-sensor"]
    assert after["sensor-wrong"] > before["sensor-wrong"]
    assert verdict(finding("tooth-absent", "wheel"), context=fitted).causes[0].id == "trigger-wheel-tooth"
    assert verdict(context=fitted).causes[0].probability == pytest.approx(verdict(context=HALL).causes[0].probability)


def test_stored_codes_move_priors() -> None:
    coded = Context(sensor="hall", crank_judged=True, codes=("P0336",))
    plain = chances(verdict(finding("edges-spurious"), context=HALL))["electrical-interference"]
    assert chances(verdict(finding("edges-spurious"), context=coded))["electrical-interference"] > plain


def test_no_sentence_tells_to_fit_a_part() -> None:
    for kind, lock, context, _, _ in FIRST:
        result = verdict(finding(kind, lock, 0.99, slot=4), context=context)
        texts = [c.statement for c in result.causes] + [result.what_would_change]
        texts += [x for t in result.next_tests for x in (t.statement, t.why)]
        for text in texts:
            assert not any(word in text.lower() for word in ("replace", "renew", "repair it", "fit a new")), text


def test_first_statement_carries_the_finding_and_the_figure() -> None:
    result = verdict(
        finding("tooth-weak", "wheel", slot=23, statement="The signal is wrong at slot 23 in 58 of 60 turns")
    )
    text = result.causes[0].statement
    assert text.startswith("The signal is wrong at slot 23 in 58 of 60 turns. ")
    share = result.causes[0].probability
    assert ("(above 0.99)" if share > 0.99 else f"({share:.2f})") in text


def test_what_would_change_names_the_runner_up() -> None:
    text = verdict(finding("edges-dropped"), context=HALL).what_would_change
    assert "wiring" in text
    assert "times over" in text
    assert "complaint" in verdict().what_would_change


def test_nothing_found_says_what_it_could_not_judge() -> None:
    missing = (NotAssessed("Do cams agree?", "no cam line", "a cam line"),)
    assert "1 question could not be judged" in verdict(not_assessed=missing).causes[0].statement
    blind = verdict(context=Context(crank_judged=False, roles=frozenset({"battery"}))).causes[0].statement
    assert "crank signal itself could not be judged" in blind
    still = verdict(context=Context(motion=False)).causes[0].statement
    assert "nothing can be told" in still


def test_a_clean_record_with_a_flaw_still_says_clean() -> None:
    text = verdict(finding("record-clipped")).causes[0].statement
    assert text.startswith("Nothing wrong was seen")
    accident = next(c for c in verdict(finding("edges-dropped")).causes if c.id == "none-found")
    assert "accidents of this record" in accident.statement


def test_the_first_cause_always_rests_on_findings() -> None:
    for kind, lock in itertools.product(FINDING_KINDS, ("wheel", "none")):
        first = verdict(finding(kind, lock, 0.95)).causes[0]
        assert first.because or first.id == "none-found", kind


def test_every_kind_and_lock_gives_a_verdict() -> None:
    for kind, lock in itertools.product(FINDING_KINDS, LOCKS):
        result = verdict(finding(kind, lock))
        assert sum(c.probability for c in result.causes) == pytest.approx(1.0)
        assert result.next_tests


def blind(judged: float | None, **more: Any) -> Context:
    return replace(VR, judged=judged, **more)


@pytest.mark.parametrize(
    "context",
    [
        blind(0.0, crank_judged=False),
        blind(0.34),
        blind(None, motion=False),
        Context(roles=frozenset({"battery"}), crank_judged=False),
    ],
)
def test_what_could_not_be_judged_is_not_called_sound(context: Context) -> None:
    result = verdict(context=context)
    nothing = next(c for c in result.causes if c.id == "none-found")
    assert nothing.probability < 0.5
    assert "not cleared" in nothing.statement or "nothing can be told" in nothing.statement
    assert result.next_tests[0].id == "record-that-can-be-judged"
    assert "Nothing wrong was seen" not in result.next_tests[0].why


def test_silence_weighs_by_what_was_judged() -> None:
    shares = [chances(verdict(context=blind(j)))["none-found"] for j in (0.2, 0.5, 0.6, 0.7, 0.8, 0.9, 1.0)]
    assert shares == sorted(shares)
    assert shares[0] == shares[1] < 0.5
    assert shares[-1] == shares[-2] == pytest.approx(0.96)
    assert all(t.id != "record-that-can-be-judged" for t in verdict(context=blind(0.9)).next_tests)
    assert "60 % of the rotation" in verdict(context=blind(0.6)).causes[0].statement


def test_a_stated_fault_stands_first_however_little_was_judged() -> None:
    result = verdict(finding("edges-spurious"), context=blind(0.0, crank_judged=False))
    assert result.causes[0].id == "electrical-interference"
