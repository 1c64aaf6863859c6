"""Wheels by name."""

from __future__ import annotations

import numpy as np
import pytest

from witnessmark.simulate.layouts import named, number_slots
from witnessmark.simulate.mechanics import periods


@pytest.mark.parametrize(
    ("name", "teeth", "pitch_deg", "unusual"),
    [  # handbook counts: teeth a turn, pitch, and the unusual intervals in pitches
        ("60-2", 58, 6.0, [3]), ("36-1", 35, 10.0, [2]), ("36-2", 34, 10.0, [3]), ("36-2-2-2", 30, 10.0, [3, 3, 3]),
        ("24-1", 23, 15.0, [2]), ("12-1", 11, 30.0, [2]), ("40-1", 39, 9.0, [2]), ("60-2-2", 56, 6.0, [3, 3]),
        ("30-2", 28, 12.0, [3]), ("8 even", 8, 45.0, []),
    ],
)  # fmt: skip
def test_counts_and_gaps(name: str, teeth: int, pitch_deg: float, unusual: list[int]) -> None:
    wheel = named(name)
    lengths = np.diff(np.append(wheel.teeth_deg, 360.0)) / wheel.pitch_deg
    assert len(wheel.teeth_deg) == teeth
    assert wheel.pitch_deg == pytest.approx(pitch_deg)
    assert sorted(round(x) for x in lengths if x > 1.5) == unusual
    assert wheel.teeth_deg[0] == 0.0
    assert wheel.tooth_slots[0] == 1


def test_three_gaps_start_before_the_longest_run() -> None:
    # runs of 16, 1 and 13 teeth: slot 1 opens the longest
    wheel = named("36-2-2-2")
    assert wheel.missing == (17, 18, 20, 21, 35, 36)


def test_slots_are_numbered_from_the_longest_gap() -> None:
    assert number_slots(12, (3, 7, 8)) == (7, 11, 12)


def test_an_added_tooth_splits_one_pitch() -> None:
    wheel = named("12+1")
    assert np.allclose(np.sort(np.diff(np.append(wheel.teeth_deg, 360.0)))[:2], [10.0, 20.0])


@pytest.mark.parametrize(("name", "times"), [("60-2", 1), ("60-2-2", 2), ("8 even", 8), ("4 vane", 2), ("36-2-2-2", 1)])
def test_periods(name: str, times: int) -> None:
    assert periods(named(name)) == times
