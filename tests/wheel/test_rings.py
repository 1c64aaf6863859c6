"""One ring of edges, several readings: rings compared exactly, priors decide, cams tell which gap was drawn."""

from __future__ import annotations

import numpy as np
import pytest

from tests.findings.made import line_of
from witnessmark.recording.setup import CamWheel, CrankWheel, Setup
from witnessmark.wheel import layouts
from witnessmark.wheel.damage import SOUND, Damage
from witnessmark.wheel.lattice import Path, Tempo
from witnessmark.wheel.model import Layout
from witnessmark.wheel.rings import _least_turn, ring_of, settled, with_filled
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
    assert ring_of(one, Damage(dead=((9, 0.4),))) is None  # there in most turns: no ring


def test_a_common_wheel_takes_the_better_alignment_of_its_ring() -> None:
    rare = candidate(layouts.even(36, prior=0.4), 1540.0, Damage(dead=((0, 0.97),)))
    out = settled([rare, candidate(named("36-1"), 1463.0)])
    assert out[0].layout.name == "36-1"
    assert out[0].likelihood > 1540.0  # the damage's price is taken off the alignment again


def test_unlike_rings_keep_their_own_scores() -> None:
    found = [candidate(named("60-2"), 900.0), candidate(named("36-2"), 880.0)]
    assert [c.score for c in settled(found)] == [c.score for c in found]


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


def test_the_least_turn_of_a_ring_is_that_of_all_turns_compared() -> None:
    rng = np.random.default_rng(3)
    for _ in range(300):
        steps = rng.integers(1, 4, int(rng.integers(1, 12))).tolist()
        assert _least_turn(steps) == min(tuple(steps[k:] + steps[:k]) for k in range(len(steps)))
