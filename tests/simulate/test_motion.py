"""Crank motion against worked numbers, and the control unit's behaviour."""

from __future__ import annotations

import numpy as np
import pytest

from witnessmark.simulate.mechanics import cranking_rpm
from witnessmark.simulate.run import run, simulate
from witnessmark.simulate.scenario import load_scenario, parse_scenario
from witnessmark.simulate.truth import motions

from .test_scenario import EXAMPLES

RPM = 30.0 / np.pi


def motored(**engine: object) -> np.ndarray:
    """Speed in rev/min of a motored engine, cranking steady."""
    done = run(parse_scenario({"duration_s": 4.0, "engine": engine, "running": {"may_start": False}}))
    return np.asarray(done.omega_rad_s[20_000:]) * RPM


def dips(speed_rpm: np.ndarray) -> list[float]:
    inner = speed_rpm[1:-1]
    return [float(v) for v in inner[(inner < speed_rpm[:-2]) & (inner <= speed_rpm[2:])]]


def test_cranking_speed_and_ripple_against_a_worked_simulation() -> None:
    # worked example, four cylinders 86 x 86 x 143 mm at 10:1, 0.18 kg m2, linear starter: mean 246.7, 163.8 to 346.9.
    # Starter and leakage there are not the same, so 10 % is asked for, not equality.
    mean, lowest, highest = cranking_rpm(parse_scenario({}))
    assert mean == pytest.approx(246.7, rel=0.10)
    assert lowest == pytest.approx(163.8, rel=0.10)
    assert highest == pytest.approx(346.9, rel=0.10)


def test_a_weak_cylinder_shallows_its_own_dip_and_deepens_the_next() -> None:
    # the same example: one cylinder trapping 85 % raises its own lowest speed and lowers that of the event after it
    sound = np.mean(dips(motored()))
    weak = sorted(dips(motored(trapped=[1.0, 1.0, 0.85, 1.0]))[-4:])
    assert weak[-1] > sound + 8.0
    assert weak[0] < sound - 2.0


def test_ripple_grows_as_inertia_falls() -> None:
    light, heavy = motored(inertia_kg_m2=0.11), motored(inertia_kg_m2=0.30)
    assert light.max() / light.min() > 1.25 * heavy.max() / heavy.min()


def test_first_fire_jumps_by_the_usual_amount_and_idles() -> None:
    made = simulate(parse_scenario({"duration_s": 4.0}))
    attempt = made.truth["attempts"][0]
    speed = made.run.omega_rad_s * RPM
    at = int(attempt["sync_s"] / made.run.dt_s)
    before = speed[at - 2000 : at].max()
    event = speed[at : at + 9000].max()
    assert 100.0 < event - before < 900.0  # 100 to 300 rpm in one event is common practice; here up to two events
    assert attempt["started"]
    assert speed[-5000:].mean() == pytest.approx(800.0, abs=120.0)


def test_run_down_rocks_back_and_nothing_else_turns_backwards() -> None:
    tries = [{"start_s": 0.3, "end_s": 2.0}, {"start_s": 3.5, "end_s": 5.0}, {"start_s": 6.0, "end_s": 7.4}]
    scenario = parse_scenario(
        {"duration_s": 8.0, "cranking": {"attempts": tries}, "control": {"withhold_spark": True}, "seed": 3}
    )
    made = simulate(scenario)
    assert len(made.truth["attempts"]) == 3
    back = made.run.omega_rad_s < 0.0
    assert back.any()
    for a, b in [(0.35, 2.0), (3.55, 5.0), (6.05, 7.4)]:
        inside = (made.run.time_s > a) & (made.run.time_s < b)
        assert not (back & inside).any()
    assert max(a["rock_back_deg"] for a in made.truth["attempts"]) > 5.0


def test_motion_begins_with_the_starter() -> None:
    done = run(scenario := parse_scenario({"duration_s": 1.5}))
    ((start, _),) = motions(done, scenario)
    assert start == pytest.approx(0.3, abs=0.03)


@pytest.mark.parametrize("cause", ["battery", "starter", "friction"])
def test_slow_cranking_is_as_slow_as_asked(cause: str) -> None:
    fault = {"kind": "cranking-slow", "cause": cause, "rpm": 100.0}
    made = simulate(parse_scenario({"duration_s": 4.0, "fault": [fault], "running": {"may_start": False}}))
    speed = made.run.omega_rad_s[13_000:] * RPM
    assert 60.0 < speed.mean() < 150.0  # an engine that hangs in its compressions cannot be set more finely
    if cause == "battery":
        assert made.values("battery").min() < 8.0
    else:
        assert made.values("battery").min() > 8.5


@pytest.mark.parametrize("layout", ["60-2", "36-1", "24-1", "12-1", "36-2-2-2", "60-2-2", "12+1", "6 even", "4 vane"])
@pytest.mark.parametrize("sensor", ["hall", "vr"])
def test_a_sound_engine_starts(layout: str, sensor: str) -> None:
    made = simulate(parse_scenario({"duration_s": 3.0, "wheel": {"layout": layout}, "sensor": {"kind": sensor}}))
    (attempt,) = made.truth["attempts"]
    assert attempt["started"]
    assert attempt["turns_to_sync"] < 3.5


def test_a_missing_tooth_keeps_the_unit_from_synchronising() -> None:
    fault = [{"kind": "tooth-absent", "slots": [23]}]
    made = simulate(parse_scenario({"duration_s": 3.0, "fault": fault, "sensor": {"kind": "hall"}}))
    assert not made.truth["attempts"][0]["started"]
    assert made.truth["attempts"][0]["sync_s"] is None


def test_a_running_engine_bridges_a_missing_tooth() -> None:
    fault = [{"kind": "tooth-absent", "slots": [23]}]
    made = simulate(
        parse_scenario(
            {"duration_s": 2.0, "fault": fault, "running": {"initial": "running", "targets": [[0.0, 900.0]]}}
        )
    )
    assert made.run.synced.mean() > 0.98


def test_lost_signal_stops_spark_while_it_lasts() -> None:
    fault = [{"kind": "signal-lost", "stretches": [[1.0, 0.4]]}]
    made = simulate(
        parse_scenario(
            {"duration_s": 2.0, "fault": fault, "running": {"initial": "running", "targets": [[0.0, 900.0]]}}
        )
    )
    coil = made.run.outputs[(made.run.outputs[:, 0] == 0) & (made.run.outputs[:, 4] > 0), 3]
    assert ((coil > 0.6) & (coil < 1.0)).sum() > 8
    assert ((coil > 1.2) & (coil < 1.4)).sum() == 0


def test_the_bakerys_van() -> None:
    scenario = load_scenario(EXAMPLES / "bakery-van.toml")
    done = run(scenario)
    made = simulate(scenario)
    first, second, third = made.truth["attempts"]
    assert not first["started"]
    assert not second["started"]
    assert third["started"]
    assert first["sparks"] == second["sparks"] == 0
    # the cause is in the physics: tooth 23 stays under the input threshold at first and passes in the third attempt
    edges = done.turn.edges
    low = int(np.argmin(np.abs(edges.angle_deg - 22 * 6.0)))
    mine = done.passes[(done.passes[:, 1] == low) & (done.passes[:, 2] > 0)]
    steady = mine[(mine[:, 0] > 1.6) & (mine[:, 0] < 3.5)]
    assert len(steady) > 5
    assert steady[:, 5].mean() < 0.2
    assert mine[mine[:, 0] > first["end_s"] + 9.0][:, 5].mean() > 0.95
