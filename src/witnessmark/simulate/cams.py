"""Cam lines: where each edge of each cam wheel really passes, with phaser, chain and target faults, and the volts."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from witnessmark.simulate import waveforms
from witnessmark.simulate.scenario import Cam, Fault, Scenario

F64 = NDArray[np.float64]

LOW_V, HIGH_V = 0.15, 5.0
RISE_S, FALL_S = 6e-6, 1e-6
RUNS_RAD_S, SETTLES_RAD_S = 47.0, 20.0
# Edges after power-up that a sensor still calibrates in (published: the first three of one family of cam sensors).
START_UP_EDGES = 3
# A chain's slack shows as the drive pulls and lets go: full at this acceleration of the crank (memory, no source).
SLACK_RAD_S2 = 400.0
# Half wave of a variable-reluctance cam tooth at 200 rpm of the crank, and half its width in crank degrees.
PICK_UP_V, PICK_UP_DEG = 0.8, 6.0
RPM_200_RAD_S = 20.943951023931955


@dataclass(frozen=True)
class Motion:
    """Crank over the run's grid of ``dt_s``: angle after cylinder 1's firing TDC in degrees, speed in rad/s."""

    dt_s: float
    theta_deg: F64
    omega_rad_s: F64

    @property
    def time_s(self) -> F64:
        """Time of the grid in s."""
        return np.arange(len(self.theta_deg), dtype=np.float64) * self.dt_s


def concerned(fault: Fault, number: int) -> bool:
    """Whether a cam fault sits on cam ``number`` (from 1); without a list, on all of them."""
    return not fault.cams or number in fault.cams


def parked_offset_deg(scenario: Scenario, number: int) -> float:
    """How late the whole cam is with its phaser parked, in crank degrees."""
    late = 0.0
    for f in scenario.fault:
        if not concerned(f, number):
            continue
        if f.kind == "cam-jumped":
            late += f.teeth * 360.0 / f.sprocket_teeth
        elif f.kind in ("chain-stretched", "phaser-stuck"):
            late += f.deg
    return late


def lateness_deg(scenario: Scenario, number: int, motion: Motion) -> F64:
    """How late the cam is over the run's grid: offset, phaser, hunting, slack."""
    cam = scenario.cam[number - 1]
    t = motion.time_s
    late = np.full(len(t), parked_offset_deg(scenario, number))
    running = np.clip((motion.omega_rad_s - RUNS_RAD_S) / SETTLES_RAD_S, 0.0, 1.0)  # oil pressure builds up
    if cam.phaser:
        rows = np.asarray(cam.phaser, np.float64)
        late += running * np.interp(t, rows[:, 0], rows[:, 1])
    for f in scenario.fault:
        if not concerned(f, number):
            continue
        if f.kind == "phaser-hunting":
            late += running * f.deg * np.sin(2.0 * np.pi * f.hz * t)
        elif f.kind == "chain-stretched" and f.wander_deg:
            k = max(1, round(0.01 / motion.dt_s))
            pull = np.convolve(np.gradient(motion.omega_rad_s, motion.dt_s), np.ones(k) / k, "same")
            late += f.wander_deg * np.clip(pull / SLACK_RAD_S2, -1.0, 1.0)
    return late


def passages(scenario: Scenario, number: int, motion: Motion, rng: np.random.Generator) -> list[tuple[float, str]]:
    """(time s, kind) of every edge that passes going forward, by time; edges that a fault takes away are left out."""
    cam = scenario.cam[number - 1]
    late = lateness_deg(scenario, number, motion)
    lift = np.maximum.accumulate(motion.theta_deg - late)
    moving = np.concatenate([[True], np.diff(lift) > 0])
    grid, angle = motion.time_s[moving], lift[moving]
    cycle = scenario.engine.cycle_deg
    out: list[tuple[float, str]] = []
    for k in range(int((motion.theta_deg - late).min() // cycle), int(lift[-1] // cycle) + 1):
        for place, (deg, kind) in sorted(enumerate(cam.edges_deg), key=lambda row: row[1]):
            at = deg + cycle * k + rng.normal() * cam.jitter_deg
            moved = _moved(scenario, number, place, rng)
            if moved is not None and lift[0] < at + moved < lift[-1]:
                out.append((float(np.interp(at + moved, angle, grid)), kind))
    out.sort()
    if cam.startup_error_deg > 0.0:
        out = _start_up(out, cam, motion, rng)
    return out


def _moved(scenario: Scenario, number: int, place: int, rng: np.random.Generator) -> float | None:
    """How far a damaged target moves this edge in this cycle; None where it is gone."""
    moved = 0.0
    for f in scenario.fault:
        if f.kind == "cam-target" and concerned(f, number) and f.edge == place:
            if f.absent:
                return None
            moved += f.deg + (rng.normal() * f.wander_deg if f.wander_deg else 0.0)
    return moved


def _start_up(
    rows: list[tuple[float, str]], cam: Cam, motion: Motion, rng: np.random.Generator
) -> list[tuple[float, str]]:
    out = list(rows)
    for n in range(min(START_UP_EDGES, len(rows))):
        when, kind = rows[n]
        speed = float(np.interp(when, motion.time_s, motion.omega_rad_s)) * 57.29578
        shift = rng.uniform(-1.0, 1.0) * cam.startup_error_deg / max(speed, 60.0)
        last = out[n - 1][0] if n else when - 0.5 * cam.startup_error_deg / max(speed, 60.0)
        nxt = rows[n + 1][0] if n + 1 < len(rows) else when + abs(shift) + 1.0
        out[n] = (float(min(max(when + shift, last + 1e-4), nxt - 1e-4)), kind)
    return out


def line(
    scenario: Scenario, number: int, motion: Motion, n: int, rng: np.random.Generator, lift_v: F64 | None, at_unit: bool
) -> F64:
    """Volts at every sample, at the control unit's end (``at_unit``) or at the sensor's.

    lift_v: rise of the sensor's ground at every sample, where the cam shares it.
    """
    cam, rate = scenario.cam[number - 1], scenario.sampling.rate_hz
    dead = [f for f in scenario.fault if f.kind == "cam-dead" and concerned(f, number)]
    if dead:
        return np.full(n, 0.0 if cam.sensor == "vr" else dead[0].level_v if dead[0].level_v is not None else HIGH_V)
    rows = passages(scenario, number, motion, rng)
    out = (
        _pick_up(rows, motion, n, rate)
        if cam.sensor == "vr"
        else _two_level(scenario, cam, rows, motion, n, parked_offset_deg(scenario, number))
    )
    if lift_v is not None and cam.sensor == "hall":
        out = out + lift_v * np.clip((HIGH_V - out) / (HIGH_V - LOW_V), 0.0, 1.0)
    for f in scenario.fault if at_unit else ():
        if f.kind == "cam-lost" and concerned(f, number):
            level = 0.0 if cam.sensor == "vr" else HIGH_V if f.level_v is None else f.level_v
            for start, length in f.stretches:
                out[waveforms.stretch(n, rate, start, start + length)] = level
    return out


def _two_level(
    scenario: Scenario, cam: Cam, rows: list[tuple[float, str]], motion: Motion, n: int, late_deg: float
) -> F64:
    cycle = scenario.engine.cycle_deg
    phase = (motion.theta_deg[0] - late_deg) % cycle
    edges = sorted(cam.edges_deg)
    before = [kind for deg, kind in edges if deg <= phase] or [edges[-1][1]]
    idle = HIGH_V if before[-1] == "rising" else LOW_V
    times = np.array([t for t, _ in rows])
    volts = np.array([HIGH_V if kind == "rising" else LOW_V for _, kind in rows])
    key = scenario.cranking.key_on_s if scenario.running.initial == "standstill" else -1.0
    if key > 0:
        times, volts = np.concatenate([[key], times]), np.concatenate([[idle], volts])
    order = np.argsort(times, kind="stable")
    first = idle if key <= 0 else 0.0
    return waveforms.level_line(n, scenario.sampling.rate_hz, times[order], volts[order], first, RISE_S, FALL_S)


def _pick_up(rows: list[tuple[float, str]], motion: Motion, n: int, rate_hz: float) -> F64:
    """One wave a tooth, falling through zero at its ``falling`` edge, as high as the crank is fast."""
    out = np.zeros(n)
    for when, kind in rows:
        if kind != "falling":
            continue
        speed = max(float(np.interp(when, motion.time_s, motion.omega_rad_s)), 0.5)
        half_s = PICK_UP_DEG / (speed * 57.29578)
        part = waveforms.stretch(n, rate_hz, when - 5.0 * half_s, when + 5.0 * half_s)
        x = (np.arange(part.start, part.stop) / rate_hz - when) / half_s
        out[part] -= PICK_UP_V * speed / RPM_200_RAD_S * x * np.exp(0.5 - 0.5 * x * x)
    return out


DRIVE = ("cam-jumped", "chain-stretched")


def valves_late_deg(scenario: Scenario, cylinder: int) -> tuple[float, float]:
    """How late (intake, exhaust) valves of a cylinder (from 1) work with their phasers parked, in crank degrees.

    A camshaft that the scenario does not describe goes with the drive of its bank.
    """
    bank = next((int(k) for k, members in scenario.engine.banks.items() if cylinder in members), 1)
    mine = [n for n, cam in enumerate(scenario.cam, start=1) if cam.bank == bank]
    drive = [f for f in scenario.fault if f.kind in DRIVE]

    def late(shaft: str) -> float:
        own = [n for n in mine if scenario.cam[n - 1].camshaft == shaft]
        if own:
            return parked_offset_deg(scenario, own[0])
        other = [f for f in drive if not f.cams or set(f.cams) & set(mine)]
        return sum(f.teeth * 360.0 / f.sprocket_teeth if f.kind == "cam-jumped" else f.deg for f in other)

    return late("intake"), late("exhaust")


def trapped_factor(scenario: Scenario) -> F64:
    """Share of the charge left in each cylinder where its intake cam closes late or early."""
    e = scenario.engine
    out = np.ones(e.cylinders)
    for number, cam in enumerate(scenario.cam, start=1):
        if cam.camshaft == "exhaust" or not any(
            f.kind == "cam-jumped" and concerned(f, number) for f in scenario.fault
        ):
            continue
        mine = e.banks.get(str(cam.bank), tuple(range(1, e.cylinders + 1)))
        for c in mine:
            out[c - 1] = max(1.0 - 0.006 * abs(parked_offset_deg(scenario, number)), 0.4)
    return out
