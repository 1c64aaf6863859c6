"""Pressure lines in whole records: TDC and turn, a moved wheel, leaks, pulses; the same engine in order is not accused.

Simulated truth: every record comes from the project's own simulator. Its motored cylinder peaks 0.8 degrees early.
"""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from accuracy.memory import recording_of
from accuracy.score import setup_of
from witnessmark.engine import circular
from witnessmark.engine.pressure_model import CylinderPressure
from witnessmark.pipeline import analyze_recording
from witnessmark.recording.setup import Setup
from witnessmark.report.compose import compose
from witnessmark.report.model import Analysis
from witnessmark.simulate import mechanics
from witnessmark.simulate.run import Simulated, simulate
from witnessmark.simulate.scenario import Scenario, parse_scenario

INTAKE = [[40.0, "rising"], [220.0, "falling"], [310.0, "rising"], [400.0, "falling"]]
CAM = [{"name": "cam in", "camshaft": "intake", "edges_deg": INTAKE, "phaser_range_deg": 45.0}]
CRANKED = {"running": {"may_start": False}, "control": {"withhold_spark": True, "withhold_fuel": True}}
RUNNING = {"running": {"initial": "running", "targets": [[0.0, 800.0]]}}
STATED = 0.5


def made(cylinder: int = 1, cam: bool = False, role: str = "cylinder-pressure", **tables: Any) -> Scenario:
    channel: list[dict[str, Any]] = [{"role": "crank"}, {"role": role, "cylinder": cylinder}]
    channel += [{"role": "cam", "cam": 1, "name": "cam in"}] if cam else []
    base: dict[str, Any] = {"seed": 5, "duration_s": 3.5, "sensor": {"kind": "hall"}, "channel": channel, **CRANKED}
    return parse_scenario(base | ({"cam": CAM} if cam else {}) | tables)


def without_slot(setup: Setup) -> Setup:
    """The same setup, silent on where TDC stands on the wheel."""
    assert setup.crank_wheel is not None
    return setup.model_copy(update={"crank_wheel": setup.crank_wheel.model_copy(update={"tdc_slot": None})})


def analysed(scenario: Scenario, *, slot: bool = True, said: bool = True) -> tuple[Analysis, Simulated]:
    record = simulate(scenario)
    setup = setup_of(record)
    setup = setup if slot else without_slot(setup)
    return analyze_recording(recording_of(record), setup if said else Setup()), record


def pressure(analysis: Analysis) -> CylinderPressure:
    return analysis.engine.pressures[0]


def tdc_error_deg(analysis: Analysis, record: Simulated, scenario: Scenario) -> float:
    """Stated TDC against the crank's own: where cylinder's firing TDC passes by the simulator's angle, in the decoding.

    Within half a turn: the turn is checked by the phase.
    """
    p, run = pressure(analysis), record.run
    assert p.tdc_deg is not None
    assert p.cylinder is not None
    firing = float(mechanics.tdc_deg(scenario.engine)[p.cylinder - 1])
    used = [c for c in p.each if c.kind == "motored"]
    near = float(np.interp(used[len(used) // 2].peak_s, run.time_s, run.theta_deg))
    cycle = scenario.engine.cycle_deg
    when = np.interp(firing + cycle * round((near - firing) / cycle), run.theta_deg, run.time_s)
    return float(circular.signed(p.tdc_deg - float(analysis.wheel.angle.at(float(when))[0]), 360.0))


def stated(analysis: Analysis) -> set[str]:
    return {f.kind for f in analysis.findings.found if f.confidence >= STATED}


# --- TDC, exponent, phase ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize("rate_hz", [1_000_000.0, 100_000.0])
def test_clean_records_give_tdc_and_exponent(rate_hz: float) -> None:
    scenario = made(sampling={"rate_hz": rate_hz, "bits": 12}, duration_s=2.5)
    got, record = analysed(scenario)
    p = pressure(got)
    assert abs(tdc_error_deg(got, record, scenario)) < 0.5
    assert p.exponent == pytest.approx(scenario.engine.polytropic, abs=0.03)
    assert p.tdc_spread_deg is not None
    assert p.tdc_spread_deg < 0.1
    assert p.exhaust_opens is not None
    assert p.exhaust_opens.deg == pytest.approx(130.0, abs=3.0)
    assert p.intake_closes is not None
    assert p.intake_closes.deg == pytest.approx(-130.0, abs=5.0)
    assert not stated(got)


@pytest.mark.parametrize(
    "noise", [pytest.param(0.0005, marks=pytest.mark.slow), 0.004, pytest.param(0.02, marks=pytest.mark.slow)]
)
def test_the_error_stays_within_three_stated_deviations(noise: float) -> None:
    bad = 0
    for seed in range(4):
        scenario = made(cylinder=1 + seed, seed=seed, sampling={"rate_hz": 50_000.0, "noise_share": noise})
        got, record = analysed(scenario)
        p = pressure(got)
        assert p.tdc_sd_deg is not None
        bad += abs(tdc_error_deg(got, record, scenario)) > 3.0 * p.tdc_sd_deg
        assert not stated(got) & {"wheel-shifted", "compression-uneven"}
    assert bad == 0


def test_a_coarse_slow_recorder() -> None:
    scenario = made(sampling={"rate_hz": 20_000.0, "bits": 8})
    got, record = analysed(scenario)
    assert abs(tdc_error_deg(got, record, scenario)) < 0.6
    assert not stated(got)


def test_one_compression_is_told_with_more_doubt() -> None:
    scenario = made(duration_s=1.0)
    got, record = analysed(scenario)
    p = pressure(got)
    assert p.used == 1
    assert abs(tdc_error_deg(got, record, scenario)) < 0.6
    assert not stated(got)


def test_phase_is_right_in_ten_draws_without_a_slot_or_a_cam() -> None:
    for seed in range(10):
        scenario = made(cylinder=1 + seed % 4, seed=seed, duration_s=2.5, sampling={"rate_hz": 50_000.0})
        got, record = analysed(scenario, slot=False)
        phase = got.engine.phase
        assert (phase.tdc_source, phase.turn_source) == ("pressure", "pressure")
        assert phase.turn_known
        assert phase.tdc_deg is not None
        # cylinder 1's firing TDC is theta 0 modulo 720 in the simulator
        theta = 720.0 * round(float(record.run.theta_deg[-1]) / 1440.0)
        when = float(np.interp(theta, record.run.theta_deg, record.run.time_s))
        angle = float(got.wheel.angle.at(when)[0])
        assert abs(float(circular.signed(phase.tdc_deg - angle, 720.0))) < 1.0, seed


@pytest.mark.parametrize("unit", ["V", "kPa", ""])
def test_zero_and_scale_of_the_transducer_do_not_matter(unit: str) -> None:
    scenario = made()
    record = simulate(scenario)
    name = "cylinder pressure 1"
    gain, offset = record.gains[name]
    factor, zero = (100.0, 101.3) if unit == "kPa" else (0.2, 0.5)
    record.gains[name] = (gain * factor, offset * factor + zero)
    record.units[name] = unit
    p = pressure(analyze_recording(recording_of(record), setup_of(record)))
    assert p.exponent == pytest.approx(1.28, abs=0.03)
    assert p.leak_per_s == pytest.approx(1.67, abs=0.3)
    assert p.zero == pytest.approx(zero - factor, abs=0.1 * factor)


def test_the_exponent_waits_for_the_engines_dimensions_and_tdc_does_not() -> None:
    got, _ = analysed(made(), said=False)
    p = pressure(got)
    assert p.exponent is None
    assert "compression ratio" in p.why_no_exponent
    assert p.tdc_deg is not None


# --- the wheel and the cams against the piston ------------------------------------------------------------------------


@pytest.mark.parametrize("deg", [-12.0, -6.0, 6.0, 18.0])
def test_a_moved_wheel_is_told_without_a_cam(deg: float) -> None:
    got, _ = analysed(made(fault=[{"kind": "wheel-moved", "deg": deg}]))
    moved = [f for f in got.findings.found if f.kind == "wheel-shifted"]
    assert len(moved) == 1
    assert moved[0].confidence >= STATED
    assert moved[0].value == pytest.approx(deg, abs=0.6)
    assert got.verdict.causes[0].id == "trigger-wheel-shifted"


def test_a_moved_wheel_with_a_cam_is_the_wheel_and_a_jumped_chain_the_cam() -> None:
    moved, _ = analysed(made(cam=True, fault=[{"kind": "wheel-moved", "deg": 8.0}]))
    assert stated(moved) == {"wheel-shifted"}
    jumped, _ = analysed(made(cam=True, fault=[{"kind": "cam-jumped", "teeth": 1, "sprocket_teeth": 20}]))
    assert stated(jumped) == {"cam-offset"}


def test_a_cam_is_judged_by_the_piston_where_no_slot_is_said() -> None:
    sound, _ = analysed(made(cam=True), slot=False)
    assert sound.engine.cams[0].offset_deg == pytest.approx(0.0, abs=1.0)
    assert not stated(sound)
    jumped, _ = analysed(made(cam=True, fault=[{"kind": "cam-jumped", "teeth": 1, "sprocket_teeth": 20}]), slot=False)
    assert jumped.engine.cams[0].offset_deg == pytest.approx(18.0, abs=1.0)
    assert stated(jumped) == {"cam-offset"}


def test_a_line_called_by_the_wrong_cylinder_accuses_no_wheel() -> None:
    """Cylinder 3's pressure given as cylinder 1's: half a turn off."""
    scenario = made(cylinder=3)
    record = simulate(scenario)
    setup = setup_of(record)
    channel = tuple(c.model_copy(update={"cylinder": 1}) if c.role == "cylinder-pressure" else c for c in setup.channel)
    got = analyze_recording(recording_of(record), setup.model_copy(update={"channel": channel}))
    assert "wheel-shifted" not in {f.kind for f in got.findings.found}
    assert any("Does the wheel stand right" in n.question for n in got.findings.not_assessed)


# --- leaks and pulses -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("share", [0.8, 0.6])
def test_a_leak_is_found_in_the_cylinder_that_has_it(share: float) -> None:
    leak = {"kind": "compression-low", "cylinder": 2, "share": share, "how": "leak"}
    got, _ = analysed(made(cylinder=2, fault=[leak]))
    found = [f for f in got.findings.found if f.channel == "cylinder pressure 2"]
    assert [f.kind for f in found] == ["compression-uneven"]
    assert found[0].confidence >= STATED
    assert found[0].cylinder == 2
    assert got.verdict.causes[0].id == "cylinder-compression"
    other, _ = analysed(made(cylinder=1, fault=[leak]))
    assert not [f for f in other.findings.found if f.channel == "cylinder pressure 1"]


def test_a_leak_in_one_compression_is_a_hint() -> None:
    leak = {"kind": "compression-low", "cylinder": 1, "share": 0.5, "how": "leak"}
    got, _ = analysed(made(duration_s=1.0, fault=[leak]))
    found = [f for f in got.findings.found if f.channel == "cylinder pressure 1"]
    assert found
    assert all(f.confidence < STATED for f in found)


@pytest.mark.parametrize("role", ["intake-pressure", "exhaust-pressure"])
def test_the_lower_pulse_is_given_to_its_cylinder_as_a_hint(role: str) -> None:
    weak = {"kind": "compression-low", "cylinder": 3, "share": 0.6, "how": "trapped"}
    got, _ = analysed(made(role=role, cam=True, fault=[weak], duration_s=4.0))
    pulses = got.engine.pulses[0]
    low = min(pulses.each, key=lambda p: p.rel)
    assert low.cylinder == 3
    assert low.rel == pytest.approx(0.6, abs=0.08)
    hint = [f for f in got.findings.found if f.channel.endswith("pressure")]
    assert [f.cylinder for f in hint] == [3]
    assert hint[0].confidence < STATED
    sound, _ = analysed(made(role=role, cam=True, duration_s=4.0))
    assert not [f for f in sound.findings.found if f.channel.endswith("pressure")]
    assert all(abs(p.rel - 1.0) < 0.1 for p in sound.engine.pulses[0].each)


def test_pulses_without_a_phase_say_why_not() -> None:
    got, _ = analysed(made(role="intake-pressure"), said=False)
    assert got.engine.pulses[0].why_not
    assert any("pulses" in n.question for n in got.findings.not_assessed)


# --- sound engines ----------------------------------------------------------------------------------------------------

KINDS: dict[str, dict[str, Any]] = {
    "one cylinder": {"engine": {"cylinders": 1}},
    "two cylinders": {"engine": {"cylinders": 2}},
    "three cylinders": {"engine": {"cylinders": 3}, "wheel": {"layout": "36-1"}},
    "six cylinders": {"engine": {"cylinders": 6}, "wheel": {"layout": "36-2-2-2"}},
    "eight cylinders": {"engine": {"cylinders": 8}, "duration_s": 5.0},
    "two-stroke": {"engine": {"strokes": 2, "cylinders": 2, "compression_ratio": 7.0}},
    "compression ignition": {"engine": {"ignition": "compression", "compression_ratio": 16.0, "inertia_kg_m2": 0.4}},
    "twelve teeth": {"wheel": {"layout": "12-1"}},
    "pick-up": {"sensor": {"kind": "vr"}},
    "running": {**RUNNING, "control": {}},
    "running fast": {"running": {"initial": "running", "targets": [[0.0, 3000.0]]}, "control": {}},
    "speeding up and down": {
        "running": {"initial": "running", "targets": [[0.0, 800.0], [0.8, 3000.0], [2.2, 900.0]]}, "control": {},
    },
    "two attempts": {
        "cranking": {"attempts": [{"start_s": 0.3, "end_s": 1.8}, {"start_s": 3.0, "end_s": 4.6}]}, "duration_s": 5.5,
    },
}  # fmt: skip


@pytest.mark.parametrize("kind", KINDS)
def test_a_sound_engine_is_not_accused(kind: str) -> None:
    scenario = made(**KINDS[kind])
    got, record = analysed(scenario)
    assert not stated(got)
    p = pressure(got)
    assert p.used >= 1
    assert p.fired == 0
    assert p.tdc_sd_deg is not None
    assert abs(tdc_error_deg(got, record, scenario)) < 3.0 * p.tdc_sd_deg


def test_a_line_that_is_no_pressure_is_not_taken_for_one() -> None:
    """The battery's voltage given as the cylinder's pressure."""
    scenario = made(channel=[{"role": "crank"}, {"role": "battery"}])
    record = simulate(scenario)
    setup = setup_of(record)
    channel = tuple(
        c.model_copy(update={"role": "cylinder-pressure", "cylinder": 1}) if c.role == "battery" else c
        for c in setup.channel
    )
    got = analyze_recording(recording_of(record), setup.model_copy(update={"channel": channel}))
    assert pressure(got).used == 0
    assert pressure(got).why_not
    assert not stated(got)


def test_the_report_shows_the_pressures() -> None:
    got, _ = analysed(made(duration_s=2.0))
    tables = [t for s in compose(got, with_pictures=False).sections for t in s.tables]
    table = next(t for t in tables if t.id == "pressures")
    assert table.rows[0][0] == "cylinder pressure 1"
    assert len(table.rows[0]) == len(table.columns)


@pytest.mark.parametrize("slot", [1, 58])
def test_the_piston_tells_which_tooth_beside_the_gap_is_gone(slot: int) -> None:
    """Slot 1 gone and slot 58 gone leave the same pattern of edges a pitch apart; no cam is recorded."""
    got, _ = analysed(made(fault=[{"kind": "tooth-absent", "slots": [slot]}]))
    assert [(f.kind, f.slot) for f in got.findings.found if f.confidence >= STATED] == [("tooth-absent", slot)]


FAULTS: dict[str, dict[str, Any]] = {
    "edges dropped": {"kind": "edges-dropped", "share": 0.03},
    "noise": {"kind": "edges-spurious", "rate_hz": 20.0},
    "tooth displaced": {"kind": "tooth-displaced", "slots": [15], "deg": 2.0},
    "runout": {"kind": "wheel-runout", "deg": 0.8},
    "slow cranking": {"kind": "cranking-slow", "rpm": 90.0},
    "signal lost": {"kind": "signal-lost", "where": "sensor", "stretches": [[1.2, 0.4], [2.4, 0.3]]},
}


@pytest.mark.parametrize(
    "fault", [pytest.param(f, marks=pytest.mark.slow) if f == "slow cranking" else f for f in FAULTS]
)
def test_another_fault_moves_no_piston(fault: str) -> None:
    scenario = made(fault=[FAULTS[fault]], duration_s=4.0)
    got, record = analysed(scenario)
    assert not stated(got) & {"wheel-shifted", "compression-uneven"}
    p = pressure(got)
    assert p.tdc_sd_deg is not None
    assert abs(tdc_error_deg(got, record, scenario)) < 3.0 * p.tdc_sd_deg
    assert p.fired == 0
