"""What is seen by hand and what closed cases were weigh on the causes."""

from __future__ import annotations

from dataclasses import replace

import pytest

from witnessmark.cases.bodies import (
    Analysed,
    CauseLine,
    ChosenTest,
    Observation,
    Outcome,
    RecordingAdded,
    Retraction,
    Work,
)
from witnessmark.cases.weighing import balances, closed_counts, judged, seen

from .story import opened, said, state
from .test_fold import HASH, begin, then

TOOTH, SENSOR = CauseLine("trigger-wheel-tooth", 0.5, "s", target=23), CauseLine("crank-sensor", 0.5, "s")
LOOKED = Observation("low", "look-at-the-tooth", "1")


def analysed(*more, before=(), weighed=()):
    case = then(begin(), *before)
    body = Analysed(case.last + 1, HASH, "p", (SENSOR, TOOTH), weighed=weighed)
    return then(case, RecordingAdded("/a", HASH, 1), body, *more)


def tooth(case):
    return next(c.probability for c in judged(case)[1].causes if c.id == TOOTH.id)


def test_each_observation_moves_the_causes_by_bayes_rule():
    """Worked by hand from the catalogue's chances of look-at-the-tooth: damaged 0.92 under a bad tooth, else 0.03."""
    case = analysed(LOOKED)
    assert [b.number for b in balances(case)] == [3, 4]
    assert tooth(case) == pytest.approx(0.92 / (0.92 + 0.03))
    assert judged(case)[1].causes[0].id == TOOTH.id
    again = then(case, replace(LOOKED, outcome="2"))  # the same test again: the later one counts, alone
    assert tooth(again) == pytest.approx(0.08 / (0.08 + 0.97))
    assert tooth(then(again, Retraction(5, "misread"))) == pytest.approx(0.92 / 0.95)
    test = ChosenTest("look-at-the-tooth", "look")
    assert tooth(analysed(test, Outcome(4, "The tooth is whole"))) == pytest.approx(0.08 / (0.08 + 0.97))


def test_that_a_recording_can_be_judged_counts_once():
    """The recording's own analysis rests on it; before or after it, the word for it moves nothing and adds no line."""
    test = ChosenTest("record-that-can-be-judged", "record again")
    yes, no = "The crank signal can be judged then", "It still cannot"
    after = analysed(test, Outcome(4, yes))
    assert (tooth(after), [b.number for b in balances(after)]) == (0.5, [3])
    before = analysed(before=(test, Outcome(2, yes)), weighed=(3,))
    assert tooth(before) == 0.5
    assert tooth(then(before, Retraction(3, "another recording"))) == 0.5
    assert tooth(analysed(test, Outcome(4, no))) == pytest.approx(0.3 / (0.3 + 0.6))  # the catalogue's chances


def test_what_an_analysis_took_in_is_not_weighed_twice_and_can_be_withdrawn():
    case = analysed(before=(LOOKED,), weighed=(2,))
    assert tooth(case) == 0.5
    withdrawn = then(case, Retraction(2, "another vehicle"))
    assert tooth(withdrawn) == pytest.approx((1 / 0.92) / (1 / 0.92 + 1 / 0.03))


def test_own_words_and_what_was_seen_on_the_other_side_of_work_do_not_weigh():
    assert tooth(analysed(Observation("x", "look-at-the-tooth", "gone"), Observation("y", "my own", "1"))) == 0.5
    assert tooth(analysed(Work("part", "wheel"), LOOKED)) == 0.5
    case = then(begin(), LOOKED, Work("part", "wheel"))
    assert seen(case) == ()
    assert [n for n, _ in seen(then(case, LOOKED))] == [4]


def test_observations_and_closed_cases_reach_the_analysis(job, tmp_path):
    place = tmp_path / "cases.db"
    for _ in range(2):
        other = opened(place)
        said(place, "close", other, "done", "--cause", "crank-circuit")
    assert "2 closed cases" in said(place, "priors")
    (row,) = [p for p in state(place, "priors")["priors"] if p["cases"]]
    assert row["cause"] == "crank-circuit"
    assert row["used"] > row["knowledge"]
    case = opened(place)
    said(place, "note", case, "low", "--test", "look-at-the-tooth", "--outcome", "1")
    found = state(place, "add", "recording", case, job / "before.npz")["entries"][1]["body"]
    assert (found["weighed"], found["closed_cases"]) == ([2], 2)
    assert "with your 2 closed cases" in " ".join(said(place, "show", case).split())
    delivered = state(place, "add", "recording", case, job / "before.npz", "--as-delivered")["entries"][1]["body"]
    assert delivered["closed_cases"] == 0
    assert closed_counts([]) == {}
