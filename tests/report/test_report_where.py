"""Barring guides against numbers worked by hand (angle of a slot = (slot - 1) x 360 / slots, from slot 1)."""

from dataclasses import replace

import pytest

from witnessmark.engine.model import EngineResult, Phase, Side, Timeline
from witnessmark.recording.setup import CrankWheel, Setup
from witnessmark.report.where import slot_angle_deg, tooth_number, whereabouts
from witnessmark.wheel.model import Layout

from . import fixtures


def regular(slots, missing):
    teeth = tuple(s for s in range(1, slots + 1) if s not in missing)
    return Layout(f"{slots}", slots, missing, tuple(360.0 / slots * (s - 1) for s in teeth), teeth)


VANES = Layout("4 vanes", 4, (), (0.0, 70.0, 180.0, 250.0), (1, 2, 3, 4), regular=False, periods=2)
NO_PHASE = Phase(False, False, None, "", 0.0, "")
NO_ENGINE = EngineResult(NO_PHASE, (), (), (), Timeline(*[None] * 6, 0.0, None, None, None), None)


def wheel_with(layout):
    return replace(fixtures.weak_tooth().wheel, layout=layout)


def tdc(slot):
    return Setup(crank_wheel=CrankWheel(tdc_slot=slot))


# Worked by hand: 60 slots of 6 deg, slot 23 stands (23 - 1) x 6 = 132 deg after slot 1. With slot 9 under the sensor
# at cylinder 1's TDC, (23 - 9) x 6 = 84 deg; with slot 40 there, (23 - 40) x 6 = -102, that is 258 deg.
# 36 slots of 10 deg: slot 36 at 350 deg; TDC at slot 36.5 is 355 deg, so bar -5 + 360 = 355 deg.
@pytest.mark.parametrize(
    ("layout", "slot", "tdc_slot", "from_slot_1", "from_tdc"),
    [
        (regular(60, (59, 60)), 23, 9.0, 132.0, 84.0),
        (regular(60, (59, 60)), 23, 40.0, 132.0, 258.0),
        (regular(60, (59, 60)), 1, 9.0, 0.0, 312.0),
        (regular(36, (36,)), 35, 36.5, 340.0, 345.0),
        (regular(60, (59, 60)), 23, 23.0, 132.0, 0.0),
        (VANES, 3, 2.0, 180.0, 110.0),
        (VANES, 2, 4.5, 70.0, 125.0),  # slot 4.5 lies halfway from 250 to 360 deg: 305; 70 - 305 + 360 = 125
    ],
)
def test_degrees_to_bar(layout, slot, tdc_slot, from_slot_1, from_tdc):
    (spot,) = whereabouts(wheel_with(layout), NO_ENGINE, tdc(tdc_slot), [slot])
    assert spot.angle_from_slot1_deg == pytest.approx(from_slot_1)
    assert [bar for _, bar in spot.guides] == pytest.approx([from_slot_1, from_tdc])
    assert spot.angle_atdc_deg == pytest.approx(from_tdc)


def test_barring_by_the_guide_brings_the_suspect_to_the_sensor():
    """Turned in the normal direction, the slot under the sensor moves up by one each pitch: replay it by counting."""
    layout = regular(60, (59, 60))
    (spot,) = whereabouts(wheel_with(layout), NO_ENGINE, tdc(15.0), [23])
    for start, (_, bar) in zip((1, 15), spot.guides, strict=True):
        slot = start
        for _ in range(round(bar / 6.0)):
            slot = slot % 60 + 1
        assert slot == 23


def test_without_tdc_only_slot_1_is_a_reference():
    (spot,) = whereabouts(wheel_with(regular(60, (59, 60))), NO_ENGINE, Setup(), [23])
    assert len(spot.guides) == 1
    assert spot.angle_atdc_deg is None


def test_an_inferred_tdc_says_so():
    engine = replace(NO_ENGINE, phase=Phase(True, True, 444.0, "coil", 0.8, ""))
    (spot,) = whereabouts(wheel_with(regular(60, (59, 60))), engine, None, [23])
    reference, bar = spot.guides[1]
    assert "inferred from the coil" in reference
    assert bar == pytest.approx(132.0 - 84.0)


def test_each_slot_once_and_nothing_without_a_wheel():
    spots = whereabouts(wheel_with(regular(60, (59, 60))), NO_ENGINE, None, [23, 41, 23])
    assert [s.slot for s in spots] == [23, 41]
    assert whereabouts(wheel_with(None), NO_ENGINE, None, [23]) == ()


def test_teeth_are_counted_apart_from_slots():
    """36-2-2-2 style wheel: slots 17 and 18 have no tooth, so slot 20 is the 18th tooth."""
    layout = regular(36, (17, 18, 35, 36))
    assert tooth_number(layout, 20) == 18
    assert tooth_number(layout, 17) is None


def test_fractional_slots_fall_between_teeth():
    assert slot_angle_deg(VANES, 1.5) == pytest.approx(35.0)
    assert slot_angle_deg(regular(60, ()), 60.5) == pytest.approx(357.0)


def without_edges(wheel, *gone):
    teeth = tuple(replace(t, seen=0) if t.slot in gone else t for t in wheel.teeth)
    return replace(wheel, teeth=teeth)


def test_a_first_tooth_that_is_gone_is_no_reference():
    """Slot 1 gone: bar from slot 2, one pitch of 6 degrees after it, so 360 - 6 = 354 degrees on to slot 1's place."""
    wheel = without_edges(wheel_with(regular(60, (59, 60))), 1)
    (spot,) = whereabouts(wheel, NO_ENGINE, tdc(9.0), [1])
    assert "slot 2's tooth" in spot.guides[0][0]
    assert [bar for _, bar in spot.guides] == pytest.approx([354.0, 312.0])


def test_where_either_of_two_is_gone_both_places_are_given():
    """Seen from the first standing tooth the three empty places lie 6, 12 and 18 degrees back: the suspects are the
    first and the last of them, whichever way the slots are counted."""
    wheel = without_edges(wheel_with(regular(60, (59, 60))), 1)
    engine = replace(NO_ENGINE, side=Side(1, 58, None, 0.5, -6.0, "no cam is described"))
    near, far = whereabouts(wheel, engine, tdc(9.0), [1])
    assert (near.slot, near.instead_of) == (1, None)
    assert (far.slot, far.instead_of) == (58, 1)
    assert near.guides[0][1] == pytest.approx(360.0 - 6.0)
    assert far.guides[0][1] == pytest.approx(360.0 - 18.0)
    assert far.angle_atdc_deg == pytest.approx((58 - 9) * 6.0)  # by its own numbering
    told = replace(engine, side=replace(engine.side, gone=1))
    assert [s.slot for s in whereabouts(wheel, told, None, [1])] == [1]
