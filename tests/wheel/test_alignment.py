"""Alignment and identification on edge times made from exact angles (no simulator)."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from witnessmark.wheel import candidates, identify, layouts, spelt, weighing
from witnessmark.wheel.damage import Damage, align_marks
from witnessmark.wheel.lattice import Tempo
from witnessmark.wheel.marks import Marks
from witnessmark.wheel.model import Layout
from witnessmark.wheel.weighing import unrolled

RNG = np.random.default_rng(11)


def times(layout: Layout, turns: int, gone: tuple[int, ...] = (), swing: float = 0.0) -> NDArray[np.float64]:
    """Edge times at about 200 rpm; ``swing``: log-speed amplitude at order 2, as four cylinders make it."""
    angles = np.concatenate([np.asarray(layout.teeth_deg) + 360.0 * t for t in range(turns)])
    slots = np.tile(layout.tooth_slots, turns)
    angles = angles[~np.isin(slots, gone)] + RNG.normal(0.0, 0.03, int(np.sum(~np.isin(slots, gone))))
    fine = np.linspace(-10.0, 360.0 * turns + 10.0, 400 * turns)
    slow = np.exp(-swing * np.sin(np.radians(2.0 * fine))) / 1200.0
    clock = np.concatenate(([0.0], np.cumsum(0.5 * (slow[1:] + slow[:-1]) * np.diff(fine))))
    return np.interp(angles, fine, clock)


def marks(time_s: NDArray[np.float64]) -> Marks:
    zero = np.zeros(time_s.size)
    return Marks(np.arange(time_s.size), time_s, zero, zero, zero * np.nan, 1e-6)


@pytest.mark.parametrize("slots,missing", [(60, 2), (36, 1), (24, 1), (48, 2)])  # noqa: PT006
def test_strides_follow_the_layout_through_a_swing_of_2_6_to_1(slots: int, missing: int) -> None:
    layout = layouts.single_gap(slots, missing)
    path = align_marks(marks(times(layout, 6, swing=0.478)), layout, Tempo(walk=5e-3 * (60 / slots) ** 3))
    assert path.restart.sum() == 1
    assert set(path.stride[1:]) == {1}
    assert unrolled(path, layout)[1][-1] - unrolled(path, layout)[1][0] == pytest.approx(
        360.0 * 5 + layout.teeth_deg[-1], abs=1e-6
    )


def test_a_missed_and_an_extra_edge_are_told_as_such() -> None:
    layout = layouts.single_gap(36, 1)
    time_s = times(layout, 5)
    gone, half = 60, 0.5 * (time_s[100] + time_s[101])
    path = align_marks(marks(np.sort(np.append(np.delete(time_s, gone), half))), layout, Tempo())
    counted = weighing.tally(path, layout, np.sort(np.append(np.delete(time_s, gone), half)))
    assert counted.missed.sum() == 1
    assert counted.missed[gone % 35] == 1
    assert len(counted.extra_deg) == 1


def test_an_edge_that_its_own_shape_tells_false_wins_no_place_on_the_wheel() -> None:
    layout = layouts.single_gap(36, 1)
    time_s = times(layout, 5)
    half = 0.5 * (time_s[100] + time_s[101])
    both = np.sort(np.append(time_s, half))
    path = align_marks(marks(both), layout, Tempo())
    told_false = np.where(both == half, weighing.FALSE_NATS, 0.0)
    assert len(weighing.tally(path, layout, both).extra_deg) == 1
    assert weighing.tally(path, layout, both, told_false).extra_deg == []


def test_a_displaced_tooth_of_a_pattern_that_repeats_is_put_on_one_tooth() -> None:
    """36-2-2-2 fits each window in three ways: what is wrong at one tooth must not be put on three."""
    layout = next(x for x in layouts.catalogue() if x.name == "36-2-2-2" and x.periods == 3)
    time_s = times(layout, 14, swing=0.2)
    late = np.arange(time_s.size) % 30 == 14
    time_s = time_s + np.where(late, 0.35 * np.gradient(time_s), 0.0)
    best = identify.compare(marks(time_s))[0]
    assert best.layout.name == "36-2-2-2"
    assert sum(map(bool, best.damage.shift_deg)) == 1
    assert max(best.damage.shift_deg) == pytest.approx(3.5, abs=0.7)


def test_an_edge_beside_a_dead_tooth_is_that_tooth_displaced() -> None:
    layout = layouts.single_gap(24, 1)
    seen, missed = np.full(23, 28), np.zeros(23, np.int64)
    seen[8], missed[8] = 0, 28
    counted = weighing.Tally(seen, missed, [122.1] * 28)
    found = weighing.Candidate(layout, Tempo(), 1600.0, 1600.0, 28.0, 800.0, 650, counted)
    damage = spelt._damage_seen(found, found.damage)
    assert (damage.dead, damage.extra) == ((), ())
    assert damage.shift_deg[8] == pytest.approx(2.1)


@pytest.mark.parametrize("slot", [1, 30, 58])
@pytest.mark.parametrize("shift", [0, 20, 57])
def test_a_tooth_gone_stays_a_60_2_wherever_the_record_begins(slot: int, shift: int) -> None:
    """58 and 1 lie beside the gap (60-3 leaves the same edges), 30 opposite it (60-2-2 and 30-2 nearly do)."""
    found = identify.compare(marks(times(layouts.single_gap(60, 2), 12, (slot,), 0.3)[shift:]))
    assert found[0].layout.name == "60-2"
    assert len(found[0].damage.dead) == 1
    told = found[0].layout.tooth_slots[found[0].damage.dead[0][0]]
    assert told in ({1, 58} if slot in (1, 58) else {slot})


def test_windows_do_not_begin_at_a_gap() -> None:
    time_s = times(layouts.single_gap(60, 2), 20)
    for part in weighing.windows_of(marks(time_s)):
        dt = np.diff(part.time_s[:7])
        assert dt[0] < 1.4 * np.median(dt[1:])


def test_a_dead_tooth_spelt_out_is_passed_over_without_cost() -> None:
    layout = layouts.single_gap(60, 2)
    line = marks(times(layout, 8, (23,)))
    plain = align_marks(line, layout, Tempo())
    told = align_marks(line, layout, Tempo(), Damage(dead=((22, 0.97),)))
    assert told.score > plain.score + 8 * 4.0


@pytest.mark.parametrize("phase_deg", [80.0, 160.0, 240.0])
def test_one_short_interval_beside_a_shortened_pitch_is_one_split_not_two(phase_deg: float) -> None:
    """24 teeth and one more at a third of a pitch, the pitch before it shortened by ripple: 24+1, not 23+1."""
    places = np.array([0.0, 5.0, *(15.0 * i for i in range(1, 24))])
    angle = np.concatenate([places + 360.0 * turn for turn in range(6)])
    time_s = angle / 1200.0 + 2e-3 * np.sin(np.radians(4.0 * angle + phase_deg))
    split = candidates._split_guesses(time_s)
    assert "24+1" in [x.name for x in split]
    assert "23+1" not in [x.name for x in split]


def test_two_teeth_in_one_place_are_a_stride_that_no_edge_takes() -> None:
    """Damage spelt out may lay a displaced tooth on its neighbour, to the last digit."""
    layout = layouts.single_gap(36, 1)
    shift = (0.0,) * 10 + (10.0,) + (0.0,) * 24
    path = align_marks(marks(times(layout, 4)), layout, Tempo(), Damage(shift_deg=shift))
    assert np.isfinite(path.score)
    assert np.isfinite(path.log_rate).all()
