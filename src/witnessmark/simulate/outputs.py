"""What faults of cylinders, outputs and control unit do to the run, and the lines of coils and injectors."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from witnessmark.simulate import cams, waveforms
from witnessmark.simulate.scenario import Channel, Scenario

F64 = NDArray[np.float64]

# Blow-by of a cylinder that leaks: a charge of ``share`` is what is left of it at the end of a compression of this
# length, the part near TDC in which pressure is high at a usual cranking speed.
COMPRESSION_S = 0.035
# Below this share of its current a coil stores less than a quarter of its energy: no burn (common practice, no source).
NO_BURN = 0.5
COIL_OHM, COIL_H = 0.6, 3e-3
INJECTOR_OHM, INJECTOR_H = 14.0, 9e-3


def cylinders(scenario: Scenario) -> tuple[F64, F64, F64]:
    """(share of the charge trapped, time constant of blow-by in s, probability of burning) by cylinder."""
    e = scenario.engine
    trapped = np.asarray(e.trapped or (1.0,) * e.cylinders, np.float64) * cams.trapped_factor(scenario)
    leak, burns = np.full(e.cylinders, e.leak_s), np.ones(e.cylinders)
    for fault in scenario.fault:
        c = fault.cylinder - 1
        if fault.kind == "compression-low" and fault.how == "trapped":
            trapped[c] *= fault.share
        elif fault.kind == "compression-low":
            leak[c] = 1.0 / (1.0 / e.leak_s - np.log(max(fault.share, 0.02)) / COMPRESSION_S)
        elif fault.kind == "misfire":
            burns[c] *= 1.0 - fault.share
        elif fault.kind == "coil-current-poor" and fault.share < NO_BURN:
            burns[c] = 0.0
        elif fault.kind == "fuel-starved":
            burns[:] = 0.0
    for channel in scenario.channel:
        if channel.role == "cylinder-pressure":
            burns[channel.cylinder - 1] = 0.0  # a transducer sits in the place of its plug
    return trapped, leak, burns


def unit_rules(scenario: Scenario) -> dict[str, Any]:
    """Fields of ``parts.Unit`` that say what is given, withheld, shifted and when the unit restarts."""
    e = scenario.engine
    coil, inject = np.ones(e.cylinders), np.ones(e.cylinders)
    shift, lock_spark, lock_fuel = 0.0, np.inf, np.inf
    resets: list[tuple[float, float]] = []
    for fault in scenario.fault:
        mine = [c - 1 for c in fault.cylinders] or list(range(e.cylinders))
        if fault.kind == "coil-command-absent":
            coil[mine] *= 1.0 - fault.share
        elif fault.kind == "injector-command-absent":
            inject[mine] *= 1.0 - fault.share
        elif fault.kind == "spark-shifted":
            shift = fault.deg
        elif fault.kind == "unit-silent":
            lock_spark = lock_fuel = 0.0
        elif fault.kind == "unit-resets":
            resets += [(a, a + b) for a, b in fault.stretches]
        elif fault.kind == "lockout":
            after = 0.0 if fault.after_s is None else fault.after_s
            lock_spark = after if fault.mode in ("spark", "both") else lock_spark
            lock_fuel = after if fault.mode in ("fuel", "both") else lock_fuel
    return {
        "coil_gives": coil, "inject_gives": inject, "spark_shift_deg": shift,
        "coil_period_deg": 360.0 if e.strokes == 2 or e.ignition == "wasted-spark" else 720.0,
        "by_injection": e.ignition == "compression", "lock_spark_s": lock_spark, "lock_fuel_s": lock_fuel,
        "reset_start_s": np.array([a for a, _ in resets], np.float64),
        "reset_end_s": np.array([b for _, b in resets], np.float64),
        "reset_below_v": scenario.control.reset_below_v,
    }  # fmt: skip


def events(scenario: Scenario, log: F64, channel: Channel) -> F64:
    """Start and end in s of every event on a coil or injector line, by time; a shared coil shows all it fires for."""
    kind = 0.0 if channel.role == "coil" else 1.0
    mine = [channel.cylinder]
    if channel.role == "coil" and scenario.engine.ignition == "distributor":
        mine = list(scenario.engine.order())
    rows = log[(log[:, 0] == kind) & np.isin(log[:, 1].astype(int) + 1, mine), 2:4]
    rows = rows[np.argsort(rows[:, 0], kind="stable")]
    if len(mine) > 1:  # one coil for several: the next dwell waits for the last spark
        rows[:-1, 1] = np.minimum(rows[:-1, 1], rows[1:, 0] - 2e-4)
    return rows


def line(channel: Channel, scenario: Scenario, log: F64, n: int, battery: F64) -> F64:
    """Volts (or amperes) of a coil or injector line at every sample."""
    rate = scenario.sampling.rate_hz
    rows = events(scenario, log, channel)
    if channel.role == "injector":
        if channel.style == "current":
            return waveforms.ramp(n, rate, rows, battery, INJECTOR_OHM, INJECTOR_H)
        return waveforms.injector_line(n, rate, rows, battery)
    if channel.style == "current":
        poor = [f.share for f in scenario.fault if f.kind == "coil-current-poor" and f.cylinder == channel.cylinder]
        share = min(poor, default=1.0)
        return waveforms.ramp(n, rate, rows, battery, COIL_OHM / max(share, 0.01), COIL_H)
    return waveforms.level_line(n, rate, rows.ravel(), np.tile([5.0, 0.1], len(rows)), 0.1, 4e-6, 4e-6)
