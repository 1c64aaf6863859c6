"""The crank line: edges where the wheel puts them, checked with plain threshold code, and against a measured line."""

from __future__ import annotations

import os
from pathlib import Path

import numpy as np
import pytest

from witnessmark.simulate.crankline import build_turn
from witnessmark.simulate.run import Simulated, simulate
from witnessmark.simulate.scenario import parse_scenario

OPEN = Path(os.environ.get("WITNESSMARK_OPEN_DATA", Path(__file__).resolve().parents[3] / "shared" / "open-data"))
STEADY = {"initial": "running", "targets": [[0.0, 900.0]]}
QUIET = {"noise_share": 0.0, "bits": 16, "rate_hz": 200_000.0}


def crossings(line: np.ndarray, level: float) -> np.ndarray:
    """Falling crossings, interpolated, in samples."""
    at = np.flatnonzero((line[:-1] > level) & (line[1:] <= level))
    return at + (line[at] - level) / (line[at] - line[at + 1])


def running(**tables: object) -> Simulated:
    base = {"duration_s": 0.6, "running": STEADY, "sampling": QUIET, "channel": [{"role": "crank"}]}
    return simulate(parse_scenario(base | tables))


def vr_turn(**tables: object):  # type: ignore[no-untyped-def]
    scenario = parse_scenario({"wheel": {"layout": "60-2", "pitch_error_deg": 0.0}, **tables})
    return build_turn(scenario.wheel.wheel(), scenario, np.random.default_rng(1))


@pytest.mark.parametrize("tooth_high", [True, False])
@pytest.mark.parametrize("edge", ["falling", "rising"])
def test_hall_marking_edges_are_the_wheels(tooth_high: bool, edge: str) -> None:
    sensor = {"kind": "hall", "noise_v": 0.0, "tooth_high": tooth_high, "edge": edge, "rise_s": 0.0, "fall_s": 0.0}
    made = running(sensor=sensor)
    line = made.values("crank")
    seen = crossings(line if edge == "falling" else -line, 2.5 if edge == "falling" else -2.5) / made.rate_hz
    passes = made.run.passes
    marking = made.run.turn.edges.marking[passes[:, 1].astype(int)]
    due = passes[marking & (passes[:, 0] > 0.0) & (passes[:, 0] < 0.6 - 1e-4), 0]
    assert len(seen) == len(due)
    assert np.abs(seen - due).max() < 1.0 / made.rate_hz


def test_vr_crossings_are_the_wheels() -> None:
    made = running(sensor={"kind": "vr", "noise_v": 0.0})
    seen = crossings(made.values("crank"), 0.0) / made.rate_hz
    passes = made.run.passes
    due = passes[(passes[:, 0] > 1e-4) & (passes[:, 0] < 0.6 - 1e-4), 0]
    assert len(seen) == pytest.approx(len(due), abs=1)
    near = np.abs(seen[:, None] - due[None, :]).min(axis=1)
    assert near.max() < 1.0 / made.rate_hz


def test_angles_and_times_agree() -> None:
    # T = angle / (6 rpm): 6 degrees at 900 rpm take 1.1111 ms
    made = running(sensor={"kind": "hall", "noise_v": 0.0, "jitter_deg": 0.0})
    turn = (made.run.theta_deg + made.run.offset_deg) / 360.0
    mean_rpm = (turn[-1] - turn[0]) / made.run.time_s[-1] * 60.0
    passes = made.run.passes[made.run.turn.edges.marking[made.run.passes[:, 1].astype(int)], 0]
    assert np.median(np.diff(passes)) == pytest.approx(6.0 / (6.0 * mean_rpm), rel=0.02)


def test_vr_amplitude_goes_with_speed() -> None:
    peak = {}
    for rpm in (800.0, 1600.0):
        made = running(sensor={"kind": "vr", "noise_v": 0.0, "peak_v": 0.5}, running=STEADY | {"targets": [[0.0, rpm]]})
        part = made.values("crank")[: int(0.05 * made.rate_hz)]
        speed = made.run.omega_rad_s[:500].mean() * 30.0 / np.pi
        peak[rpm] = np.quantile(part, 0.9) / speed
    assert peak[1600.0] == pytest.approx(peak[800.0], rel=0.05)


def test_gap_of_a_vr_line_looks_like_a_measured_one() -> None:
    # measured on a real 60-2 line: 5.4 and 5.5 degrees beside the gap, the gap 19.0, flanks about three half waves
    edges = vr_turn().edges
    gaps = np.diff(np.append(edges.angle_deg, edges.angle_deg[0] + 360.0))
    k = int(np.argmax(gaps))
    assert len(gaps) == 58
    assert gaps[k] == pytest.approx(19.0, abs=0.15)
    assert gaps[k - 1] == pytest.approx(5.45, abs=0.15)
    assert gaps[(k + 1) % 58] == pytest.approx(5.45, abs=0.15)
    assert edges.amplitude.max() / np.median(edges.amplitude) == pytest.approx(3.1, abs=0.5)


def test_the_measured_line_itself() -> None:
    path = OPEN / "vr-60-2-slow.csv"
    if not path.exists():
        pytest.skip("open recordings not found: set WITNESSMARK_OPEN_DATA")
    line = np.loadtxt(path, delimiter=",", skiprows=1)[:, 1]
    smooth = np.convolve(line - np.median(line), np.ones(9) / 9.0, "same")
    armed, falls, peak = False, [], 0.0
    for n in range(1, len(smooth)):  # plain arming at 40 % of a half wave, then the next zero crossing
        armed = armed or smooth[n] > 0.16
        if armed and smooth[n] <= 0.0:
            falls.append(n)
            armed = False
        peak = max(peak, smooth[n])
    gaps = np.diff(falls)
    pitch = np.median(gaps)
    longest = np.median(np.sort(gaps)[-15:])
    edges = vr_turn().edges
    model = np.diff(np.append(edges.angle_deg, edges.angle_deg[0] + 360.0))
    assert longest / pitch == pytest.approx(model.max() / 6.0, rel=0.04)
    after = np.median(gaps[1:][gaps[:-1] > 2.5 * pitch])
    assert after / pitch == pytest.approx(model[0] / 6.0, rel=0.05)


@pytest.mark.parametrize("amplitude", [0.6, 0.3, 0.1])
def test_a_weak_tooth_leaves_the_asked_pulse(amplitude: float) -> None:
    sound, weak = vr_turn().edges, vr_turn(fault=[{"kind": "tooth-weak", "slots": [23], "amplitude": amplitude}]).edges
    at = int(np.argmin(np.abs(weak.angle_deg - 132.0)))
    assert len(weak.angle_deg) == 58
    assert weak.amplitude[at] / np.median(sound.amplitude) == pytest.approx(amplitude, abs=0.02)


def test_an_absent_tooth_gives_no_crossing() -> None:
    gone = vr_turn(fault=[{"kind": "tooth-absent", "slots": [23]}]).edges
    assert len(gone.angle_deg) == 57
    assert np.abs(gone.angle_deg - 132.0).min() > 5.0


@pytest.mark.parametrize("deg", [1.5, -1.0, 0.4])
def test_a_displaced_tooth_is_off_by_the_asked_angle(deg: float) -> None:
    moved = vr_turn(fault=[{"kind": "tooth-displaced", "slots": [23], "deg": deg}]).edges
    assert np.abs(moved.angle_deg - (132.0 + deg)).min() < 0.03


def test_reversed_leads_time_the_other_crossing() -> None:
    # the slot's centre instead of the tooth's: half a pitch off, and the gap splits into two lazy halves
    edges = vr_turn(fault=[{"kind": "polarity-reversed"}]).edges
    off = (edges.angle_deg[:, None] - np.arange(58)[None, :] * 6.0 + 180.0) % 360.0 - 180.0
    assert np.median(np.abs(off).min(axis=1)) == pytest.approx(3.0, abs=0.1)
    gaps = np.sort(np.diff(np.append(edges.angle_deg, edges.angle_deg[0] + 360.0)))
    assert gaps[-2:] == pytest.approx([12.0, 12.0], abs=0.5)


def test_runout_moves_edges_by_its_cosine() -> None:
    fault = [{"kind": "wheel-runout", "deg": 0.4, "phase_deg": 90.0, "amplitude_runout": 0.3}]
    made = parse_scenario(
        {"wheel": {"layout": "36-1", "pitch_error_deg": 0.0}, "fault": fault, "sensor": {"kind": "hall"}}
    )
    teeth = build_turn(made.wheel.wheel(), made, np.random.default_rng(1)).teeth
    off = teeth.mark_deg - np.arange(35) * 10.0
    assert off.max() == pytest.approx(0.4, abs=0.005)
    assert np.argmax(off) == 9  # latest at 90 degrees


def test_random_dropouts_are_as_frequent_as_asked_and_spread() -> None:
    made = running(duration_s=3.0, sensor={"kind": "hall"}, fault=[{"kind": "edges-dropped", "share": 0.05}])
    passes = made.run.passes
    marks = passes[made.run.turn.edges.marking[passes[:, 1].astype(int)]]
    gone = marks[marks[:, 4] == 0.0]
    assert len(gone) / len(marks) == pytest.approx(0.05, abs=0.015)
    counts = np.bincount(gone[:, 1].astype(int))
    assert counts.max() <= 10


def test_a_two_level_weak_tooth_is_missed_only_when_slow() -> None:
    fault = [{"kind": "tooth-weak", "slots": [10], "share": 0.8, "below_rpm": 450.0}]
    made = simulate(parse_scenario({"duration_s": 4.0, "sensor": {"kind": "hall"}, "fault": fault, "seed": 5}))
    edges = made.run.turn.edges
    tooth = int(np.flatnonzero(made.run.turn.teeth.slot == 10)[0])
    mark = int(np.flatnonzero((edges.tooth == tooth) & edges.marking)[0])
    mine = made.run.passes[made.run.passes[:, 1] == mark]
    slow = mine[np.abs(mine[:, 3]) < 350.0 / 9.55]
    fast = mine[np.abs(mine[:, 3]) > 600.0 / 9.55]
    assert slow[:, 4].mean() < 0.6
    if len(fast):
        assert fast[:, 4].mean() == 1.0


def test_spurious_edges_follow_the_coil_by_the_lag() -> None:
    fault = [{"kind": "edges-spurious", "follows": "coil", "share": 1.0, "lag_ms": 0.5}]
    made = running(duration_s=1.0, sensor={"kind": "hall"}, fault=fault, control={"errors_to_lose": 1000})
    sparks = made.run.outputs[(made.run.outputs[:, 0] == 0), 3]
    lags = [at - sparks[sparks < at].max() for at in made.run.spurious_s]
    assert len(lags) > 10
    assert np.allclose(lags, 0.5e-3, atol=1.2e-4)


def test_two_level_line_rises_at_key_on_before_motion() -> None:
    made = simulate(parse_scenario({"duration_s": 1.0, "sensor": {"kind": "hall", "tooth_high": False}, "seed": 2}))
    line = made.values("crank")
    assert line[: int(0.09 * made.rate_hz)].max() < 0.3
    assert made.truth["attempts"][0]["start_s"] > 0.29


@pytest.mark.parametrize("bits", [8, 12, 16])
def test_quantisation_has_the_asked_steps(bits: int) -> None:
    made = running(sampling=QUIET | {"bits": bits})
    gain, _ = made.gains["crank"]
    codes = made.channels["crank"]
    assert codes.min() >= -(2 ** (bits - 1))
    assert codes.max() < 2 ** (bits - 1)
    assert gain * 2**bits == pytest.approx(2.0 * round(gain * 2 ** (bits - 1), 6))


def hall_turn(**tables: object):  # type: ignore[no-untyped-def]
    scenario = parse_scenario({"wheel": {"layout": "36-1", "pitch_error_deg": 0.0, "duty": 0.5}, **tables})
    return build_turn(scenario.wheel.wheel(), scenario, np.random.default_rng(1))


@pytest.mark.parametrize("tooth_high", [True, False])
def test_metal_that_touches_a_neighbour_makes_no_edge_of_its_own(tooth_high: bool) -> None:
    sensor = {"kind": "hall", "tooth_high": tooth_high}
    sound = hall_turn(sensor=sensor)
    at_end = tooth_high  # falling edge marks: the tooth's end where a tooth is high
    inside = 107.0 if at_end else 103.0  # within the next tooth, 105 to 110, or within the one before, 100 to 105
    merged = hall_turn(sensor=sensor, fault=[{"kind": "tooth-extra", "deg": inside}])
    assert merged.edges.marking.sum() == sound.edges.marking.sum()
    assert len(merged.edges.angle_deg) == len(sound.edges.angle_deg)
    free = hall_turn(sensor=sensor, fault=[{"kind": "tooth-extra", "deg": 103.0 if at_end else 107.0}])
    assert free.edges.marking.sum() == sound.edges.marking.sum() + 1
    # begin and end take turns all the way round: two teeth at a time are never open
    assert np.all(free.edges.marking != np.roll(free.edges.marking, 1))
    assert np.all(merged.edges.marking != np.roll(merged.edges.marking, 1))


def test_foreign_metal_in_a_pick_ups_valley_draws_both_teeth_and_merges_them_when_there_is_more() -> None:
    sound = vr_turn(sensor={"kind": "vr"})
    some = vr_turn(sensor={"kind": "vr"}, fault=[{"kind": "tooth-extra", "deg": 123.0, "amplitude": 0.2}])
    much = vr_turn(sensor={"kind": "vr"}, fault=[{"kind": "tooth-extra", "deg": 123.0, "amplitude": 1.0}])
    assert len(some.edges.angle_deg) == len(sound.edges.angle_deg)
    late, early = (float(np.interp(a, sound.edges.angle_deg, some.edges.angle_deg)) - a for a in (120.0, 126.0))
    assert late > 0.2
    assert early < -0.2
    assert late == pytest.approx(-early, abs=0.05)  # half way between: alike from both sides
    assert len(much.edges.angle_deg) == len(sound.edges.angle_deg) - 1
    assert np.min(np.abs(much.edges.angle_deg - 123.0)) < 0.1
