"""What is said between two looks, when looks are made, and what "nothing seen" is worth."""

from __future__ import annotations

from itertools import pairwise

import pytest

from witnessmark.follow.schedule import GROWTH, WHOLE_S, Schedule
from witnessmark.follow.watch import Watch, line_of

from .scripted import analysis, attempt, finding


def said(changes):
    return [(c.what, c.finding.kind) for c in changes]


def test_a_finding_is_said_once_and_its_changes():
    watch = Watch()
    assert said(watch.look(analysis(finding()), 0, 5)) == [("stated", "signal-lost")]
    assert watch.look(analysis(finding()), 0, 7) == []
    assert said(watch.look(analysis(finding(confidence=0.65)), 0, 9)) == [("changed", "signal-lost")]
    (change,) = watch.look(analysis(finding(confidence=0.65, lock="time")), 0, 11)
    assert (change.what, change.note) == ("changed", "repeats with time, before: none")
    assert "crank: The statement of signal-lost (repeats with time" in line_of(change)
    assert len(watch.stated) == 1


def test_a_measured_value_that_moves_is_a_change_a_count_that_grows_is_none():
    watch = Watch()
    slow, slower = (finding("cranking-slow", value=v, unit="rpm") for v in (150.0, 90.0))
    none, more = (finding("spark-absent", value=v, unit="turns") for v in (10.0, 22.0))
    watch.look(analysis(slow, none), 0, 5)
    (change,) = watch.look(analysis(slower, more), 0, 9)
    assert (change.finding.kind, change.note) == ("cranking-slow", "90 rpm, before: 150")


def test_a_hint_is_not_said_and_a_finding_that_becomes_one_is_withdrawn():
    watch = Watch()
    assert watch.look(analysis(finding(confidence=0.4)), 0, 5) == []
    watch.look(analysis(finding()), 0, 6)
    (change,) = watch.look(analysis(finding(confidence=0.45)), 0, 8)
    assert (change.what, change.note) == ("withdrawn", "only a hint now (0.45)")
    assert watch.stated == ()


def test_what_lies_before_the_part_looked_at_is_not_withdrawn_and_may_come_again():
    watch = Watch()
    watch.look(analysis(finding(at=(3.0, 3.5))), 0, 5)
    assert watch.look(analysis(), 10, 30) == []
    assert len(watch.stated) == 1
    assert said(watch.look(analysis(finding(at=(33.0, 33.1))), 15, 35)) == [("again", "signal-lost")]
    assert said(watch.look(analysis(), 0, 40, is_last=True)) == [("withdrawn", "signal-lost")]


def test_what_a_start_shows_only_at_its_end_waits_for_it():
    watch = Watch()
    cranks = analysis(finding("no-start"), finding("tooth-weak", slot=23), attempts=[attempt()])
    assert said(watch.look(cranks, 0, 3)) == [("stated", "tooth-weak")]
    stands = analysis(finding("no-start"), finding("tooth-weak", slot=23), attempts=[attempt(turning_at_end=False)])
    assert said(watch.look(stands, 0, 5)) == [("stated", "no-start")]
    again = analysis(finding("tooth-weak", slot=23), attempts=[attempt()])
    assert watch.look(again, 0, 7) == []  # cranking again takes nothing back
    ended = Watch()
    assert len(ended.look(cranks, 0, 3, is_last=True)) == 2


def test_while_the_engine_turns_a_second_look_must_agree_with_one_that_is_not_sure():
    watch = Watch()
    turns, still = {"attempts": [attempt(started=True)]}, {"attempts": [attempt(turning_at_end=False)]}
    low, weak = finding("signal-low", confidence=0.65), finding("tooth-weak", slot=23, confidence=0.8)
    assert said(Watch().look(analysis(low, finding("cam-offset"), **turns), 0, 1)) == [("stated", "cam-offset")]
    assert Watch().look(analysis(finding("wheel-unexpected"), **turns), 0, 1) == []  # however sure
    assert watch.look(analysis(low, weak, **turns), 0, 1) == []
    assert watch.in_doubt
    assert said(watch.look(analysis(weak, **turns), 0, 2)) == [("stated", "tooth-weak")]
    assert watch.look(analysis(weak, low, **turns), 0, 3) == []  # once again only
    assert watch.look(analysis(weak, **turns), 0, 4) == []
    assert not watch.in_doubt
    assert watch.look(analysis(**turns), 0, 5) == []  # one look that does not see it
    assert watch.in_doubt
    assert watch.look(analysis(weak, **turns), 0, 6) == []
    assert not watch.in_doubt
    watch.look(analysis(**turns), 0, 7)
    assert said(watch.look(analysis(**turns), 0, 8)) == [("withdrawn", "tooth-weak")]
    assert said(watch.look(analysis(low, **still), 0, 9)) == [("stated", "signal-low")]
    assert said(watch.look(analysis(**still), 0, 10)) == [("withdrawn", "signal-low")]


def test_slots_and_cylinders_make_different_findings():
    watch = Watch()
    found = (finding("tooth-weak", slot=1), finding("tooth-weak", slot=2), finding("cam-offset", channel="cam"))
    assert len(watch.look(analysis(*found), 0, 5)) == 3


def test_turns_are_counted_once():
    watch = Watch()
    watch.look(analysis(turns=[(0, 10, 40)]), 0, 10)
    watch.look(analysis(turns=[(5, 15, 40)]), 5, 15)
    assert watch.turns == pytest.approx(60)
    watch.look(analysis(turns=[(0, 15, 61)]), 0, 15, is_last=True)
    assert watch.turns == pytest.approx(61)


# Zero of n revolutions, 95 % upper rate 1 - 0.05^(1/n): derived, worked to three digits by hand calculation.
@pytest.mark.parametrize(("turns", "rate"), [(20, "13.9 %"), (60, "4.87 %"), (100, "2.95 %"), (300, "0.994 %")])
def test_nothing_seen_comes_with_its_bound(turns, rate):
    watch = Watch()
    watch.look(analysis(turns=[(0, 10, turns)]), 0, 10)
    assert f"in {turns} turns" in watch.nothing_seen()
    assert f"up to {rate}" in watch.nothing_seen()


def test_no_bound_without_turns_or_with_something_seen():
    watch = Watch()
    watch.look(analysis(turns=[]), 0, 10)
    assert "clears nothing" in watch.nothing_seen()
    watch.look(analysis(finding()), 0, 10)
    assert watch.nothing_seen() == ""


def looks(total_s, arrival=1.0, cost=lambda length: 0.0, step=0.25):
    """The looks at a record that comes at ``arrival`` s a second, each taking ``cost(length)`` s."""
    schedule, out, now, length = Schedule(), [], 0.0, 0.0
    while length < total_s:
        now, length = now + step, length + step * arrival
        stretch = schedule.due(0.0, length, now)
        if stretch is not None:
            began = now
            now += cost(stretch[1] - stretch[0])
            length += (now - began) * arrival
            schedule.looked(stretch, 0.0, began, now)
            out.append((stretch, now - began))
    return out


def test_a_second_look_comes_soon():
    schedule = Schedule()
    schedule.looked((0.0, 1.0), 0.0, 1.0, 2.5)  # a slow machine
    assert schedule.due(0.0, 3.1, 3.1) is None  # it rests
    assert schedule.due(0.0, 3.1, 3.1, in_doubt=True) == (0.0, 3.1)
    assert schedule.due(0.0, 1.4, 3.1, in_doubt=True) is None  # nothing new to see


def test_looks_begin_early_and_see_every_second():
    made = [s for s, _ in looks(60.0)]
    assert made[0][1] <= 1.5
    assert all(b[1] - a[1] <= 2.5 for a, b in pairwise(made))
    assert all(b[0] <= a[1] for a, b in pairwise(made))  # nothing between two looks is missed


def test_whole_looks_stay_within_three_times_the_record():
    made = [s for s, _ in looks(3600.0)]
    whole = [stop - start for start, stop in made if start == 0.0 and stop > 20.0]
    assert whole
    assert max(whole) <= WHOLE_S
    assert sum(whole) <= WHOLE_S / (1 - 1 / GROWTH) + WHOLE_S
    assert max(stop - start for start, stop in made if start > 0.0) <= 60.0


def test_looks_take_at_most_half_the_time_however_slow_they_are():
    made = looks(600.0, cost=lambda length: 2.0 * length)
    assert sum(cost for _, cost in made) <= 0.5 * 600.0 + made[-1][1]
    assert len(made) > 3
