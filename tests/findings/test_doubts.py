"""What a short or badly placed record cannot carry is a hint: gaps seen once, wheels of no list, pieces apart."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from tests.findings.made import Scene, the
from witnessmark.findings.cam_motion import _unbroken
from witnessmark.wheel import layouts
from witnessmark.wheel.model import Segment


def named(name: str) -> layouts.Layout:
    return next(x for x in layouts.catalogue() if x.name == name)


def test_a_gap_of_one_slot_seen_empty_once_may_be_a_tooth_that_gave_no_edge() -> None:
    """Edges in 5 of 6 turns where 36-1 has its gap: an even wheel with one edge lost would look the same."""
    filled = [(350.0 + 360.0 * k, 0.9) for k in (0, 1, 3, 4, 5)]
    once = the(Scene(layout=named("36-1"), turns=6, stray=filled).found(), "tooth-extra")
    assert not once.stated
    assert "1 turn only" in once.statement
    often = the(Scene(layout=named("36-1"), turns=31, stray=[(350.0 + 360.0 * k, 0.9) for k in range(26)]).found(),
                "tooth-extra")  # fmt: skip
    assert often.stated  # five empty turns show the gap
    told = replace(named("36-1"), source="setup")
    assert the(Scene(layout=told, turns=6, stray=filled, source="setup").found(), "tooth-extra").stated


def test_a_tooth_gone_from_a_wheel_that_is_in_no_list_needs_edges_that_fit_it_well() -> None:
    gone = [(8, k) for k in range(12)]
    odd = layouts.single_gap(15, 1, source="family")
    loose = Scene(layout=odd, turns=12, missing=gone, wheel_more={"nats_per_turn": 3.8})
    assert not the(loose.found(), "tooth-absent").stated
    assert the(replace(loose, wheel_more={"nats_per_turn": 30.0}).found(), "tooth-absent").stated
    listed = replace(odd, source="catalogue")
    assert the(replace(loose, layout=listed).found(), "tooth-absent").stated


def test_on_a_coarse_wheel_two_turns_confirm_the_count() -> None:
    """Misses between 1.25 and 26 teeth' worth of turns: a slip of the decoding in the first compressions."""
    for layout, counts in ((named("12+1"), False), (layouts.single_gap(60, 2), True)):
        teeth = len(layout.teeth_deg)
        lost = [(teeth // 2, 1), (teeth - 1, 1), (teeth // 3 + teeth // 2, 1)]
        found = Scene(layout=layout, turns=12, missing=lost, sensor="hall").found()
        assert any(f.kind == "edges-dropped" for f in found.found) is counts


def test_cams_are_followed_within_one_piece_of_rotation() -> None:
    """A piece placed one slot off moves every cam by a pitch against the other pieces: no sensor lags so."""
    m = Scene(turns=12).made()
    pieces = (Segment(0, 10, 0.1, 0.9, 2.0), Segment(10, 90, 1.0, 4.0, 10.0))
    m = replace(m, wheel=replace(m.wheel, angle=replace(m.wheel.angle, segments=pieces)))
    cycles = np.array([0.3, 0.8, 1.2, 1.7, 2.2, 2.7, 3.2, 3.7])
    assert _unbroken(m, cycles).tolist() == [False] * 2 + [True] * 6


def rippled(angle: np.ndarray) -> np.ndarray:
    """Time in s of an angle at 130 rpm on average with a swing of 2 : 1, slowest at 30, 150 and 270 degrees."""
    grid = np.arange(-30.0, 360.0 * 40, 0.5)
    rpm = 130.0 * np.exp(-0.35 * np.cos(np.radians(3.0 * (grid - 30.0))))
    time = np.concatenate(([0.0], np.cumsum(0.5 / (6.0 * rpm[:-1]))))
    return np.interp(angle, grid, time) - np.interp(0.0, grid, time)


def test_edges_that_fail_at_the_slowest_point_of_every_compression_are_no_bad_teeth() -> None:
    """Six cylinders compress at three places of the turn, where a weak pick-up fails first (a pair trap)."""
    failing = [(tooth, k) for tooth in (5, 25, 45) for k in range(1, 30)]
    found = Scene(when=rippled, missing=failing, turns=31, residual=0.6).found()
    assert not [f for f in found.found if f.kind.startswith("tooth")]
    assert the(found, "edges-dropped").lock == "speed"
    one = Scene(when=rippled, missing=[f for f in failing if f[0] == 5], turns=31, residual=0.6).found()
    assert the(one, "tooth-weak").stated  # one place: the tooth itself
    fast = Scene(when=rippled, missing=[(tooth + 10, k) for tooth, k in failing], turns=31, residual=0.6).found()
    assert len([f for f in fast.found if f.kind == "tooth-weak"]) == 3  # no signal fails where it is largest
    apart = [(tooth, k) for tooth in (5, 35) for k in range(30)]  # one where it is slow, one where it is fast
    both = Scene(when=rippled, missing=apart, residual=0.6).found()
    assert len([f for f in both.found if f.kind == "tooth-weak"]) == 2
