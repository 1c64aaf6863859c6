"""Alignment and identification on edge times made from exact angles (no simulator)."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from witnessmark.wheel import identify, layouts, weighing
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


def test_two_teeth_in_one_place_are_a_stride_that_no_edge_takes() -> None:
    """Damage spelt out may lay a displaced tooth on its neighbour, to the last digit."""
    layout = layouts.single_gap(36, 1)
    shift = (0.0,) * 10 + (10.0,) + (0.0,) * 24
    path = align_marks(marks(times(layout, 4)), layout, Tempo(), Damage(shift_deg=shift))
    assert np.isfinite(path.score)
    assert np.isfinite(path.log_rate).all()
