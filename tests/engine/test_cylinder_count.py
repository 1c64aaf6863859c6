"""Number of cylinders: the ripple held against the lines, and when nothing is said. Ripples and lines are made up."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.engine.engine_bench import Bench
from tests.findings.made import Scene, gas_driven
from witnessmark.engine.count import Count
from witnessmark.engine.cylinders import _four_stroke, _two_stroke, find
from witnessmark.engine.facts import facts_from
from witnessmark.engine.tracks import Alignment, Track
from witnessmark.recording.setup import Engine, Setup
from witnessmark.wheel.firing import PATTERNS, Firing, Pattern

CAM = "a cam line repeats every second turn"


def ripple(n: int, even: bool = True) -> Firing:
    pattern = next(p for p in PATTERNS if p.cylinders == n and p.even == even)
    return Firing(pattern, f"{n} compressions", (), 0.02, 0.5, 8)


def line(role: str, every_deg: float, first_deg: float = 0.0, cylinder: int | None = None) -> Track:
    rising = np.array([True, False])
    made = Bench.at_speed([(0.0, 200.0), (4.0, 200.0)]).two_level(f"{role} {cylinder}", role, np.arange(2.0), rising)
    angle = first_deg + every_deg * np.arange(12.0)
    mine = replace(made.lines[-1], cylinder=cylinder)
    return Track(mine, angle / 1200.0, angle, np.zeros(12, np.int64), np.ones(12, np.int64), np.ones(12, np.bool_))


@pytest.mark.parametrize("n", [1, 3, 4, 5, 6, 8, 10, 12])
def test_the_ripple_alone_counts_a_four_stroke_engine_and_says_what_it_takes_for_granted(n: int) -> None:
    count = _four_stroke(ripple(n), "", ())
    assert (count.cylinders, count.source) == (n, "inferred")
    assert ("taken for a four-stroke" in count.because) == (n % 2 == 0)
    assert count.certainty == pytest.approx(0.95 if n % 2 else 0.95 * 0.92)


def test_two_compressions_in_two_turns_are_a_twin_only_where_something_comes_once_in_two_turns() -> None:
    assert _four_stroke(ripple(2), "", ()).cylinders is None
    assert _four_stroke(ripple(2), CAM, ()).cylinders == 2


def test_outputs_in_every_turn_leave_a_two_stroke_engine_open() -> None:
    coils = [line("coil", 360.0, 0.0, 1), line("coil", 360.0, 180.0, 2)]
    assert _four_stroke(ripple(4), "", coils).cylinders is None
    assert _four_stroke(ripple(4), CAM, coils).cylinders == 4


def test_lines_confirm_the_number_or_put_it_in_doubt() -> None:
    coils = [line("coil", 720.0, 180.0 * k, k + 1) for k in range(4)]
    assert _four_stroke(ripple(4), CAM, coils).certainty == pytest.approx(0.98)
    assert _four_stroke(ripple(3), CAM, coils).cylinders is None
    assert _four_stroke(ripple(4), CAM, [line("coil", 720.0, 0.0, 6)]).cylinders is None


def test_one_coil_for_all_counts_by_itself_only_where_the_cycle_is_known() -> None:
    unclear = Firing(None, "the speed does not ripple")
    assert _four_stroke(unclear, CAM, [line("coil", 180.0)]).cylinders == 4
    assert _four_stroke(unclear, "", [line("coil", 180.0)]).cylinders is None
    assert _four_stroke(ripple(6), CAM, [line("coil", 180.0)]).cylinders is None
    assert _four_stroke(ripple(4), CAM, [line("coil", 180.0)]).certainty == pytest.approx(0.98)


def test_a_two_stroke_engine_by_the_setup_has_half_as_many() -> None:
    assert _two_stroke(ripple(4)).cylinders == 2
    assert _two_stroke(ripple(3)).cylinders is None


@pytest.mark.parametrize(
    ("n", "deg"), [(1, 720), (2, 360), (3, 240), (4, 180), (5, 144), (6, 120), (8, 180), (12, 120), (0, 360)]
)
def test_speed_is_averaged_over_whole_events(n: int, deg: float) -> None:
    angles = tuple(720.0 / n * k for k in range(n)) if n else ()
    assert Count(n, "setup", 1.0, "", angles).window_deg == pytest.approx(deg)


def test_speed_is_averaged_over_whole_repeats_of_uneven_firing() -> None:
    assert Count(6, "setup", 1.0, "", (0.0, 90.0, 240.0, 330.0, 480.0, 570.0)).window_deg == pytest.approx(240.0)
    assert Count(2, "setup", 1.0, "", (0.0, 270.0)).window_deg == pytest.approx(720.0)


def test_the_setup_is_not_doubted_and_its_pattern_is_placed_in_the_ripple() -> None:
    setup = Setup(engine=Engine(cylinders=2, firing_order=(1, 2), firing_angles_deg=(0.0, 270.0)))
    when = gas_driven([1.0, 1.0], 240.0, False, (0.0, 270.0))
    wheel = Scene(sensor="hall", turns=13, when=when, setup_cylinders=2).made().wheel
    count = find(facts_from(setup), wheel, Alignment((0,), False, ""), ())
    assert (count.cylinders, count.certainty, count.of_even) == (2, 1.0, None)
    assert count.places[0].tdc_deg == pytest.approx(97.0, abs=8.0)
    assert Pattern(2, count.firing_deg).even is False
