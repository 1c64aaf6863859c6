"""Ripple that comes again with every compression, on edge times of an energy that all but runs out (no simulator)."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from tests.wheel.test_alignment import marks
from witnessmark.wheel import design, identify, layouts, ripple
from witnessmark.wheel.damage import align_marks
from witnessmark.wheel.lattice import Tempo
from witnessmark.wheel.model import Layout
from witnessmark.wheel.rhythm import Ripple
from witnessmark.wheel.weighing import Candidate, Tally


def stalling(layout: Layout, turns: int, cylinders: int, left: float = 0.02, seed: int = 5) -> NDArray[np.float64]:
    """Edge times at about 90 rpm with kinetic energy down to about ``left`` of its most at every compression.

    How much is left differs from one compression to the next, as charge and friction do.
    """
    rng = np.random.default_rng(seed)
    fine = np.arange(0.0, 360.0 * turns, 0.05)
    period = 720.0 / cylinders
    lows = left * rng.uniform(0.5, 2.0, int(360.0 * turns / period) + 2)
    low = np.interp(fine, period * np.arange(lows.size), lows)
    energy = low + (1.0 - low) * 0.5 * (1.0 - np.cos(2.0 * np.pi * (fine / period - 0.31)))
    clock = np.cumsum(0.05 / (900.0 * np.sqrt(energy)))
    angles = np.concatenate([np.asarray(layout.teeth_deg) + 360.0 * turn for turn in range(turns)])
    return np.interp(angles + rng.normal(0.0, 0.02, angles.size), fine, clock)


@pytest.mark.parametrize(
    ("slots", "missing", "cylinders"),
    [
        (24, 1, 4), (60, 2, 4), (36, 1, 6),
        pytest.param(32, 2, 4, marks=pytest.mark.slow), pytest.param(36, 2, 3, marks=pytest.mark.slow),
    ],
)  # fmt: skip
def test_a_wheel_is_told_through_stalls_by_what_comes_again(slots: int, missing: int, cylinders: int) -> None:
    time_s = stalling(layouts.single_gap(slots, missing), 7, cylinders)
    best = identify.compare(marks(time_s))[0]
    assert best.layout.name == f"{slots}-{missing}"
    assert best.tally.missed.sum() == 0
    assert not best.tally.extra_deg


def test_twelve_teeth_named_by_the_setup_are_believed_against_few_vanes() -> None:
    """Unnamed they are not: few vanes have any spacing, and so coarse a wheel shows little of the ripple."""
    named = layouts.regular("as in the setup", 12, (12,), source="setup")
    ranked = design._with_setup(identify.compare(marks(stalling(named, 7, 4)), [named]), named)
    assert ranked[0].layout.source == "setup"
    assert ranked[0].tally.missed.sum() == 0


def test_smoothness_alone_does_not_tell_it(monkeypatch: pytest.MonkeyPatch) -> None:
    """The check above would be idle if the wheels were told without the ripple."""
    monkeypatch.setattr(ripple, "explained", lambda candidates, windows: candidates)
    wrong = 0
    for seed in range(3):
        time_s = stalling(layouts.single_gap(24, 1), 7, 4, seed=seed)
        wrong += identify.compare(marks(time_s))[0].layout.name != "24-1"
    assert wrong >= 1


def test_the_period_learnt_is_the_one_between_compressions() -> None:
    time_s = stalling(layouts.single_gap(60, 2), 7, 4)
    best = next(c for c in identify.compare(marks(time_s)) if c.layout.name == "60-2")
    assert best.ripple is not None
    assert best.ripple.period_deg == pytest.approx(180.0)
    assert len(best.ripple.share) == 30
    # the crank is slowest at 0.31 periods after slot 1
    assert int(np.argmax(best.ripple.share)) in (8, 9)


def test_a_gap_is_no_dip_and_two_dips_are_no_period() -> None:
    """One step alone is long at a gap; towards a stall its neighbours are long too."""
    flat = np.zeros(18)
    gap, stall, two = flat.copy(), flat.copy(), flat.copy()
    gap[5] = 1.1
    stall[4:7] = (0.6, 1.8, 0.7)
    two[2:5] = two[11:14] = (0.6, 1.8, 0.7)
    assert not ripple._one_dip(gap)
    assert ripple._one_dip(stall)
    assert not ripple._one_dip(two)
    assert not ripple._one_dip(flat)


def test_teeth_stand_evened_where_they_would_pass_at_an_even_speed() -> None:
    share = Ripple(180.0, (0.1, 0.2, 0.3, 0.4), (0.0, 0.0, 0.1, 0.0))
    got = share.evened(np.array([0.0, 45.0, 90.0, 135.0, 180.0, 225.0, 360.0]))
    assert got == pytest.approx([0.0, 18.0, 54.0, 108.0, 180.0, 198.0, 360.0])
    rough = share.rough(np.arange(0.0, 360.0, 45.0), 360.0)
    assert rough[2, 1] == pytest.approx(0.1)  # a stride over just that step has its variance
    assert rough[1, 2] == pytest.approx(0.1 * 0.3**2 / 0.5**2)  # two steps: in the share of the time it takes
    assert rough[0, 1] == 0.0
    assert share.turns == 1
    assert Ripple(240.0, (0.5, 0.5), (0.0, 0.0)).turns == 2


def test_two_turns_that_meet_different_ripple_keep_their_order() -> None:
    """Three cylinders: every second turn is alike, and the path says which of the two a match is in."""
    layout = layouts.single_gap(36, 2)
    time_s = stalling(layout, 6, 3)
    found = next(c for c in identify.compare(marks(time_s)) if c.layout.name == "36-2")
    assert found.ripple is not None
    assert found.ripple.period_deg == pytest.approx(240.0)
    path = align_marks(marks(time_s), layout, Tempo(1e-5, 0.004), beam=80.0, ripple=found.ripple)
    assert path.turn is not None
    assert set(np.unique(path.turn)) == {0, 1}
    steps = np.diff(path.turn.astype(int) * 34 + path.tooth)
    assert np.all(steps % 68 == 1)


def _read(layout: Layout, score: float, source: str = "family") -> Candidate:
    n = len(layout.teeth_deg)
    tally = Tally(np.full(n, 7), np.zeros(n, np.int64), [])
    return Candidate(layout, Tempo(), score, score, 7.0, 200.0, 7 * n, tally)


def test_few_vanes_of_the_setup_stand_against_what_ripple_in_step_makes_of_them() -> None:
    named = layouts.unequal("as in the setup", (0.0, 70.0, 180.0, 250.0), source="setup")
    bent = layouts.unequal("4 unequal teeth", (0.0, 61.0, 180.0, 241.0), source="learnt")
    other = layouts.unequal("4 unequal teeth", (0.0, 40.0, 180.0, 220.0), source="learnt")
    assert design._with_setup([_read(bent, 60.0), _read(named, 0.0)], named)[0].layout is named
    assert design._with_setup([_read(other, 60.0), _read(named, 0.0)], named)[0].layout is other
