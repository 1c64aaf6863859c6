"""The catalogue and the numbering of slots, against wheels written out by hand."""

from __future__ import annotations

import numpy as np
import pytest

from witnessmark.wheel import layouts


# teeth a turn and unusual intervals in pitches of named wheels (from memory: common layouts)
@pytest.mark.parametrize(
    ("name", "teeth", "gaps"),
    [
        ("60-2", 58, [3]),
        ("60-2-2", 56, [3, 3]),
        ("36-1", 35, [2]),
        ("36-2", 34, [3]),
        ("36-2-2-2", 30, [3, 3, 3]),
        ("30-2", 28, [3]),
        ("24-1", 23, [2]),
        ("12-1", 11, [2]),
        ("40-1", 39, [2]),
    ],
)
def test_named_wheels_have_their_teeth_and_gaps(name: str, teeth: int, gaps: list[int]) -> None:
    for layout in [c for c in layouts.catalogue() if c.name == name]:
        steps = np.diff(np.append(layout.teeth_deg, 360.0)) / layout.pitch_deg
        assert len(layout.teeth_deg) == teeth
        assert sorted(round(s) for s in steps if s > 1.5) == gaps
        assert layouts.name_of(layout.slots, layout.missing) == name


def test_slot_1_follows_the_longest_gap_and_ties_go_to_the_longest_run() -> None:
    # runs of 1, 13 and 16 teeth between equal gaps: slot 1 opens the run of 16
    gaps = np.array([3.0] + [1.0] * 12 + [3.0] + [1.0] * 15 + [3.0])
    assert layouts.first_tooth(gaps) == 14
    # a full tie keeps the order given
    assert layouts.first_tooth(np.array([70.0, 110.0, 70.0, 110.0])) == 0


def test_pattern_periods() -> None:
    assert layouts.single_gap(60, 2).periods == 1
    assert layouts.regular("60-2-2", 60, (29, 30, 59, 60)).periods == 2
    assert layouts.even(36).periods == 36
