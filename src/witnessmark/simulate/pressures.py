"""Pressure lines: in a cylinder that is not fired (a transducer in its plug hole), at the intake, in the exhaust."""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

from witnessmark.engine import geometry
from witnessmark.simulate import cams, mechanics, outputs
from witnessmark.simulate.parts import TABLE
from witnessmark.simulate.scenario import Channel, Scenario

F64 = NDArray[np.float64]

# Heat loss and leakage put the peak of a motored cylinder before TDC: 0.4 to 1.3 degrees (published: a dissertation on
# dynamic TDC measurement); more while cranking (memory).
LOSS_DEG = 0.8
# Pressure evens out through an open valve with this time constant (memory: some milliseconds).
FLOW_S = 1.5e-3
# Height of the pulses in bar and their half width in degrees (memory, no source).
INTAKE_BAR, EXHAUST_BAR, PULSE_DEG = 0.05, 0.06, 35.0
INTAKE_AT_DEG, EXHAUST_AT_DEG = 450.0, 175.0  # after the cylinder's firing TDC


@njit(cache=True)
def _cylinder(
    theta: F64, manifold: F64, dt: float, tdc: float, period: float, ratio: F64, closed: NDArray[np.bool_],
    inlet: NDArray[np.bool_], trapped: float, leak_s: float, loss_deg: float, flow_s: float,
) -> F64:  # fmt: skip
    """Absolute pressure in bar on the run's grid."""
    out = np.empty(len(theta))
    charge = manifold[0] * trapped
    p = 1.0
    was = False
    for k in range(len(theta)):
        phi = (theta[k] - tdc + loss_deg) % period
        row = int(phi * (TABLE / 720.0)) % TABLE
        if closed[row]:
            if not was:
                # what flowed in is shut in at the pressure there is; a charge that is short is short from here on
                charge = p * trapped / ratio[row]
            nxt = (row + 1) % int(TABLE * period / 720.0)
            part = phi * (TABLE / 720.0) - int(phi * (TABLE / 720.0))
            full = ratio[row] + part * (ratio[nxt] - ratio[row])
            p = charge * full
            charge *= 1.0 - dt / leak_s * (1.0 - 1.0 / max(p, 0.05))
        else:
            target = manifold[k] if inlet[row] else 1.0
            p += (target - p) * min(dt / flow_s, 1.0)
        was = closed[row]
        out[k] = p
    return out


def _pulses(theta: F64, scenario: Scenario, at_deg: float) -> F64:
    """Sum of one pulse a cylinder and cycle, by what each traps."""
    e = scenario.engine
    trapped = outputs.cylinders(scenario)[0]
    out = np.zeros(len(theta))
    for c, tdc in enumerate(mechanics.tdc_deg(e)):
        off = np.mod(theta - tdc - at_deg + 0.5 * e.cycle_deg, e.cycle_deg) - 0.5 * e.cycle_deg
        out += trapped[c] * np.exp(-0.5 * (off / PULSE_DEG) ** 2)
    return out


def _valves(scenario: Scenario, cylinder: int) -> tuple[F64, NDArray[np.bool_], NDArray[np.bool_]]:
    """(pressure over that at closing, closed, intake open) of one cylinder over the crank angle, cams as they stand.

    The crank's own motion keeps the drawn timing: all it feels of a cam out of time is the smaller charge.
    """
    m = mechanics.mechanics(scenario)
    intake, exhaust = cams.valves_late_deg(scenario, cylinder)
    if scenario.engine.strokes == 2 or (intake == 0.0 and exhaust == 0.0):
        return m.ratio, m.closed, m.inlet
    size = mechanics.cylinder(scenario.engine)
    deg = np.arange(TABLE, dtype=np.float64) * (720.0 / TABLE)
    signed = np.where(deg > 360.0, deg - 720.0, deg)
    closes, opens = scenario.engine.valve_closed_deg
    closed = (signed >= closes + intake) & (signed <= opens + exhaust)
    volume = geometry.volume_ratio(deg, size.rod_ratio, size.compression_ratio)
    at_close = float(geometry.volume_ratio(closes + intake, size.rod_ratio, size.compression_ratio))
    ratio = np.where(closed, (at_close / volume) ** scenario.engine.polytropic, 1.0)
    # the intake opens about where the exhaust closes: overlap is not modelled
    return ratio, closed, (deg > 350.0 + intake) & ~closed


def line(channel: Channel, scenario: Scenario, theta: F64, manifold: F64, dt: float, n: int) -> F64:
    """Gauge pressure in bar at every sample (cylinder, exhaust); the intake's is absolute."""
    m = mechanics.mechanics(scenario)
    turning = np.concatenate([[0.0], np.minimum(np.abs(np.diff(theta)) / dt / 600.0, 1.0)])
    if channel.role == "cylinder-pressure":
        c = channel.cylinder - 1
        ratio, closed, inlet = _valves(scenario, channel.cylinder)
        # what a charge shut in late or early lacks follows from the valves here
        trapped = float(m.trapped[c] / cams.trapped_factor(scenario)[c])
        grid = _cylinder(
            theta, manifold, dt, float(m.tdc_deg[c]), m.period_deg, ratio, closed, inlet, trapped,
            float(m.leak_s[c]), LOSS_DEG, FLOW_S,
        ) - 1.0  # fmt: skip
    elif channel.role == "intake-pressure":
        grid = manifold - INTAKE_BAR * turning * _pulses(theta, scenario, INTAKE_AT_DEG)
    else:
        grid = EXHAUST_BAR * turning * _pulses(theta, scenario, EXHAUST_AT_DEG)
    at = np.arange(n) / scenario.sampling.rate_hz
    return np.asarray(np.interp(at, np.arange(len(grid)) * dt, grid))
