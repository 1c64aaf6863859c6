"""Observations by hand as evidence, and the shop's closed cases as priors."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats as sps

from witnessmark.causes.catalogue import load_knowledge
from witnessmark.causes.experience import counts_of, read_counts, updated
from witnessmark.causes.listing import listed, test_page
from witnessmark.causes.observations import (
    Observation,
    latest,
    observation,
    observe,
    parse_observed,
    read_observations,
)
from witnessmark.causes.weigh import Balance, Entry, weigh
from witnessmark.errors import BadObservation
from witnessmark.findings.model import Findings

from .made import HALL, VR, chances, finding

KNOWN = load_knowledge()
test_page.__test__ = False  # type: ignore[attr-defined]


# --- observations -----------------------------------------------------------------------------------------------------


def test_an_outcome_is_named_by_number_or_by_words() -> None:
    for said in ("2", "the tooth is whole", "whole"):
        assert parse_observed(f"look-at-the-tooth={said}", KNOWN) == Observation("look-at-the-tooth", 1)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("look-at-the-tooth", ["expected TEST=OUTCOME"]),
        ("=1", ["expected TEST=OUTCOME"]),
        ("look-at-the-toth=1", ["no test of the catalogue", "look-at-the-tooth"]),
        ("look-at-the-tooth=3", ["no outcome", "1: ", "2: "]),
        ("look-at-the-tooth=0", ["no outcome"]),
        ("look-at-the-tooth=the tooth", ["fits several"]),
    ],
)
def test_a_wrong_observation_is_one_line(text: str, words: list[str]) -> None:
    with pytest.raises(BadObservation) as caught:
        parse_observed(text, KNOWN)
    assert "\n" not in str(caught.value)
    for word in words:
        assert word in str(caught.value)


def test_the_form_carries_when_who_and_a_note(tmp_path: Path) -> None:
    path = tmp_path / "seen.toml"
    path.write_text(
        '[[observation]]\ntest = "measure-the-gap"\noutcome = 3\nwhen = "2026-03-02"\n'
        'by = "the shop"\nnote = "0.9 mm"\n'
        '[[observation]]\ntest = "look-at-the-tooth"\noutcome = "whole"\n',
        encoding="utf-8",
    )
    first, second = read_observations(str(path), KNOWN)
    assert first == Observation("measure-the-gap", 2, "2026-03-02", "the shop", "0.9 mm")
    assert second.outcome == 1
    result = weigh(Findings((finding("signal-low"),), ()), VR, observations=(first, second))
    assert (result.observed[0].by, result.observed[0].note) == ("the shop", "0.9 mm")


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", ["no [[observation]]"]),
        ("x = 1", ['unknown key "x"']),
        ("[[observation]]\ntest = 'measure-the-gap'", ["observation 1", "outcome"]),
        ("[[observation]]\ntest = 'measure-the-gap'\noutcome = 1\nwho = 'me'", ["who", "unknown key"]),
        ("[[observation]]\ntest = 'measure-the-gap'\noutcome = 9", ["observation 1", "no outcome"]),
        ("observation = 3", ["[[observation]]"]),
        ("[[observation", ["TOML"]),
    ],
)
def test_a_broken_form_is_one_line(tmp_path: Path, text: str, words: list[str]) -> None:
    path = tmp_path / "seen.toml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(BadObservation) as caught:
        read_observations(str(path), KNOWN)
    assert "\n" not in str(caught.value)
    for word in [str(path), *words]:
        assert word in str(caught.value)
    with pytest.raises(BadObservation, match="readable TOML"):
        read_observations(str(tmp_path / "nowhere.toml"), KNOWN)


def test_done_twice_the_later_one_counts_once() -> None:
    early, late = Observation("leak-down", 0, "2026-01-05"), Observation("leak-down", 1, "2026-02-01")
    assert latest([early, late]) == latest([late, early]) == (late,)
    undated = Observation("leak-down", 0)
    assert latest([late, undated]) == (undated,)
    assert latest([early, early]) == (early,)


def test_bayes_by_hand() -> None:
    # Derived worked numbers: prior 0.3, sensitivity 0.9, specificity 0.95 -> 0.8852 after a hit, 0.0432 after a miss.
    rows = [
        t.model_copy(update={"chance": {"crank-sensor": [0.9, 0.1]}, "others": [0.05, 0.95]})
        for t in KNOWN.test
        if t.id == "warm-and-cool-the-sensor"
    ]
    known = KNOWN.model_copy(update={"test": rows})
    balance = Balance((Entry("crank-circuit", 0.7), Entry("crank-sensor", 0.3)), ())
    for outcome, expected in ((0, 0.8852), (1, 0.0432)):
        after, _ = observe(balance, [Observation("warm-and-cool-the-sensor", outcome)], known)
        got = next(e.probability for e in after.entries if e.id == "crank-sensor")
        assert got == pytest.approx(expected, abs=5e-5)


@given(st.lists(st.tuples(st.integers(0, len(KNOWN.test) - 1), st.integers(0, 1)), max_size=6))
def test_order_of_observations_is_of_no_matter(picks: list[tuple[int, int]]) -> None:
    seen = list({KNOWN.test[t].id: Observation(KNOWN.test[t].id, o) for t, o in picks}.values())
    balance = Balance((Entry("crank-sensor", 0.5), Entry("crank-circuit", 0.3), Entry("none-found", 0.2)), ())
    there, _ = observe(balance, seen, KNOWN)
    back, _ = observe(balance, seen[::-1], KNOWN)
    assert sum(e.probability for e in there.entries) == pytest.approx(1.0)
    for entry in there.entries:
        same = next(e for e in back.entries if e.members == entry.members)
        assert same.probability == pytest.approx(entry.probability)


def test_without_observations_nothing_moves() -> None:
    found = Findings((finding("edges-dropped"),), ())
    assert chances(weigh(found, HALL)) == chances(weigh(found, HALL, observations=()))
    assert weigh(found, HALL).observed == ()


# --- closed cases -----------------------------------------------------------------------------------------------------


BY_RECORD = [(t.id, k) for t in KNOWN.test for k, o in enumerate(t.outcomes) if o.by_record]


@pytest.mark.parametrize(("test", "outcome"), BY_RECORD)
def test_what_the_new_recording_says_itself_is_not_weighed_again(test: str, outcome: int) -> None:
    """The recording asked for is analysed: that it can be judged, and what it shows, is in its balance already."""
    for found in ((), (finding("signal-lost"), finding("no-start"))):
        alone = weigh(Findings(found, ()), HALL)
        told = weigh(Findings(found, ()), HALL, observations=[Observation(test, outcome)])
        assert [c.id for c in told.causes] == [c.id for c in alone.causes]
        assert [c.probability for c in told.causes] == pytest.approx([c.probability for c in alone.causes])
        (said,) = told.observed
        assert said.before == pytest.approx(said.after)
        assert test not in {t.id for t in told.next_tests}  # it is done


def test_which_outcomes_a_recording_says_itself() -> None:
    assert ("record-that-can-be-judged", 0) in BY_RECORD
    assert ("record-that-can-be-judged", 1) not in BY_RECORD  # a word on the line, which no recording could give
    assert {t for t, _ in BY_RECORD} <= {t.id for t in KNOWN.test if t.measures == "another recording"}
    replaced = {(t.id, k) for t in KNOWN.test for k, o in enumerate(t.outcomes) if "it replaces this one" in o.then}
    assert replaced <= set(BY_RECORD)
    still = weigh(Findings((), ()), HALL, observations=[Observation("record-that-can-be-judged", 1)])
    assert chances(still)["crank-sensor"] > chances(weigh(Findings((), ()), HALL))["crank-sensor"]


def test_closed_cases_are_the_mean_of_a_dirichlet() -> None:
    """Against scipy's Dirichlet and Beta distributions (reference library)."""
    counts = {"crank-circuit": 12, "trigger-wheel-tooth": 3}
    known, priors = updated(KNOWN, counts)
    weight = sum(c.prior for c in KNOWN.cause)
    alpha = [KNOWN.prior_cases * c.prior / weight + counts.get(c.id, 0) for c in KNOWN.cause]
    mean = sps.dirichlet(alpha).mean()
    for cause, prior, expected, a in zip(KNOWN.cause, priors, mean, alpha, strict=True):
        assert prior.cause == cause.id
        assert prior.used == pytest.approx(expected)
        beta = sps.beta(a, sum(alpha) - a)
        assert (prior.low_90, prior.high_90) == pytest.approx((beta.ppf(0.05), beta.ppf(0.95)))
    shares = [c.prior / sum(r.prior for r in known.cause) for c in known.cause]
    assert shares == pytest.approx(list(mean))


def test_no_cases_are_the_knowledge_as_delivered() -> None:
    for counts in (None, {}, {"crank-sensor": 0}):
        known, priors = updated(KNOWN, counts)
        assert known is KNOWN
        assert priors == ()


def test_many_cases_outweigh_the_knowledge() -> None:
    known, _ = updated(KNOWN, {"sensor-wrong": 100_000})
    assert known.cause_row("sensor-wrong").prior / sum(c.prior for c in known.cause) > 0.99


def test_cases_move_the_verdict() -> None:
    found = Findings((finding("edges-dropped"),), ())
    before = weigh(found, HALL)
    after = weigh(found, HALL, closed={"crank-circuit": 80})
    assert chances(after)["crank-circuit"] > chances(before)["crank-circuit"]
    assert after.causes[0].id == "crank-circuit"
    assert {p.cause: p.cases for p in after.priors}["crank-circuit"] == 80


def test_counting_closed_cases() -> None:
    assert counts_of([("crank-sensor",), ("crank-sensor", "sensor-wrong"), ()]) == {
        "crank-sensor": 2,
        "sensor-wrong": 1,
    }
    with pytest.raises(ValueError, match="gearbox"):
        updated(KNOWN, {"gearbox": 1})
    with pytest.raises(ValueError, match="0 or more"):
        updated(KNOWN, {"crank-sensor": -1, "crank-circuit": 5})


@pytest.mark.parametrize(
    ("text", "word"),
    [
        ("[closed]\ngearbox = 2", "gearbox"),
        ("[closed]\ncrank-sensor = -1", "whole number"),
        ("[closed]\ncrank-sensor = true", "whole number"),
        ("[open]\ncrank-sensor = 1", "[closed]"),
        ("closed", "TOML"),
    ],
)
def test_a_broken_count_is_one_line(tmp_path: Path, text: str, word: str) -> None:
    path = tmp_path / "closed.toml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(BadObservation) as caught:
        read_counts(str(path))
    assert "\n" not in str(caught.value)
    assert word in str(caught.value)
    path.write_text("[closed]\ncrank-sensor = 4\n", encoding="utf-8")
    assert read_counts(str(path)) == {"crank-sensor": 4}


# --- the list -------------------------------------------------------------------------------------------------------


def test_the_list_names_every_test_and_the_page_every_outcome() -> None:
    text = listed(KNOWN)
    for test in KNOWN.test:
        assert test.id in text
        page = test_page(test.id, KNOWN)
        assert all(f"{test.id}={k}:" in page for k in range(1, len(test.outcomes) + 1))
        assert page.count("Caution:") == len(test.cautions)
        assert "{" not in page
    assert "{" not in text
    with pytest.raises(BadObservation):
        test_page("nothing", KNOWN)


def test_an_observation_of_words() -> None:
    assert observation("leak-down", "It leaks", KNOWN, by="me") == Observation("leak-down", 0, by="me")
