"""A wheel that repeats within a turn, counted from the tooth nearest after TDC (the rule of the published analysis)."""

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from tests.report.contract_records import analysed
from witnessmark.wheel.model import Layout
from witnessmark.wheel.renumber import can_be_renumbered, renumbered, repeats_to_slot, repeats_to_tdc


def even(count):
    slots = tuple(range(1, count + 1))
    return Layout(f"{count} even", count, (), tuple(360.0 / count * (s - 1) for s in slots), slots, periods=count)


TWO_GAPS = Layout(
    "60-2-2", 60, (29, 30, 59, 60), tuple(6.0 * (s - 1) for s in range(1, 61) if s not in (29, 30, 59, 60)),
    tuple(s for s in range(1, 61) if s not in (29, 30, 59, 60)), periods=2,
)  # fmt: skip


@pytest.mark.parametrize(
    ("layout", "tdc_deg", "repeats"),
    [
        (even(24), 0.0, 0), (even(24), 352.0, 0), (even(24), 17.0, 2), (even(24), 14.0, 1), (even(24), 15.4, 1),
        (TWO_GAPS, 350.0, 0), (TWO_GAPS, 100.0, 1), (TWO_GAPS, 200.0, 0),
    ],
)  # fmt: skip
def test_slot_1_is_the_nearest_after_tdc(layout, tdc_deg, repeats):
    """Worked by hand: 24 teeth stand 15 degrees apart, two gaps 180; a tooth within a degree of TDC stands at it."""
    assert repeats_to_tdc(layout, tdc_deg) == repeats
    after = (repeats * 360.0 / layout.periods - tdc_deg + 1.0) % 360.0
    assert after < 360.0 / layout.periods + 1.0


def test_a_tdc_slot_says_where_slot_1_is():
    """TDC stands 100 degrees after the present slot 1 and belongs 6 before the true one: seven teeth of 15 on, 105."""
    assert repeats_to_slot(even(24), 100.0, 354.0) == 7


def test_a_turned_wheel_is_the_same_wheel():
    """Metamorphic: eight teeth on and sixteen more are a whole turn; times, edges and errors do not change."""
    _, analysis, _ = analysed("no gap", True)
    wheel = analysis.wheel
    assert can_be_renumbered(wheel)
    once = renumbered(wheel, 8, "turned")
    assert np.array_equal(once.passes.time_s, wheel.passes.time_s)
    assert np.array_equal((once.passes.tooth + 8) % 24, wheel.passes.tooth)
    nominal = 360.0 * once.passes.turn + 15.0 * once.passes.tooth
    there = once.angle.at(once.passes.time_s)
    good = np.isfinite(there) & (once.passes.edge >= 0)
    assert np.abs(there - nominal)[good].max() < 1.5  # each passage lies on its own tooth's angle
    by_slot = {t.slot: t.error_deg for t in wheel.teeth}
    assert {(t.slot + 7) % 24 + 1: t.error_deg for t in once.teeth} == by_slot
    back = renumbered(once, 16, wheel.slot_reference)
    assert np.array_equal(back.passes.tooth, wheel.passes.tooth)
    assert [t.slot for t in back.teeth] == [t.slot for t in wheel.teeth]
    assert back.runout_phase_deg == pytest.approx(wheel.runout_phase_deg)
    whole = back.angle.angle_deg - wheel.angle.angle_deg
    assert np.allclose(whole % 360.0, 0.0)


def test_slots_named_in_words_are_not_renamed():
    _, analysis, _ = analysed("no gap", True)
    named = replace(analysis.wheel, undecidable="slot 3 and slot 4 would leave the same pattern")
    assert not can_be_renumbered(named)
    assert not can_be_renumbered(analysed("start", True)[1].wheel)
