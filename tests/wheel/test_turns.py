"""How long a turn is: told by cams and outputs, each line for itself, and by the other edges of the same teeth."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.findings.made import line_of
from tests.wheel.test_rings import candidate, named
from witnessmark.signals.model import GLITCH
from witnessmark.wheel import layouts, turns
from witnessmark.wheel.damage import align_marks
from witnessmark.wheel.lattice import Path, Tempo
from witnessmark.wheel.marks import Marks, marks_of
from witnessmark.wheel.model import Layout
from witnessmark.wheel.turns import by_cycle, by_other_edges

TURNS = 20


def marks(layout: Layout) -> Marks:
    """The teeth at 200 rpm."""
    angle = np.concatenate([np.asarray(layout.teeth_deg) + 360.0 * t for t in range(TURNS)])
    zero = np.zeros(angle.size)
    return Marks(np.arange(angle.size), angle / 1200.0, zero, zero, zero * np.nan, 1e-6)


def cam(name: str, edges_deg: tuple[float, ...]):  # type: ignore[no-untyped-def]
    return line_of(name, "cam", [(a + 720.0 * k) / 1200.0 for k in range(TURNS // 2) for a in edges_deg])


HALF = cam("half", (20.0, 80.0, 380.0, 440.0))  # the same in either turn
WHOLE = cam("whole", (50.0, 130.0, 250.0, 300.0, 470.0, 520.0))


def weighed(*lines) -> dict[str, float]:  # type: ignore[no-untyped-def]
    """What the lines add to a wheel of two gaps and to the one with half its teeth."""
    both = [candidate(named("30-2"), 300.0, turns=2.0 * TURNS), candidate(named("60-2-2"), 300.0, turns=TURNS)]
    at = marks(named("60-2-2"))
    for c in both:
        assert align_marks(at, c.layout, Tempo()).edge.size == at.time_s.size  # the same edges fit both
    out = by_cycle(at, both, lines)
    return {c.layout.name: c.score - before.score for before in both for c in out if c.layout is before.layout}


def test_a_cam_that_tells_the_turns_apart_is_not_outvoted_by_one_that_does_not() -> None:
    said = weighed(HALF, WHOLE)
    assert said["60-2-2"] - said["30-2"] >= 20.0
    alone = weighed(HALF)
    assert alone["30-2"] > alone["60-2-2"]  # for want of another the shorter turn is the likelier


def test_a_path_that_leaves_most_edges_out_says_nothing_of_the_turn(monkeypatch: pytest.MonkeyPatch) -> None:
    """Over a whole record a tempo may take one edge of three: then it counts other turns than were weighed."""
    wheel, third = layouts.even(36), layouts.even(12)
    at = marks(wheel)
    edge = np.arange(0, at.time_s.size, 3)
    stride = np.where(edge > 0, 1, 0).astype(np.int32)
    sparse = Path(edge, (edge // 3 % 12).astype(np.int32), stride, stride == 0, np.zeros(edge.size), 0.0)
    monkeypatch.setattr(
        turns, "align_marks", lambda m, lay, *_, **__: sparse if lay is third else align_marks(m, lay, Tempo())
    )
    both = [candidate(wheel, 300.0, turns=TURNS), candidate(third, 300.0, turns=3.0 * TURNS)]
    out = {c.layout.name: c.score - 300.0 - np.log(c.layout.prior) for c in by_cycle(at, both, (WHOLE,))}
    assert out["36 even"] >= 12.0
    assert out["12 even"] == pytest.approx(0.0)


def test_the_other_edges_of_the_teeth_speak_for_the_turn_they_fit() -> None:
    ranked = [candidate(named("4 vanes"), 520.0, turns=60.0), candidate(named("12+1"), 500.0, turns=20.0)]
    other = [candidate(named("12+1"), 500.0, turns=20.0), candidate(named("4 vanes"), 320.0, turns=60.0)]
    out = by_other_edges(ranked, other)
    assert out[0].layout.name == "12+1"
    assert out[0].score - out[1].score == pytest.approx((ranked[1].score - ranked[0].score) + 20.0)
    assert by_other_edges(ranked, []) == ranked


def test_narrow_valleys_that_come_in_every_turn_are_no_noise() -> None:
    """Between two teeth close together (12+1) the line is low for a moment only, after every thirteenth tooth."""
    metal = np.sort(np.r_[np.arange(13.0 * TURNS), np.arange(13.0 * TURNS) + 0.3]) / 40.0
    first = np.flatnonzero(np.arange(metal.size) % 26 == 4)
    close = metal.copy()
    close[first[:, None] + [0, 1]] -= 0.68 / 40.0  # a whole tooth right behind the one before it
    line = line_of("crank", "crank", close)
    label = line.edges.label.copy()
    label[first - 1] = label[first] = GLITCH
    regular = replace(line, edges=replace(line.edges, label=label))
    assert not marks_of(regular, False).extra_cost.any()
    assert not marks_of(regular, True).extra_cost.any()
    guest = np.sort(np.r_[metal, metal[first] - 0.4 / 40.0, metal[first] - 0.3 / 40.0])  # a sliver in the valley
    strange = line_of("crank", "crank", guest)
    narrow = strange.edges.label.copy()
    narrow[first + 2 * np.arange(first.size)] = narrow[first + 2 * np.arange(first.size) + 1] = GLITCH
    strange = replace(strange, edges=replace(strange.edges, label=narrow))
    assert marks_of(strange, False).extra_cost.any()
    stray = label * 0
    stray[[7, 31, 101, 133, 203, 321, 457]] = GLITCH
    noisy = replace(line, edges=replace(line.edges, label=stray))
    assert np.count_nonzero(marks_of(noisy, False).extra_cost) == 7


def test_an_edge_at_power_up_is_no_tooth() -> None:
    """A two-level sensor takes its level as the key is turned; the crank moves 0.4 s later."""
    teeth = np.arange(400) / 200.0
    late = marks_of(line_of("crank", "crank", np.r_[0.1, 0.5 + teeth]), True)
    assert late.time_s[0] == pytest.approx(0.5 + 1 / 200.0)  # rising edges are every second one
    assert marks_of(line_of("crank", "crank", 0.5 + teeth), True).time_s.size == 200
    stalling = np.r_[0.1, 0.16, 0.4, 0.55 + np.arange(300) / 20.0]  # slow all along: no power-up
    assert marks_of(line_of("crank", "crank", stalling), False).time_s.size == 151
