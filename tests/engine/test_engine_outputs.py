"""Commands on coil and injector lines: polarity, glitches, angles."""

from dataclasses import replace

import numpy as np
import pytest
from engine_bench import Bench

from witnessmark.engine.examine import examine
from witnessmark.engine.outputs import commands_of_current, commands_of_edges
from witnessmark.recording.setup import Setup

CRANKING = [(0.0, 200.0), (5.0, 200.0)]


def setup(**wheel: object) -> Setup:
    return Setup.model_validate(
        {
            "engine": {"cylinders": 4, "firing_order": (1, 3, 4, 2), "ignition": "coil-per-cylinder"},
            "crank_wheel": {"slots": 60, "missing": (59, 60), "tdc_slot": 9.0} | wheel,
        }
    )


@pytest.mark.parametrize("active_high", [True, False])
@pytest.mark.parametrize("rpm", [200.0, 3000.0])
def test_dwell_and_spark_are_found_whichever_level_commands(active_high: bool, rpm: float) -> None:
    bench = Bench.at_speed([(0, rpm), (5, rpm)])
    at = bench.angles(-8.0)[1:]
    bench.sparks(at, 0.003, active_high=active_high)
    result = examine(bench.signals(), bench.wheel([(0, 5)]), setup(), bench.recording())
    (coil,) = result.outputs
    assert coil.active_high is active_high
    assert len(coil.events) == len(at)
    assert [e.end_s - e.start_s for e in coil.events] == pytest.approx([0.003] * len(at))
    known = [e.end_deg for e in coil.events if e.end_deg is not None]
    assert len(known) >= len(at) - 1
    assert known == pytest.approx([712.0] * len(known), abs=0.05)
    # 3 ms before, at 6 rpm degrees a second
    assert [e.start_deg for e in coil.events[1:-1]] == pytest.approx([712 - 0.018 * rpm] * (len(at) - 2), abs=0.05)


def test_duty_near_half_is_decided_by_the_steadier_level() -> None:
    bench = Bench.at_speed([(0, 3000.0), (2, 6500.0), (4, 3000.0)])
    at = bench.angles(-20.0, 360.0)[1:]  # wasted spark: one dwell a turn, 5 ms of 9 to 20 ms
    bench.sparks(at, 0.005, active_high=False)
    commands = commands_of_edges(bench.lines[0], bench.lines[0].edges, "coil")
    assert not commands.active_high
    assert len(commands.start_s) == len(at)


def test_glitches_key_on_and_a_line_cut_by_the_record_are_no_commands() -> None:
    bench = Bench.at_speed(CRANKING)
    end = bench.when(bench.angles(-8.0)[1:])
    start = end - 0.003
    noise = np.array([0.51, 1.3, 2.7])
    # low until key-on at 0.2 s, then high with low dwells, spikes of 40 us down
    t = np.concatenate([[0.2], start, end, noise, noise + 40e-6])
    up = np.concatenate([[True], start * 0 == 1, end * 0 == 0, noise * 0 == 1, noise * 0 == 0])
    bench.two_level("coil 1", "coil", t, up, 1)
    commands = commands_of_edges(bench.lines[0], bench.lines[0].edges, "coil")
    assert not commands.active_high
    assert commands.end_s == pytest.approx(end)
    assert commands.dropped == len(noise)


def test_chatter_within_a_dwell_is_one_command() -> None:
    bench = Bench.at_speed(CRANKING)
    end = bench.when(bench.angles(-8.0)[1:])
    start = end - 0.004
    cut = start + 0.002
    bench.pulses("coil 1", "coil", np.concatenate([start, cut + 1e-4]), np.concatenate([cut, end]))
    commands = commands_of_edges(bench.lines[0], bench.lines[0].edges, "coil")
    assert commands.start_s == pytest.approx(start)
    assert commands.end_s == pytest.approx(end)


def test_an_analog_coil_current_gives_the_spark_where_the_current_breaks_off() -> None:
    bench = Bench.at_speed(CRANKING)
    end = bench.when(bench.angles(-8.0)[1:])
    t = bench.time_s
    current = np.zeros(len(t))
    for e in end:
        on = (t >= e - 0.004) & (t < e)
        # i = (V/R)(1 - exp(-t R/L)), R 0.6 ohm, L 3 mH
        current[on] = 12 / 0.6 * (1 - np.exp(-(t[on] - e + 0.004) * 0.6 / 3e-3))
    bench.analog("coil 1", "coil", current, "A")
    commands = commands_of_current(bench.recording(), bench.lines[0], "coil")
    assert commands.end_s == pytest.approx(end, abs=1.5e-4)
    assert commands.end_s - commands.start_s == pytest.approx(0.004, abs=4e-4)


@pytest.mark.parametrize("role", ["injector", "coil"])
def test_a_drivers_own_voltage_is_read_where_it_is_pulled_down(role: str) -> None:
    bench = Bench.at_speed(CRANKING)
    end = bench.when(bench.angles(-8.0)[1:])
    on_s, spike = (0.012, 62.0) if role == "injector" else (0.004, 350.0)
    t, volts = bench.time_s, 12.0 - 1.5 * (bench.time_s > 1)
    for e in end:
        volts = np.where((t >= e - on_s) & (t < e), 0.4, volts)
        after = (t >= e) & (t < e + 3e-3)
        volts = np.where(after, volts + (spike - 12) * np.exp(-np.maximum(t - e, 0) / 4e-4), volts)
    bench.analog("line", role, volts)
    result = examine(bench.signals(), bench.wheel([(0, 5)]), setup(), bench.recording())
    (out,) = result.outputs
    assert not out.active_high
    assert [e.end_s for e in out.events] == pytest.approx(end, abs=1.5e-4)
    assert [e.end_s - e.start_s for e in out.events] == pytest.approx([on_s] * len(end), abs=2e-4)


def test_coil_current_formula_gives_the_worked_numbers() -> None:
    # worked: R 0.6 ohm, L 3 mH, 3 ms: 14 V 10.528 A, 12 V 9.024 A, 9 V 6.768 A, 7 V 5.264 A
    amps = [v / 0.6 * (1 - np.exp(-0.003 * 0.6 / 3e-3)) for v in (14, 12, 9, 7)]
    assert amps == pytest.approx([10.528, 9.024, 6.768, 5.264], abs=6e-4)


@pytest.mark.parametrize(("volts", "amps"), [(14, 10.528), (12, 9.024), (9, 6.768), (7, 5.264)])
def test_the_peak_of_a_dwell_is_the_worked_current(volts: float, amps: float) -> None:
    # worked: i = (V/R)(1 - exp(-t R/L)), R 0.6 ohm, L 3 mH, 3 ms
    bench = Bench.at_speed(CRANKING)
    end = bench.when(bench.angles(-8.0)[1:])
    t = bench.time_s
    current = np.random.default_rng(1).normal(0.0, 0.03, len(t))
    for e in end:
        on = (t >= e - 0.003) & (t < e)
        current[on] += volts / 0.6 * (1 - np.exp(-(t[on] - e + 0.003) * 0.6 / 3e-3))
    bench.analog("coil 1", "coil", current, "A")
    (out,) = examine(bench.signals(), bench.wheel([(0, 5)]), setup(), bench.recording()).outputs
    assert len(out.peaks) == len(out.events) == len(end)
    assert np.median(out.peaks) == pytest.approx(amps, rel=0.04)


def test_a_current_that_rests_a_hair_above_zero_is_no_drivers_voltage() -> None:
    bench = Bench.at_speed(CRANKING)
    end = bench.when(bench.angles(-8.0)[1:])
    t = bench.time_s
    current = np.random.default_rng(1).normal(0.001, 0.03, len(t))
    for e in end:
        on = (t >= e - 0.003) & (t < e)
        current[on] += 14 / 0.6 * (1 - np.exp(-(t[on] - e + 0.003) * 0.6 / 3e-3))
    bench.analog("coil 1", "coil", current, "A")
    (out,) = examine(bench.signals(), bench.wheel([(0, 5)]), setup(), bench.recording()).outputs
    assert [e.end_s for e in out.events] == pytest.approx(end, abs=1.5e-4)


def test_a_supply_that_sags_is_no_command() -> None:
    bench = Bench.at_speed(CRANKING)
    ripple = np.arange(0.2, 4.8, 0.01)
    bench.pulses("injector 1", "injector", ripple, ripple + 0.004)
    line = bench.lines[0]
    sagging = replace(line, levels=replace(line.levels, low=9.8, high=12.4, minimum=9.5, maximum=12.6))
    assert len(commands_of_edges(line, line.edges, "injector").start_s) == len(ripple)
    assert len(commands_of_edges(sagging, line.edges, "injector").start_s) == 0


def test_a_line_that_never_moves_has_no_commands() -> None:
    bench = Bench.at_speed(CRANKING)
    bench.two_level("injector 1", "injector", np.empty(0), np.empty(0, np.bool_), 1)
    result = examine(bench.signals(), bench.wheel([(0, 5)]), setup(), bench.recording())
    assert result.outputs[0].events == ()
    assert result.attempts[0].injections == 0
    assert result.attempts[0].sparks is None  # no coil recorded: not "no spark"


def test_angles_are_unknown_outside_the_decoded_part() -> None:
    bench = Bench.at_speed(CRANKING)
    at = bench.angles(-8.0)[1:]
    bench.sparks(at)
    wheel = bench.wheel([(0, 5)], lost=[(1.0, 3.5)])
    result = examine(bench.signals(), wheel, setup(), bench.recording())
    for event in result.outputs[0].events:
        inside = any(s.start_s <= event.end_s <= s.end_s for s in wheel.angle.segments)
        assert (event.end_deg is not None) == inside


def test_event_times_hold_sparks_and_injection_begins() -> None:
    bench = Bench.at_speed(CRANKING)
    spark, inject = bench.when(bench.angles(-8.0)[1:]), bench.when(bench.angles(350.0)[1:])
    bench.pulses("coil 1", "coil", spark - 0.003, spark).pulses("injector 1", "injector", inject, inject + 0.01)
    result = examine(bench.signals(), bench.wheel([(0, 5)]), setup(), bench.recording())
    assert result.event_time_s["coil 1"] == pytest.approx(spark)
    assert result.event_time_s["injector 1"] == pytest.approx(inject)


@pytest.mark.parametrize("chunk", [100, 4096])
def test_coil_current_read_in_pieces_is_read_alike(chunk: int, monkeypatch: pytest.MonkeyPatch) -> None:
    bench = Bench.at_speed(CRANKING)
    t = bench.time_s
    rng = np.random.default_rng(3)
    current = rng.normal(0.0, 0.03, len(t))
    for e in np.sort(rng.uniform(0.0, 5.0, 60)):  # some touch, some are cut in two by a moment of rest
        on = (t > e - 0.003) & (t < e) & ~((t > e - 0.0012) & (t < e - 0.0011))
        current[on] += 12 / 0.6 * (1 - np.exp(-(t[on] - e + 0.003) * 0.6 / 3e-3))
    current[(t > 2.0) & (t < 3.1)] = 9.0  # longer than any command
    bench.analog("coil 1", "coil", current, "A")
    whole = commands_of_current(bench.recording(), bench.lines[0], "coil")
    monkeypatch.setattr("witnessmark.engine.sampled._CHUNK", chunk)
    pieces = commands_of_current(bench.recording(), bench.lines[0], "coil")
    assert len(whole.start_s) > 20
    assert whole.dropped
    assert whole.peak is not None
    assert pieces.peak is not None
    for a, b in ((whole.start_s, pieces.start_s), (whole.end_s, pieces.end_s), (whole.peak, pieces.peak)):
        np.testing.assert_array_equal(a, b)
    assert (pieces.dropped, pieces.active_high) == (whole.dropped, whole.active_high)
