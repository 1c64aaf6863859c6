"""Commands on crank angle: which are due, which stay away, where all of them do."""

import numpy as np
import pytest

from witnessmark.engine.cadence import alone, period_deg, silences, skips_of, trains_of
from witnessmark.engine.model import Output, OutputEvent
from witnessmark.wheel.model import CrankAngle, Segment

RPM = 800.0
TURNS = 40


def angle() -> CrankAngle:
    deg = np.arange(0.0, 360.0 * TURNS + 1.0, 6.0)
    time = deg / (6.0 * RPM)
    return CrankAngle(time, deg, (Segment(0, len(deg), 0.0, float(time[-1]), float(TURNS)),))


def output(cylinder: int, at_deg: list[float], role: str = "coil") -> Output:
    ends = [a / (6.0 * RPM) for a in at_deg]
    events = tuple(OutputEvent(e - 0.003, e, None, None) for e in ends)
    return Output(f"{role} {cylinder}", role, cylinder, True, events)  # type: ignore[arg-type]


def every(first: float, period: float = 720.0, without: tuple[int, ...] = ()) -> list[float]:
    return [a for n, a in enumerate(np.arange(first, 360.0 * TURNS, period)) if n not in without]


@pytest.mark.parametrize("period", [720.0, 360.0])
def test_the_usual_distance_is_found_with_one_line_out_of_step(period: float) -> None:
    lines = [output(k + 1, every(100.0 + 90 * k, period)) for k in range(3)] + [
        output(4, every(50.0, 720.0, (3, 4, 9)))
    ]
    assert period_deg(trains_of(lines, angle())) == period


def test_exactly_the_missing_commands_are_missed() -> None:
    gone = (4, 5, 9)
    lines = [output(k + 1, every(100.0 + 180 * k, without=gone if k == 1 else ())) for k in range(4)]
    found = skips_of(lines, angle())
    assert [len(s.skipped_s) for s in found] == [0, 3, 0, 0]
    assert found[1].skipped_s * 6.0 * RPM == pytest.approx([280.0 + 720.0 * n for n in gone], abs=1.0)


def test_a_line_that_never_commands_is_missed_every_cycle() -> None:
    lines = [output(k + 1, every(100.0 + 180 * k) if k else []) for k in range(4)]
    dead = skips_of(lines, angle())[0]
    assert len(dead.skipped_s) == dead.due >= TURNS // 2 - 3


def test_where_all_stop_none_is_missed_and_the_silence_is_seen() -> None:
    lines = [output(k + 1, every(100.0 + 180 * k, without=(8, 9, 10))) for k in range(4)]
    assert [len(s.skipped_s) for s in skips_of(lines, angle())] == [0, 0, 0, 0]
    (silent,) = silences(lines, angle(), 600.0)
    assert silent.turned_deg == pytest.approx(3 * 720.0 + 180.0, abs=2.0)
    assert silent.rpm == pytest.approx(RPM, rel=0.01)


def test_commands_that_stay_away_at_one_moment_are_no_outputs_fault() -> None:
    coils = [output(k + 1, every(100.0 + 180 * k, without=(6,) if k < 2 else ())) for k in range(4)]
    found = skips_of(coils, angle())
    assert [len(s.skipped_s) for s in found] == [1, 1, 0, 0]
    assert [len(s.skipped_s) for s in alone(found)] == [0, 0, 0, 0]


def test_one_line_alone_cannot_be_judged() -> None:
    assert skips_of([output(1, every(100.0, without=(3, 4)))], angle()) == []


def test_several_pulses_for_one_charge_are_one_command() -> None:
    twice = sorted([*every(100.0), *every(130.0)])
    (rows,) = trains_of([output(1, twice)], angle())
    assert len(rows[0].deg) == len(every(100.0))


@pytest.mark.parametrize(("usual", "own"), [(360.0, 720.0), (720.0, 360.0)])
def test_a_line_with_a_period_of_its_own_skips_nothing(usual: float, own: float) -> None:
    """A wasted spark taken for an injection: every turn beside every cycle, always, is two kinds and no fault."""
    lines = [output(1, every(100.0, usual)), output(2, every(120.0, usual)), output(3, every(140.0, own))]
    assert [len(s.skipped_s) for s in skips_of(lines, angle())] == [0, 0, 0]
    assert [len(s.skipped_s) for s in skips_of(lines[1:], angle())] == [0, 0]
