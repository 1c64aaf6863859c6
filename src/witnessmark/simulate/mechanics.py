"""Turn a scenario into the constants of the run: geometry tables, starter, control unit, disturbances."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from witnessmark.engine import geometry
from witnessmark.simulate import cams, dynamics, layouts, outputs, parts, supply
from witnessmark.simulate.layouts import Wheel
from witnessmark.simulate.scenario import Attempt, Cranking, Engine, Fault, Running, Scenario

F64 = NDArray[np.float64]
RPM = 2.0 * np.pi / 60.0
PORTS_DEG = (-105.0, 105.0)  # two-stroke: the piston closes and opens the ports
MOTOR_HELPS_S = 1.2  # a motor on the crank goes on until the engine carries itself (common practice, no source)
STRONGER = 1.7
LARGE = 8


def cylinder(engine: Engine) -> geometry.CylinderGeometry:
    """Slider-crank of one cylinder."""
    return geometry.CylinderGeometry(engine.bore_mm, engine.stroke_mm, engine.rod_mm, engine.compression_ratio)


def tdc_deg(engine: Engine) -> F64:
    """Firing TDC of each cylinder, 0..720 (two-stroke 0..360) after cylinder 1's, by cylinder number."""
    out = np.empty(engine.cylinders)
    for number, angle in zip(engine.order(), engine.angles(), strict=True):
        out[number - 1] = angle
    folded: F64 = np.mod(out - out[0], engine.cycle_deg)
    return folded


def friction_nm(engine: Engine) -> float:
    """Friction in Nm with oil warm; by default 19 Nm a litre."""
    if engine.friction_nm is not None:
        return engine.friction_nm
    return 19.0 * engine.cylinders * cylinder(engine).displacement_cc / 1000.0


def mechanics(scenario: Scenario) -> parts.Mechanics:
    """Engine tables and constants."""
    e, size = scenario.engine, cylinder(scenario.engine)
    deg = np.arange(parts.TABLE, dtype=np.float64) * (720.0 / parts.TABLE)
    signed = np.where(deg > 0.5 * e.cycle_deg, deg - e.cycle_deg, deg)
    closes, opens = e.valve_closed_deg if e.strokes == 4 else PORTS_DEG
    charge, leak, burns = outputs.cylinders(scenario)
    closed = (signed >= closes) & (signed <= opens)
    volume = geometry.volume_ratio(deg, size.rod_ratio, e.compression_ratio)
    at_close = float(geometry.volume_ratio(closes, size.rod_ratio, e.compression_ratio))
    sweep = geometry.volume_slope_m3_per_rad(deg, size)
    inertia = e.reciprocating_kg * (sweep / (size.piston_area_mm2 * 1e-6)) ** 2
    return parts.Mechanics(
        ratio=np.where(closed, (at_close / volume) ** e.polytropic, 1.0),
        closed=closed, inlet=((deg > 350.0) if e.strokes == 4 else (deg > 180.0)) & ~closed, arm_m3=sweep,
        recip_kg_m2=inertia, recip_slope=np.gradient(inertia, np.deg2rad(720.0 / parts.TABLE)),
        tdc_deg=tdc_deg(e), trapped=charge, burns=burns, leak_s=leak, period_deg=e.cycle_deg, inertia=e.inertia_kg_m2,
        friction=friction_nm(e), friction_per_rad_s=e.friction_nm_per_krpm / (1000.0 * RPM),
        combustion=e.combustion if scenario.running.may_start else 0.0,
    )  # fmt: skip


def compression_work(scenario: Scenario, rad_s: float) -> F64:
    """Work in J that each cylinder's charge takes from the crank between inlet closing and TDC, at a steady speed."""
    m = mechanics(scenario)
    closes, _ = scenario.engine.valve_closed_deg if scenario.engine.strokes == 4 else PORTS_DEG
    deg = np.arange(closes, 0.0, 0.5)
    row = np.floor(np.mod(deg, m.period_deg) * (parts.TABLE / 720.0)).astype(int) % parts.TABLE
    out = np.empty(len(m.tdc_deg))
    for c in range(len(out)):
        charge, work = 0.97 * m.trapped[c], 0.0
        for r in row:
            p = charge * m.ratio[r]
            charge *= 1.0 - np.deg2rad(0.5) / rad_s / m.leak_s[c] * (1.0 - 1.0 / max(p, 0.05))
            work -= (p - 1.0) * 1e5 * m.arm_m3[r] * np.deg2rad(0.5)
        out[c] = work
    return out


def motor(c: Cranking) -> tuple[float, float, float]:
    """Ohms, volts per rad/s and Nm per A of the starter seen at the crank (stall and no load at 12 V)."""
    return 12.0 / c.stall_current_a, 12.0 / (c.no_load_rpm * RPM), c.stall_torque_nm / c.stall_current_a


def supplies(c: Cranking) -> F64:
    """Supply of each attempt, rows [from time s, open-circuit V, ohm]; a booster changes it from one second before."""
    rows = []
    volts, ohm = c.battery_ocv_v, c.battery_resistance_ohm
    for n, attempt in enumerate(c.attempts):
        volts = attempt.battery_ocv_v or volts
        ohm = attempt.battery_resistance_ohm or ohm
        rows.append((attempt.start_s - 1.0 if n else 0.0, volts, ohm))
    return np.array(rows or [(0.0, volts, ohm)], np.float64)


def starter(scenario: Scenario) -> parts.Starter:
    """Starter and battery; without attempts where the record starts running."""
    c = scenario.cranking
    ohm, volt_s, nm = motor(c)
    if scenario.engine.ignition == "compression":
        nm *= STRONGER  # a starter made for twice the compression
    if scenario.engine.cylinders > LARGE:
        nm *= scenario.engine.cylinders / LARGE
    source = supplies(c)
    tries = () if scenario.running.initial == "running" else c.attempts
    return parts.Starter(
        start_s=np.array([a.start_s for a in tries], np.float64), end_s=np.array([a.end_s for a in tries], np.float64),
        ocv_v=source[:, 1].copy(), battery_ohm=source[:, 2].copy(), motor_ohm=ohm, volt_s=volt_s, nm_per_a=nm,
        release_after_s=c.release_after_s if scenario.engine.cranked_by == "starter" else MOTOR_HELPS_S,
        motor_rad_s=c.motor_rpm * RPM if scenario.engine.cranked_by == "motor" else 0.0,
    )  # fmt: skip


def _weakened(scenario: Scenario, cause: str, x: float) -> Scenario:
    """Battery (voltage and resistance), starter (speed and torque) or engine (friction) worse by x."""
    c, e = scenario.cranking, scenario.engine
    if cause == "battery":
        change = {
            "battery_ocv_v": c.battery_ocv_v - 0.9 * x,
            "battery_resistance_ohm": c.battery_resistance_ohm + 0.009 * x,
        }
        c = c.model_copy(update=change)
    elif cause == "starter":
        change = {
            "no_load_rpm": c.no_load_rpm / (1.0 + 0.9 * x),
            "stall_torque_nm": c.stall_torque_nm * (1.0 - 0.05 * x),
        }
        c = c.model_copy(update=change)
    else:
        e = e.model_copy(update={"friction_nm": friction_nm(e) + 32.0 * x})
    return scenario.model_copy(update={"cranking": c, "engine": e})


def cranking_rpm(scenario: Scenario) -> tuple[float, float, float]:
    """Mean, lowest and highest speed of unfired cranking, from 1 s to 4 s after the starter engages, in rev/min."""
    c = scenario.cranking
    motored = scenario.model_copy(
        update={
            "running": Running(may_start=False),
            "cranking": c.model_copy(update={"attempts": (Attempt(start_s=0.0, end_s=10.0),)}),
        }
    )
    blind = scenario.control.model_copy(update={"withhold_spark": True, "withhold_fuel": True})
    wheel = layouts.named("4 even")
    motored = motored.model_copy(update={"control": blind, "fault": ()})
    edges = parts.Edges(
        angle_deg=wheel.teeth_deg, tooth=np.arange(4), marking=np.ones(4, bool), amplitude=np.zeros(4),
        miss=np.zeros(4), miss_below=np.zeros(4), below_rad_s=np.ones(4), jitter_deg=0.0,
        startup_deg=0.0, offset_deg=0.0, delay_s=0.0, loose_deg=0.0, two_level=True,
        visible=False,
    )  # fmt: skip
    start = rest_deg(scenario, np.random.default_rng(0), False)
    theta, omega, *_ = dynamics.integrate(
        1e-4, 40_000, 1, start, 0.0, mechanics(motored), starter(motored), edges, unit(motored, wheel, 0.0),
        noise(motored, np.random.default_rng(0)), governor(motored),
    )  # fmt: skip
    steady = omega[10_000:] / RPM
    return float((theta[-1] - theta[10_000]) / 360.0 / 3.0 * 60.0), float(steady.min()), float(steady.max())


def slow(scenario: Scenario, fault: Fault) -> Scenario:
    """The scenario with a weak battery, a dragging starter or a stiff engine, so that it cranks at ``fault.rpm``."""
    low, high = 0.0, 0.0
    while high < 3.0:  # the first crossing: beyond it the engine stands between compressions and speed jumps about
        high += 0.25
        if cranking_rpm(_weakened(scenario, fault.cause, high))[0] < fault.rpm:
            break
        low = high
    for _ in range(6):
        middle = 0.5 * (low + high)
        if cranking_rpm(_weakened(scenario, fault.cause, middle))[0] > fault.rpm:
            low = middle
        else:
            high = middle
    return _weakened(scenario, fault.cause, low)


def wheel_offset_deg(scenario: Scenario, design: Wheel) -> float:
    """Wheel angle from slot 1 when the crank is at cylinder 1's TDC."""
    return (tdc_slot(scenario, design) - 1.0) * (360.0 / design.slots if design.regular else 1.0)


def periods(wheel: Wheel) -> int:
    """How many times the pattern repeats in a turn."""
    length = np.diff(np.append(wheel.teeth_deg, 360.0 + wheel.teeth_deg[0]))
    n = len(length)
    return next((n // k for k in range(1, n) if n % k == 0 and np.allclose(length, np.roll(length, k))), 1)


def tdc_slot(scenario: Scenario, design: Wheel) -> float:
    """Slot position at cylinder 1's TDC (in degrees + 1 on unequal wheels).

    By default slot 1 passes 84 degrees before it; where the pattern repeats, slot 1 is the first of the equal places
    after it, so that the numbering by phase and this one agree.
    """
    if scenario.wheel.tdc_slot is not None:
        return scenario.wheel.tdc_slot
    repeat = 360.0 / periods(design)
    before = 84.0 if repeat == 360.0 else 360.0 - 0.4 * repeat
    return 1.0 + (round(before / design.pitch_deg, 1) if design.regular else before)


def rest_deg(scenario: Scenario, rng: np.random.Generator, running: bool) -> float:
    """Angle at the start: anywhere when running, else where an engine comes to rest (between two compressions)."""
    if running:
        return float(rng.uniform(0.0, 720.0))
    event = scenario.engine.cycle_deg / scenario.engine.cylinders
    k = int(rng.integers(0, scenario.engine.cylinders))
    return float(event * k - min(0.5 * event, 90.0) + rng.normal() * 12.0) % 720.0


def initial_rad_s(scenario: Scenario) -> float:
    """Speed at the start of the record."""
    return scenario.running.targets[0][1] * RPM if scenario.running.initial == "running" else 0.0


def governor(scenario: Scenario) -> parts.Governor:
    """Speed targets."""
    steps = np.array(scenario.running.targets, np.float64).reshape(-1, 2)
    return parts.Governor(steps[:, 0].copy(), steps[:, 1] * RPM)


def unit(scenario: Scenario, design: Wheel, offset_deg: float) -> parts.Unit:
    """The control unit, which knows the wheel as designed."""
    c = scenario.control
    length = np.diff(np.concatenate([[design.teeth_deg[-1] - 360.0], design.teeth_deg])) / design.pitch_deg
    ratios = np.sort(np.abs(np.log(length / np.roll(length, 1))))
    steps = ratios[ratios > 0.05]
    by_cam = len(steps) == 0 or steps[0] < 0.6 or len(length) < 8 or periods(design) > 1
    dead = any(f.kind == "cam-dead" and cams.concerned(f, 1) for f in scenario.fault)
    blind = c.cam_fallback_turns if dead else 0.0
    falling = [deg for deg, kind in scenario.cam[0].edges_deg if kind == "falling"]
    return parts.Unit(
        teeth_deg=design.teeth_deg, length=length, by_cam=by_cam, cam_deg=-1.0 if dead else (falling or [0.0])[0],
        offset_deg=offset_deg, tolerance=float(np.clip(0.5 * steps[0], 0.33, 0.55)) if len(steps) else 0.55,
        early=parts.LONG if design.pitch_deg < 14.0 else parts.SHORT, min_v=c.min_v, adapt=c.adapt,
        decay=c.decay_per_tooth, confirm=round((c.confirm_turns + blind) * len(length)),
        tolerant_rad_s=c.tolerant_above_rpm * RPM, errors_to_lose=c.errors_to_lose,
        ready_s=scenario.cranking.key_on_s + 0.12 if scenario.running.initial == "standstill" else 0.0,
        advance_cranking=c.advance_cranking_deg, advance_running=c.advance_running_deg, dwell_s=c.dwell_ms / 1e3,
        inject_cranking_s=c.inject_cranking_ms / 1e3, inject_running_s=c.inject_running_ms / 1e3,
        prime_s=c.prime_ms / 1e3, withhold_spark=c.withhold_spark, withhold_fuel=c.withhold_fuel,
        may_start=scenario.running.may_start, **outputs.unit_rules(scenario),
    )  # fmt: skip


def noise(scenario: Scenario, rng: np.random.Generator) -> parts.Noise:
    """Lost stretches and spurious edges."""
    lost = supply.lost_stretches(scenario)
    times: F64 = np.zeros(0)
    follows, lag, share, volts = 0, 0.0, 0.0, 0.0
    for f in scenario.fault:
        if f.kind == "edges-spurious":
            volts = f.level_v if f.level_v is not None else 1.5 * scenario.sensor.peak_v
            if f.follows == "time":
                count = int(rng.poisson(f.rate_hz * scenario.duration_s))
                times = np.sort(np.concatenate([times, rng.uniform(0.0, scenario.duration_s, count)]))
            else:
                follows, lag, share = (1 if f.follows == "coil" else 2), f.lag_ms / 1e3, f.share
    return parts.Noise(
        lost_start_s=np.array([a for a, _ in lost], np.float64),
        lost_end_s=np.array([b for _, b in lost], np.float64), spurious_s=times, spurious_v=volts, follows=follows,
        lag_s=lag, share=share,
    )  # fmt: skip
