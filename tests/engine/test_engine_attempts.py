"""Start attempts and timeline on made speeds with known moments."""

import numpy as np
import pytest
from engine_bench import Bench

from witnessmark.engine.attempts import held
from witnessmark.engine.examine import examine
from witnessmark.engine.model import EngineResult
from witnessmark.engine.sync import first_regular
from witnessmark.recording.setup import Setup

ENGINE = {"cylinders": 4, "firing_order": (1, 3, 4, 2), "ignition": "coil-per-cylinder"}
SETUP = Setup.model_validate({"engine": ENGINE, "crank_wheel": {"slots": 60, "missing": (59, 60), "tdc_slot": 9.0}})
NO_TDC = Setup.model_validate({"engine": ENGINE})
# standing, to 200 rpm within 0.1 s, cranking, first fire at 3.0, 450 rpm at 3.125, idle at 800
START = [(0, 0), (1.0, 0), (1.1, 200), (3.0, 200), (3.3, 800), (6.0, 800)]
# standing, cranking, starter let go at 3.0, stands at 3.4
FAILED = [(0, 0), (1.0, 0), (1.1, 200), (3.0, 200), (3.4, 0), (5.0, 0)]


def run(bench: Bench, motions: list[tuple[float, float]], setup: Setup = SETUP, **more: object) -> EngineResult:
    return examine(bench.signals(), bench.wheel(motions, **more), setup, bench.recording())  # type: ignore[arg-type]


def test_a_start_with_all_its_moments() -> None:
    bench = Bench.at_speed(START, 40.0)
    at = bench.angles(-8.0)
    at = at[bench.when(at) > 1.9]
    fuel = bench.when(bench.angles(350.0))
    fuel = fuel[fuel > 1.6]
    bench.sparks(at).pulses("injector 1", "injector", fuel, fuel + 0.012)
    result = run(bench, [(1.0, 6.0)])
    (a,), line = result.attempts, result.timeline
    spark_s = float(bench.when(at)[0])
    assert line.motion_s == 1.0
    assert line.first_spark_s == pytest.approx(spark_s)
    assert line.sync_s == pytest.approx(spark_s)
    assert line.first_fuel_s == pytest.approx(fuel[0])
    assert line.running_s == pytest.approx(3.125, abs=0.05)
    assert a.started
    # worked: turns = integral of rpm/60 to the spark; 0.1 s of ramp counts half
    assert line.turns_to_sync == pytest.approx((0.05 + spark_s - 1.1) * 200 / 60, abs=0.02)
    assert line.cranking_rpm == pytest.approx(200 * (0.05 + 1.9) / 2.0, rel=0.02)
    assert line.running_rpm == pytest.approx(800, abs=2)
    assert line.turns == pytest.approx((np.interp(6, bench.time_s, bench.theta_deg) - 40) / 360, abs=0.05)
    assert line.end_s is None  # still turning when the record ends
    assert a.first_firing_s == pytest.approx(3.0, abs=0.08)
    assert (a.sparks, a.injections) == (len(at), len(fuel))


def test_run_down_belongs_to_the_attempt_but_is_not_cranking() -> None:
    bench = Bench.at_speed(FAILED)
    result = run(bench, [(1.0, 3.4)])
    (a,) = result.attempts
    assert not a.started
    assert a.running_s is None
    assert a.cranking_end_s == pytest.approx(3.0, abs=0.12)
    assert a.cranking_rpm == pytest.approx(195, rel=0.02)
    assert a.end_s == result.timeline.end_s == 3.4
    assert a.turns == pytest.approx((0.05 + 1.9 + 0.2) * 200 / 60, abs=0.1)
    assert (a.sparks, a.injections, a.first_spark_s, a.sync_s) == (None, None, None, None)


def test_starter_current_says_when_cranking_ends() -> None:
    bench = Bench.at_speed([(0, 0), (1.0, 0), (1.1, 200), (3.0, 200), (5.0, 0), (6.0, 0)])  # a long run-down
    amps = np.where((bench.time_s > 0.95) & (bench.time_s < 2.6), 180.0, 0.0)
    amps = np.where((bench.time_s > 0.95) & (bench.time_s < 1.0), 600.0, amps)
    bench.analog("starter", "starter-current", amps, "A")
    (a,) = run(bench, [(1.0, 5.0)]).attempts
    assert a.cranking_end_s == pytest.approx(2.6, abs=0.03)
    assert a.starter_current_a == pytest.approx(180, rel=0.02)
    assert a.inrush_a == pytest.approx(600, rel=0.05)


def test_three_attempts_with_rock_back_between() -> None:
    profile = [(0, 0)]
    for t0 in (1.0, 6.0, 11.0):
        profile += [(t0, 0), (t0 + 0.1, 200), (t0 + 2, 200), (t0 + 2.4, 0)]
    profile[-2:] = [(13.0, 200), (13.3, 800)]
    bench = Bench.at_speed([*profile, (17, 800)])
    wheel = bench.wheel([(1.0, 3.4), (6.0, 8.4), (11.0, 17.0)])
    from dataclasses import replace

    from witnessmark.wheel.model import Motion

    rocking = (Motion(3.45, 3.7, True), Motion(3.75, 3.9), Motion(8.45, 8.6, True))
    wheel = replace(wheel, motions=tuple(sorted((*wheel.motions, *rocking), key=lambda m: m.start_s)))
    result = examine(bench.signals(), wheel, SETUP, bench.recording())
    assert [a.start_s for a in result.attempts] == [1.0, 6.0, 11.0]
    assert [a.end_s for a in result.attempts] == [3.9, 8.6, 17.0]
    assert [a.started for a in result.attempts] == [False, False, True]
    assert [round(a.cranking_rpm or 0) for a in result.attempts] == pytest.approx([195] * 3, abs=4)
    assert result.timeline.motion_s == 11.0


def test_a_hesitation_on_compression_is_one_attempt() -> None:
    bench = Bench.at_speed(
        [(0, 0), (1, 0), (1.1, 150), (2, 150), (2.05, 0), (2.2, 0), (2.3, 150), (4, 150), (4.3, 0), (5, 0)]
    )
    assert len(run(bench, [(1.0, 2.05), (2.2, 4.3)]).attempts) == 1


def test_a_crank_that_hangs_on_a_compression_while_the_starter_pulls_is_one_attempt() -> None:
    bench = Bench.at_speed(
        [(0, 0), (1, 0), (1.05, 60), (1.15, 60), (1.2, 0), (1.8, 0), (1.9, 150), (4, 150), (4.3, 0), (5, 0)]
    )
    amps = np.where((bench.time_s > 0.98) & (bench.time_s < 4.0), 300.0, 0.0)
    assert len(run(bench, [(1.0, 1.2), (1.8, 4.3)]).attempts) == 1  # what little moved first is not called an attempt
    bench.analog("starter", "starter-current", amps, "A")
    (a,) = run(bench, [(1.0, 1.2), (1.8, 4.3)]).attempts
    assert (a.start_s, a.end_s) == (1.0, 4.3)


def test_a_record_that_starts_running_is_no_attempt_and_has_no_first_events() -> None:
    bench = Bench.at_speed([(0, 800), (4, 800)])
    bench.sparks(bench.angles(-10.0))
    result = run(bench, [(0.001, 4)])
    assert result.attempts == ()
    line = result.timeline
    nothing = (line.motion_s, line.first_spark_s, line.sync_s, line.running_s, line.turns_to_sync, line.cranking_rpm)
    assert nothing == (None,) * 6
    assert line.running_rpm == pytest.approx(800, abs=1)
    assert line.turns == pytest.approx(4 * 800 / 60, abs=0.1)


def test_a_record_that_joins_cranking_has_no_motion_but_cranking_speed() -> None:
    bench = Bench.at_speed([(0, 200), (3, 200), (3.3, 800), (6, 800)])
    at = bench.angles(-8.0)
    bench.sparks(at[bench.when(at) > 1.5])
    result = run(bench, [(0.002, 6)])
    line = result.timeline
    assert line.motion_s is None
    assert line.turns_to_sync is None
    assert line.cranking_rpm == pytest.approx(200, rel=0.02)
    assert line.running_s == pytest.approx(3.125, abs=0.06)
    assert line.first_spark_s == pytest.approx(float(bench.when(at[bench.when(at) > 1.5])[0]))
    assert len(result.attempts) == 1


def test_running_then_stopped_then_started() -> None:
    bench = Bench.at_speed([(0, 800), (2, 800), (2.5, 0), (4, 0), (4.1, 200), (6, 200), (6.3, 800), (8, 800)])
    result = run(bench, [(0.001, 2.5), (4.0, 8.0)])
    assert [a.start_s for a in result.attempts] == [4.0]
    assert result.timeline.motion_s == 4.0


def test_a_loss_within_cranking_does_not_hide_turns() -> None:
    bench = Bench.at_speed(FAILED)
    whole = run(bench, [(1.0, 3.4)]).attempts[0]
    holed = run(bench, [(1.0, 3.4)], lost=[(1.8, 2.1)]).attempts[0]
    assert holed.turns == pytest.approx(whole.turns, abs=0.05)
    assert holed.cranking_rpm == pytest.approx(whole.cranking_rpm, rel=0.02)


def test_without_a_decodable_wheel_the_motion_is_an_attempt_of_unknown_speed() -> None:
    bench = Bench.at_speed(START)
    bench.sparks(bench.angles(-8.0)[2:])
    (a,) = run(bench, [(1.0, 6.0)], layout=None).attempts
    assert (a.start_s, a.cranking_rpm, a.turns_to_sync, a.sync_s, a.running_rpm) == (1.0, None, None, None, None)
    assert not a.started
    assert a.first_spark_s is not None


def test_a_dead_crank_line_leaves_the_attempt_to_current_cam_and_battery() -> None:
    on = [(1.0, 3.0), (6.0, 8.0)]

    def volts(t: np.ndarray) -> np.ndarray:
        v = np.full(len(t), 12.5)
        for a, b in on:
            v[(t >= a) & (t < b)] = 10.4
            v[(t >= a) & (t < a + 0.04)] = 8.0
        return v

    bench = Bench.at_speed(
        [(0, 0), (1, 0), (1.1, 200), (3, 200), (3.3, 0), (6, 0), (6.1, 200), (8, 200), (8.3, 0), (10, 0)]
    )
    amps = (12.5 - volts(bench.time_s)) * 80
    by_current = Bench(bench.time_s, bench.theta_deg).analog("starter", "starter-current", amps, "A")
    by_battery = Bench(bench.time_s, bench.theta_deg).analog("battery", "battery", volts(bench.time_s))
    by_cam = Bench(bench.time_s, bench.theta_deg).cam()
    for made, seen, slack in (
        (by_current, "starter-current", 0.05),
        (by_battery, "battery", 0.05),
        (by_cam, "cam", 0.7),
    ):
        result = run(made, [], layout=None)
        assert [a.seen_on for a in result.attempts] == [seen] * 2
        assert [a.start_s for a in result.attempts] == pytest.approx([1.0, 6.0], abs=slack)
        assert all(a.cranking_rpm is None for a in result.attempts)


def test_a_load_on_the_battery_and_a_line_that_rises_at_key_on_are_no_attempt() -> None:
    bench = Bench.at_speed([(0, 0), (10, 0)])
    v = np.where((bench.time_s > 2) & (bench.time_s < 6), 12.0, 12.6)  # lamps
    bench.analog("battery", "battery", v)
    bench.two_level("cam", "cam", np.array([2.0, 9.0]), np.array([True, False]))
    result = run(bench, [], layout=None)
    assert result.attempts == ()
    assert result.timeline.motion_s is None


def test_battery_at_rest_in_the_notch_and_cranking() -> None:
    bench = Bench.at_speed(FAILED)
    t = bench.time_s
    v = np.where((t >= 0.95) & (t < 3.0), 10.2, 12.6)
    v = np.where((t >= 0.95) & (t < 0.99), 8.1, v)
    bench.analog("battery", "battery", v)
    (a,) = run(bench, [(1.0, 3.4)]).attempts
    assert a.battery_rest_v == pytest.approx(12.6, abs=0.01)
    assert a.battery_min_v == pytest.approx(8.1, abs=0.05)
    assert a.battery_cranking_v == pytest.approx(10.2, abs=0.12)


def test_speed_swings_within_events_are_measured() -> None:
    t = np.arange(0, 5, 1e-4)
    theta = np.concatenate(([0.0], np.cumsum(np.full(len(t) - 1, 200 * 6 * 1e-4))))
    theta += 18.0 * np.sin(np.radians(2 * theta))  # two events a turn: +-62.8 per cent of 200 rpm
    result = run(Bench(t, theta), [(0.0, 5)], NO_TDC)
    (a,) = result.attempts
    assert a.cranking_rpm_max == pytest.approx(200 * 1.628, rel=0.06)
    assert a.cranking_rpm_min == pytest.approx(200 * 0.372, rel=0.15)
    assert a.cranking_rpm == pytest.approx(200, rel=0.02)


def test_sparks_without_phase_are_synchronised_from_where_they_stay_regular() -> None:
    bench = Bench.at_speed([(0, 0), (1, 0), (1.1, 200), (9, 200)], 40.0)
    steady = bench.angles(-8.0)
    steady = steady[bench.when(steady) > 5.0]
    early = np.array([500.0, 930.0, 1180.0, 2100.0])  # bursts at random angles
    bench.sparks(np.concatenate([early, steady]), cylinder=None)
    line = run(bench, [(1.0, 9)], NO_TDC).timeline
    assert line.first_spark_s == pytest.approx(float(bench.when(500.0)))
    assert line.sync_s == pytest.approx(float(bench.when(steady[0])))


def test_with_phase_a_spark_far_from_tdc_is_not_synchronised() -> None:
    bench = Bench.at_speed([(0, 0), (1, 0), (1.1, 200), (9, 200)], 40.0)
    steady = bench.angles(-8.0)
    steady = steady[bench.when(steady) > 4.0]
    bench.sparks(np.concatenate([[400.0, 1000.0], steady]))
    line = run(bench, [(1.0, 9)]).timeline
    assert line.first_spark_s == pytest.approx(float(bench.when(400.0)))
    assert line.sync_s == pytest.approx(float(bench.when(steady[0])))


@pytest.mark.parametrize(
    ("turns", "first"),
    [
        ([0.1, 2.1, 4.1, 6.1], 0),
        ([0.0, 0.7, 1.9, 3.9, 5.9, 7.9], 2),
        ([0.0, 2.0, 6.0, 8.0, 10.0, 12.0], 0),  # one spark left out
        ([0, 1, 2, 3, 4], 0),
        ([0, 0.4, 1.1, 1.5], None),
        ([0, 2], None),
    ],
)
def test_first_regular_spark(turns: list[float], first: int | None) -> None:
    assert first_regular(np.asarray(turns, dtype=float)) == first


def test_held_needs_the_whole_time() -> None:
    t = np.arange(0, 2, 0.005)
    rpm = np.where((t >= 0.5) & (t < 0.8), 600.0, 200.0)
    assert held(t, rpm, 450, 0.4) is None
    rpm = np.where(t >= 1.2, 600.0, rpm)
    assert held(t, rpm, 450, 0.4) == pytest.approx(1.2)


def test_cylinders_are_not_guessed_from_a_smooth_speed() -> None:
    assert run(Bench.at_speed([(0, 200), (8, 200)]), [(0.0, 8)], Setup()).cylinders is None


def test_nothing_at_all() -> None:
    bench = Bench.at_speed([(0, 0), (2, 0)])
    result = run(bench, [], Setup(), layout=None)
    assert result.attempts == ()
    assert (result.timeline.turns, result.timeline.end_s, result.cylinders) == (0.0, None, None)
    assert not result.phase.known
