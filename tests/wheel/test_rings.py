"""One ring of edges, several readings: rings compared exactly, priors decide, cams tell which gap was drawn."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.findings.made import line_of
from witnessmark.recording.setup import CamWheel, CrankWheel, Setup
from witnessmark.wheel import layouts
from witnessmark.wheel.damage import SOUND, Damage
from witnessmark.wheel.lattice import Path, Tempo
from witnessmark.wheel.layouts import even, single_gap, unequal
from witnessmark.wheel.model import Layout
from witnessmark.wheel.rings import _least_turn, other_reading, read_otherwise, ring_of, settled, with_filled
from witnessmark.wheel.weighing import Candidate, Tally
from witnessmark.wheel.which_gap import same_gap


def candidate(layout: Layout, likelihood: float, damage: Damage = SOUND, turns: float = 20.0) -> Candidate:
    n = len(layout.teeth_deg)
    seen = np.full(n, int(turns), np.int64)
    missed = np.zeros(n, np.int64)
    for tooth, _ in damage.dead:
        seen[tooth], missed[tooth] = 0, int(turns)
    tally = Tally(seen, missed, [])
    score = likelihood + float(np.log(layout.prior))
    return Candidate(layout, Tempo(), score, likelihood, turns, 200.0, int(turns * n), tally, damage)


def named(name: str) -> Layout:
    return next(x for x in layouts.catalogue() if x.name == name)


def test_rings_are_the_same_where_teeth_and_only_then() -> None:
    one, two = named("36-1"), named("36-2")
    assert ring_of(one, SOUND) == ring_of(two, Damage(extra=((340.0, 0.97),)))
    assert ring_of(one, SOUND) == ring_of(two, Damage(extra=((350.0, 0.97),)))  # the other slot of the gap
    assert ring_of(one, SOUND) == ring_of(layouts.even(36), Damage(dead=((17, 0.97),)))
    assert ring_of(one, SOUND) != ring_of(two, SOUND)
    assert ring_of(one, Damage(dead=((9, 0.97),))) == ring_of(one, Damage(dead=((25, 0.97),)))  # 10 and 26 of 36
    assert ring_of(one, Damage(dead=((9, 0.97),))) != ring_of(one, Damage(dead=((10, 0.97),)))
    assert ring_of(one, Damage(extra=((350.0, 0.97),))) == ring_of(layouts.even(24), SOUND) == (0,)
    pair = Damage(dead=((1, 0.97), (3, 0.97)))  # twelve and one between two of them, less that one and another
    assert ring_of(named("12+1"), pair) == ring_of(named("12-1"), SOUND)
    assert ring_of(replace(named("12+1"), source="learnt"), pair) is None  # learnt places are on no grid
    assert ring_of(one, Damage(dead=((9, 0.4),))) is None  # there in most turns: no ring
    moved = tuple(2.0 if tooth == 9 else 0.0 for tooth in range(35))
    assert ring_of(one, Damage(shift_deg=moved)) is None
    gone = Damage(dead=((9, 0.97),))
    assert ring_of(one, replace(gone, shift_deg=moved)) == ring_of(one, gone)  # where it stood no longer matters


def test_a_common_wheel_takes_the_better_alignment_of_its_ring() -> None:
    rare = candidate(layouts.even(36, prior=0.4), 1540.0, Damage(dead=((0, 0.97),)))
    out = settled([rare, candidate(named("36-1"), 1463.0)])
    assert out[0].layout.name == "36-1"
    assert out[0].likelihood > 1540.0  # the damage's price is taken off the alignment again


def test_a_tooth_missed_in_every_turn_counts_as_gone_though_no_damage_was_spelt_out() -> None:
    """Slow cranking under its ripple: of two designs that leave the same edges one was aligned worse by 14 nats."""
    gone = candidate(named("60-1"), 428.7, turns=4.0)
    gone.tally.seen[0], gone.tally.missed[0] = 0, 4
    out = settled([gone, candidate(named("60-2"), 411.7, turns=4.0)])
    assert out[0].layout.name == "60-2"
    assert out[0].likelihood == pytest.approx(428.7 - np.log(0.12 / 59) - np.log(1 / 5))  # Beta(1, 5) = 1/5
    assert settled([gone])[0].likelihood == 428.7
    odd = candidate(named("60-1"), 428.7, turns=4.0)
    odd.tally.seen[0], odd.tally.missed[0], odd.tally.missed[20:28] = 0, 4, 2
    assert settled([odd, candidate(named("60-2"), 411.7, turns=4.0)])[1].likelihood == 411.7  # no reading of that ring


def test_a_tooth_put_on_either_side_of_the_gap_by_different_windows_is_one_tooth_gone() -> None:
    """Two windows took the tooth before the gap for the one gone, two the one after it; noise in the gap besides."""
    gone = candidate(named("36-1"), 403.6, turns=8.0)
    gone.tally.missed[[0, -1]], gone.tally.seen[[0, -1]] = 4, 4
    gone.tally.extra_deg.extend([346.6, 353.3, 5.0, 15.1, 26.6])
    out = settled([gone, candidate(named("36-2"), 380.6, turns=8.0)])
    assert out[0].layout.name == "36-2"
    assert out[0].likelihood > 403.6
    fixed = replace(gone, tally=replace(gone.tally, extra_deg=[115.0] * 6))  # metal at one place: another ring
    assert settled([fixed, candidate(named("36-2"), 380.6, turns=8.0)])[1].likelihood == 380.6


def test_unlike_rings_keep_their_own_scores() -> None:
    found = [candidate(named("60-2"), 900.0), candidate(named("36-2"), 880.0)]
    assert [c.score for c in settled(found)] == [c.score for c in found]


def test_passes_in_which_a_dead_tooth_shows_are_paid_by_every_other_reading() -> None:
    """A tooth seen in 4 of 20 turns: to a wheel with a gap there each of them is an edge too many."""
    gap = layouts.regular("36-1-2", 36, (6, 35, 36), prior=2e-4, source="learnt")
    weak = candidate(named("36-2"), 1000.0, Damage(dead=((5, 0.8),)))
    weak.tally.seen[5], weak.tally.missed[5] = 4, 16
    lifted = {c.layout.name: c for c in settled([weak, candidate(gap, 900.0)])}
    never = candidate(named("36-2"), 1000.0, Damage(dead=((5, 0.97),)))
    lifted_never = {c.layout.name: c for c in settled([never, candidate(gap, 900.0)])}
    assert lifted["36-2"].likelihood == 1000.0
    price = 4 * Tempo().log_extra - 4 * np.log(1.0 - 0.8)
    assert lifted["36-1-2"].likelihood - lifted_never["36-1-2"].likelihood == pytest.approx(price, abs=0.1)
    assert lifted["36-1-2"].score < lifted["36-2"].score


def test_a_wheel_of_no_list_with_a_dead_tooth_shares_the_ring_of_a_rarer_one() -> None:
    """48-2 without the tooth beside its gap leaves the ring of 48-3."""
    rare = layouts.single_gap(48, 3, prior=1e-6, source="family", mark="derived")
    usual = layouts.single_gap(48, 2, prior=0.02, source="family", mark="derived")
    out = settled([candidate(rare, 593.0), candidate(usual, 573.0)])
    assert out[0].layout.name == "48-2"
    assert out[0].damaged in ((0,), (45,))


def test_with_a_setup_a_filled_gap_beats_an_even_wheel_within_its_prior_and_is_not_certain() -> None:
    wheel = layouts.single_gap(36, 1, source="setup")
    out = settled([candidate(layouts.even(36, prior=0.4), 500.0), candidate(wheel, 470.0)])
    filled = next(c for c in out if c.layout.source == "setup")
    assert filled.damage.extra == ((350.0, 0.97),)
    assert 480.0 < filled.likelihood < 500.0  # what it costs stays on the account


def test_a_single_gap_keeps_the_wider_one_alive_as_a_small_alternative() -> None:
    out = with_filled([candidate(named("36-1"), 500.0)])
    assert [c.layout.name for c in out] == ["36-1", "36-2"]
    share = np.exp(out[1].score - out[0].score)
    assert 1e-4 < share < 1e-2


CAMS = [(100.0, "rising"), (250.0, "falling"), (430.0, "rising"), (500.0, "falling")]


def record(dead: int, tdc_slot: float, turns: int = 8) -> tuple[Path, np.ndarray, object, Setup]:
    """A 36-1 wheel at 200 rpm without slot ``dead``, numbered from the dead tooth's gap, and a cam as described."""
    layout = named("36-1")
    slots = np.array([s for s in layout.tooth_slots if s != dead])
    angle = np.concatenate([(slots - 1) * 10.0 + 360.0 * t for t in range(turns)])
    time_s = angle / 1200.0
    wrong = (np.tile(slots, turns) - dead - 1) % 36 + 1
    tooth = (wrong - 1).astype(np.int32)
    stride = np.ones(tooth.size, np.int32)
    stride[1:] = (np.diff(tooth.astype(int)) - 1) % 35 + 1
    restart = np.zeros(tooth.size, bool)
    restart[0], stride[0] = True, 0
    path = Path(np.arange(tooth.size), tooth, stride, restart, np.zeros(tooth.size), 0.0)
    zero = (tdc_slot - 1.0) * 10.0
    events = sorted((deg + zero + 720.0 * k, kind) for k in range(turns // 2) for deg, kind in CAMS)
    cam = line_of("cam", "cam", [a / 1200.0 for a, _ in events])
    setup = Setup(
        crank_wheel=CrankWheel(slots=36, missing=(36,), tdc_slot=tdc_slot),
        cam_wheel=(CamWheel(channel="cam", edges_deg=tuple(CAMS)),),
    )
    return path, time_s, cam, setup


@pytest.mark.parametrize("dead", [6, 10, 26, 31])
def test_the_described_cam_tells_the_drawn_gap_from_the_dead_tooth(dead: int) -> None:
    path, time_s, cam, setup = record(dead, 9.4)
    told = same_gap(path, named("36-1"), time_s, (cam,), setup)  # type: ignore[arg-type]
    seen = {named("36-1").tooth_slots[i] for i in told.tooth}
    assert dead not in seen
    assert len(seen) == 34
    assert set(told.stride[1:]) <= {1, 2}


def test_without_described_cams_the_numbering_is_left_as_it_is() -> None:
    path, time_s, cam, _ = record(10, 9.4)
    same = same_gap(path, named("36-1"), time_s, (cam,), Setup())  # type: ignore[arg-type]
    assert np.array_equal(same.tooth, path.tooth)


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


def test_the_least_turn_of_a_ring_is_that_of_all_turns_compared() -> None:
    rng = np.random.default_rng(3)
    for _ in range(300):
        steps = rng.integers(1, 4, int(rng.integers(1, 12))).tolist()
        assert _least_turn(steps) == min(tuple(steps[k:] + steps[:k]) for k in range(len(steps)))
