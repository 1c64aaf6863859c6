"""Pauses of the line by themselves: where they lie between gaps, what a standstill would take."""

from __future__ import annotations

import numpy as np
import pytest

from tests.findings.made import Scene, kinds, the
from witnessmark.findings import pauses
from witnessmark.simulate.truth import cause_of
from witnessmark.wheel import layouts


def marks(turns: int, slots: int, missing: int, gone: set[int] = frozenset()) -> np.ndarray:
    """Times in s of the teeth of even rotation, one second a slot; ``gone`` counts teeth from the first."""
    tooth = [k for k in range(turns * slots) if k % slots < slots - missing]
    return np.array([k for i, k in enumerate(tooth) if i not in gone], dtype=float)


@pytest.mark.parametrize(
    ("gone", "off"),
    [({50, 51, 52}, True), ({69, 70}, False), (set(), False)],
    ids=["mid-turn", "beside the gap", "the gap itself"],
)
def test_a_pause_is_placed_between_the_gaps_of_the_line(gone: set[int], off: bool) -> None:
    layout = layouts.single_gap(36, 1)
    pause = np.diff(marks(5, 36, 1, gone))
    long = pauses.long_ones(pause)
    at = int(np.flatnonzero(long)[1]) if not gone else int(np.argmax(pause))
    assert pauses.off_the_gap(pause, long, at, layout) is off


def test_a_count_from_one_side_alone_must_miss_the_gap_clearly() -> None:
    layout = layouts.single_gap(36, 1)
    pause = np.diff(marks(4, 36, 1, {40, 41, 60, 61, 62}))  # two pauses in one turn hide each other's far gap
    long = pauses.long_ones(pause)
    places = np.flatnonzero(pause > 2.5)
    assert [pauses.off_the_gap(pause, long, int(i), layout) for i in places] == [True, True]


def test_time_to_rest_is_that_of_even_braking() -> None:
    """From 20 pitches a second, rest is n pitches away at even braking after 2 n / 20 s (v^2 = 2 a s, t = v / a)."""
    speed, pitches = 20.0, 5.0
    braking = speed**2 / (2.0 * pitches)
    assert pauses.time_to_rest_s(pitches, 1.0 / speed, 0.0, 0.0) == pytest.approx(speed / braking)


def test_a_designed_gap_at_a_slow_point_is_no_lost_signal() -> None:
    def when(angle: np.ndarray) -> np.ndarray:  # two compressions a turn, 2 : 1 in speed, one of them at the gap
        return np.asarray(angle / 1200.0 + 0.33 / (2.0 * 1200.0) * 57.3 * np.sin(np.deg2rad(2.0 * (angle - 353.0))))

    assert "signal-lost" not in kinds(Scene(turns=20, when=when).found(), stated=False)


def test_teeth_lost_in_a_row_at_cranking_speed_are_lost_signal() -> None:
    f = the(Scene(turns=20, missing=[(20, 7), (21, 7), (22, 7), (23, 7)]).found(), "signal-lost")
    assert f.stated
    assert f.evidence["teeth_missing"] == 4


@pytest.mark.parametrize(("sensor", "cause"), [("vr", "sensor-air-gap"), ("hall", "crank-circuit")])
def test_a_low_two_level_line_is_the_circuits(sensor: str, cause: str) -> None:
    """A wide gap leaves a two-level sensor's levels alone until its edges stop (published: its data sheets)."""
    assert cause_of("signal-low", sensor) == cause


def test_the_gap_a_whole_turn_after_the_last_is_still_the_gap() -> None:
    """The crank turns back soon after it, and the long interval there looks like a gap: only the side before counts."""
    layout = layouts.single_gap(60, 2)
    turn = [1.0] * 57 + [3.0]
    pause = np.array([*turn, *turn, *([1.0] * 12), 3.2, *([1.0] * 14)])
    at = 2 * len(turn) - 1
    assert pauses.off_the_gap(pause, pauses.long_ones(pause), at, layout) is False
