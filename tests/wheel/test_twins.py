"""Teeth whose loss leaves the same pattern: found by turning rings; damage carried from one reading to the other."""

from __future__ import annotations

import numpy as np
import pytest

from witnessmark.wheel.damage import Damage
from witnessmark.wheel.layouts import even, single_gap, unequal
from witnessmark.wheel.twins import other_reading, read_otherwise


@pytest.mark.parametrize(
    ("slots", "missing", "gone", "instead", "turned"),
    [(60, 2, 58, 1, 6.0), (60, 2, 1, 58, -6.0), (36, 1, 35, 1, 10.0), (12, 1, 1, 11, -30.0)],
)
def test_the_two_teeth_beside_a_gap_are_twins(slots: int, missing: int, gone: int, instead: int, turned: float) -> None:
    layout = single_gap(slots, missing)
    reading = other_reading(layout, layout.tooth_slots.index(gone))
    assert reading is not None
    assert layout.tooth_slots[reading.instead] == instead
    assert reading.turned_deg == pytest.approx(turned)


@pytest.mark.parametrize("layout", [single_gap(60, 2), single_gap(24, 1), single_gap(60, 1)])
def test_twins_really_leave_the_same_edges(layout) -> None:
    """The definition itself: the teeth left by one reading, turned, are the teeth left by the other."""
    teeth = np.asarray(layout.teeth_deg)
    found = 0
    for gone in range(teeth.size):
        reading = other_reading(layout, gone)
        if reading is None:
            continue
        found += 1
        here = np.sort(np.delete(teeth, gone) + reading.turned_deg) % 360.0
        there = np.delete(teeth, reading.instead)
        assert np.allclose(np.sort(here), np.sort(there), atol=0.05)
    assert 2 <= found < teeth.size  # the tooth opposite a gap of one has no twin but itself


def test_a_tooth_away_from_the_gap_has_no_twin_nor_has_one_of_an_even_wheel() -> None:
    assert other_reading(single_gap(60, 2), 20) is None
    assert other_reading(even(36), 3) is None
    assert other_reading(unequal("three", (0.0, 100.0, 210.0)), 1) is None


def test_damage_moves_with_the_reading() -> None:
    layout = single_gap(60, 2)
    reading = other_reading(layout, 57)
    assert reading is not None
    shift = [0.0] * 58
    shift[10] = 1.5
    was = Damage(tuple(shift), ((57, 1.0), (20, 0.5)), ((33.0, 0.9),), 0.045)
    now = read_otherwise(was, layout, reading)
    assert now.shift_deg[11] == 1.5
    assert sum(map(bool, now.shift_deg)) == 1
    assert now.dead == ((0, 1.0), (21, 0.5))
    assert now.extra == ((39.0, 0.9),)
    assert now.flank == 0.045
    assert read_otherwise(now, layout, other_reading(layout, 0)) == was


def test_a_gap_of_one_and_a_tooth_gone_far_from_it_can_change_places() -> None:
    """On 60-1 the loss of slot 6 is the loss of slot 54 of the same wheel, turned by six slots."""
    layout = single_gap(60, 1)
    reading = other_reading(layout, 5)
    assert reading is not None
    assert layout.tooth_slots[reading.instead] == 54
    assert abs(reading.turned_deg) == pytest.approx(36.0)
    assert read_otherwise(Damage(dead=((5, 1.0),)), layout, reading) == Damage(dead=((reading.instead, 1.0),))
