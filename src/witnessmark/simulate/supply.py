"""Supply and ground of the sensors: what the channels show, and what the control unit no longer sees."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from witnessmark.simulate.scenario import Fault, Scenario

F64 = NDArray[np.float64]

SUPPLY_V = 5.0
# A two-level sensor goes dead below this supply (common practice: made for 4.5 V and more; memory: dead near 3 V).
DEAD_BELOW_V = 3.0
# Current at which a poor ground in the starter's path rises by the whole of what the fault says.
FULL_A = 200.0
# The control unit tells low from high at this share of the swing.
INPUT_SHARE = 0.45


def _following(fault: Fault, scenario: Scenario, time_s: F64, amps: F64, log: F64) -> F64:
    """0 to 1 over ``time_s``: how far what the fault follows is there."""
    out = np.zeros(len(time_s))
    if fault.follows == "starter":
        return np.asarray(np.clip(amps / FULL_A, 0.0, 1.0))
    if fault.follows == "time":
        for start, length in fault.stretches:
            out[(time_s >= start) & (time_s < start + length)] = 1.0
        return out
    kind = 0.0 if fault.follows == "coil" else 1.0
    for start, end in log[log[:, 0] == kind][:, 2:4]:
        out[(time_s >= start) & (time_s < end)] = 1.0
    return out


def ground_lift(scenario: Scenario, time_s: F64, amps: F64, log: F64, shared: bool = False) -> F64:
    """Volts by which the sensor ground stands above battery negative; ``shared``: only what other sensors share."""
    out = np.zeros(len(time_s))
    for f in scenario.fault:
        if f.kind == "ground-lift" and (f.shared or not shared):
            out += (f.v or 0.0) * _following(f, scenario, time_s, amps, log)
    return out


def supply_v(scenario: Scenario, time_s: F64, amps: F64, log: F64) -> F64:
    """Volts of the sensor's supply."""
    out = np.full(len(time_s), SUPPLY_V)
    key = scenario.cranking.key_on_s if scenario.running.initial == "standstill" else -1.0
    out[time_s < key] = 0.0
    for f in scenario.fault:
        if f.kind == "supply-drop":
            there = _following(f, scenario, time_s, amps, log)
            out = np.minimum(out, SUPPLY_V + ((f.v or 0.0) - SUPPLY_V) * there)
        elif f.kind == "signal-lost" and f.where == "supply":
            for start, length in f.stretches:
                out[(time_s >= start) & (time_s < start + length)] = 0.2
    return out


def lost_stretches(scenario: Scenario) -> list[tuple[float, float]]:
    """(start, end) in s in which the control unit gets nothing from the crank sensor."""
    out = [(a, a + b) for f in scenario.fault if f.kind == "signal-lost" for a, b in f.stretches]
    tries = [(a.start_s, min(a.end_s, 1e6)) for a in scenario.cranking.attempts]
    started = [] if scenario.running.initial == "running" else tries
    s = scenario.sensor
    for f in scenario.fault:
        deaf = f.kind == "ground-lift" and (f.v or 0.0) > INPUT_SHARE * (s.high_v - s.low_v)
        if f.kind == "supply-drop" and (f.v or 0.0) < DEAD_BELOW_V:
            out += started if f.follows == "starter" else [(a, a + b) for a, b in f.stretches]
        elif deaf and f.follows == "starter":
            out += started
    return out


def dead(scenario: Scenario, time_s: F64) -> NDArray[np.bool_]:
    """Whether the sensor itself gives nothing at each time, so that its own end of the line is dead too."""
    spans = [(a, a + b) for f in scenario.fault if f.kind == "signal-lost" and f.where in ("sensor", "supply")
             for a, b in f.stretches]  # fmt: skip
    for f in scenario.fault:
        if f.kind == "supply-drop" and (f.v or 0.0) < DEAD_BELOW_V and f.follows == "time":
            spans += [(a, a + b) for a, b in f.stretches]
    out = np.zeros(len(time_s), bool)
    for start, end in spans:
        out |= (time_s >= start) & (time_s < end)
    return out


def without_supply(line: F64, scenario: Scenario, supply: F64, idle_v: float) -> None:
    """A two-level line rests at its pull-up where the sensor has too little supply; changes ``line``."""
    if any(f.kind == "supply-drop" for f in scenario.fault):
        line[supply < DEAD_BELOW_V] = idle_v


def at_samples(grid: F64, dt_s: float, n: int, rate_hz: float) -> F64:
    """A quantity of the run's grid at every sample."""
    return np.asarray(np.interp(np.arange(n) / rate_hz, np.arange(len(grid)) * dt_s, grid))
