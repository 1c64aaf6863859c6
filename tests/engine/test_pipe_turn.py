"""The firing turn by pulses in intake and exhaust pipes.

Waves are written down here as sums of bells; whole records come from the project's own simulator (simulated truth).
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from tests.findings.test_pressures import analysed, made
from witnessmark.engine.count import Count
from witnessmark.engine.pipe_turn import ALIKE, MIDDLE_DEG, PipeTurn, tell
from witnessmark.engine.unroll import cycle_deg

TDC = 84.0
# Firing TDCs by cylinder: even thirds and fifths, twins and sixes on shared pins (memory: common layouts).
LAYOUTS: dict[str, tuple[float, ...]] = {
    "single": (0.0,),
    "three": (0.0, 480.0, 240.0),
    "five": (0.0, 144.0, 576.0, 288.0, 432.0),
    "twin, 270 and 450": (0.0, 270.0),
    "six, 90 and 150": (0.0, 240.0, 480.0, 90.0, 330.0, 570.0),
}
FOUR = (0.0, 540.0, 180.0, 360.0)  # 1-3-4-2


def wave(
    firing: tuple[float, ...], turn: int, delay: float = 12.0, role: str = "exhaust-pressure", heights: Any = None,
    cycles: int = 10, noise: float = 0.02, width: float = 32.0,
) -> np.ndarray:  # fmt: skip
    """[cycles, cells]: blow-downs about the bottom of the expansion, draws in the middle of the intake stroke."""
    at = 175.0 if role == "exhaust-pressure" else 450.0
    sign = 1.0 if role == "exhaust-pressure" else -1.0
    rng = np.random.default_rng(3)
    out = np.zeros(len(MIDDLE_DEG))
    for k, deg in enumerate(firing):
        off = np.mod(MIDDLE_DEG - TDC - 360.0 * turn - deg - at - delay + 360.0, 720.0) - 360.0
        out += (1.0 if heights is None else heights[k]) * sign * np.exp(-0.5 * (off / width) ** 2)
    return np.asarray(out - out.mean() + noise * rng.standard_normal((cycles, len(out))))


def told(rows: np.ndarray, firing: tuple[float, ...], role: str = "exhaust-pressure", codes: Any = ()) -> PipeTurn:
    by = {c + 1: deg for c, deg in enumerate(firing)}
    count = Count(len(firing), "setup", 1.0, "", tuple(sorted(firing)))
    return tell("pipe", role, rows, count, by, TDC, codes)


@pytest.mark.parametrize(("turn", "role"), [(0, "exhaust-pressure"), (1, "intake-pressure")])
@pytest.mark.parametrize("layout", LAYOUTS)
def test_pulses_at_uneven_places_tell_the_turn(layout: str, turn: int, role: str) -> None:
    got = told(wave(LAYOUTS[layout], turn, role=role), LAYOUTS[layout], role)
    if layout == "five" and got.turn is None:
        return  # the two readings lie 72 degrees apart: not always enough
    assert got.turn == turn
    assert got.certainty >= 0.95


@pytest.mark.slow
@pytest.mark.parametrize("delay", [-60.0, -30.0, 0.0, 30.0, 60.0])
@pytest.mark.parametrize("layout", LAYOUTS)
def test_whatever_the_delay_the_turn_is_right_or_open(layout: str, delay: float) -> None:
    """Beyond half the way to the other reading (72 degrees of five cylinders, 120 of three) no pulse can tell."""
    for turn in (0, 1):
        got = told(wave(LAYOUTS[layout], turn, delay), LAYOUTS[layout])
        if layout == "five" and abs(delay) > 30.0:
            continue
        assert got.turn in (turn, None), got
        if layout in ("single", "twin, 270 and 450"):
            assert got.turn == turn


def test_a_weak_cylinder_does_not_hide_the_turn() -> None:
    assert told(wave(LAYOUTS["three"], 1, heights=(1.0, 0.4, 1.0)), LAYOUTS["three"]).turn == 1


def test_pulses_all_alike_tell_nothing() -> None:
    got = told(wave(FOUR, 0), FOUR, codes=("P0303",))
    assert (got.turn, got.because) == (None, ALIKE)


@pytest.mark.parametrize("turn", [0, 1])
def test_one_unlike_pulse_on_even_firing_needs_a_name(turn: int) -> None:
    rows = wave(FOUR, turn, heights=(1.0, 1.0, 0.5, 1.0))  # cylinder 3, and 2 fires a turn from it
    bare = told(rows, FOUR)
    assert bare.turn is None
    assert "whose it is depends on the turn" in bare.because
    named = told(rows, FOUR, codes=("P0303",))
    assert (named.turn, named.certainty) == (turn, pytest.approx(0.7))
    assert told(rows, FOUR, codes=("P0301",)).turn is None
    assert told(rows, FOUR, codes=("P0303", "P0302")).turn is None


def test_noise_and_few_cycles_tell_nothing() -> None:
    rng = np.random.default_rng(1)
    assert told(rng.standard_normal((10, 120)), LAYOUTS["three"]).turn is None
    assert told(wave(LAYOUTS["three"], 0, cycles=3), LAYOUTS["three"]).turn is None


def test_an_uneven_engine_whose_cylinder_1_is_not_known_is_left_open() -> None:
    count = Count(2, "inferred", 0.9, "", LAYOUTS["twin, 270 and 450"])
    assert tell("pipe", "exhaust-pressure", wave((0.0, 270.0), 0), count, {1: 0.0}, TDC).turn is None


TWIN = {"cylinders": 2, "firing_order": [1, 2], "firing_angles_deg": [0.0, 270.0], "inertia_kg_m2": 0.14}


@pytest.mark.parametrize(
    ("engine", "turn"), [(TWIN, True), pytest.param({"cylinders": 4}, False, marks=pytest.mark.slow)]
)
def test_a_whole_record_without_cam_or_coil(engine: dict[str, Any], turn: bool) -> None:
    """Running at 1500 rpm, crank and exhaust pressure only; the ripple of cranking is not in the record."""
    running = {"initial": "running", "targets": [[0.0, 1500.0]]}
    record = {"running": running, "control": {}, "duration_s": 2.5}
    got, one = analysed(made(role="exhaust-pressure", engine=engine, **record))
    phase = got.engine.phase
    assert phase.known
    assert phase.turn_known == turn
    asked = [n for n in got.findings.not_assessed if "two turns" in n.question]
    assert bool(asked) != turn
    if turn:
        assert phase.turn_source == "pulses"
        t = np.linspace(0.5, 2.0, 9)
        off = cycle_deg(got.wheel.angle, phase, t) - np.interp(t, one.run.time_s, one.run.theta_deg)
        assert np.all(np.abs((off + 360.0) % 720.0 - 360.0) < 2.0)
