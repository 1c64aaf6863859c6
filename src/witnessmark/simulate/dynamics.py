"""Crank motion and control unit, stepped together in time (numba).

The control unit decides from what the sensor shows it, and what it decides (fuel, spark) turns the crank: so both run
in one loop of fixed steps. Everything else (waveforms) is made afterwards from the angle over time and the logs.
Functions called once a step are inlined: passing the state's arrays costs more than most of them do.

Geometry of the slider-crank and polytropic compression as in Heywood, Internal Combustion Engine Fundamentals, ch. 2, 9
(from memory, checked against worked numbers in the tests).
"""

from __future__ import annotations

import zlib
from functools import cache
from pathlib import Path

import numpy as np
from numba import njit
from numpy.typing import NDArray

from witnessmark.simulate import control_unit, drive, parts
from witnessmark.simulate.control_unit import (
    already_running,
    cam_edge,
    command,
    crossed,
    fall_silent,
    forget,
    prime,
    row,
    see,
)
from witnessmark.simulate.drive import govern, starter_pull
from witnessmark.simulate.parts import (
    CURSOR,
    DRAWN,
    F64,
    FIRST_SYNC,
    LOOSE,
    MANIFOLD,
    MOVING_RAD_S,
    NO_SPARK,
    OMEGA,
    OUTPUTS,
    PASSES,
    POWERED,
    QUEUED,
    RESET_UNTIL,
    SEEN,
    SLOW,
    SPURIOUS,
    SYNC,
    T_LAST,
    TABLE,
    TAU,
    THETA,
    Edges,
    Governor,
    Mechanics,
    Noise,
    Starter,
    State,
    Unit,
    new_state,
)

DEG = 57.29577951308232
LOOSE_NM = 40.0  # torque that moves a loose wheel to the end of its play (memory)
BOOT_S = 0.12  # a control unit that has been down is not back earlier (common practice, no source)


@njit(inline="always")
def _gas(dt: float, m: Mechanics, s: State) -> tuple[float, float]:
    """Torque in Nm of gas and reciprocating masses, and the pistons' inertia; updates each cylinder's charge (bar)."""
    theta, omega, manifold = s.x[THETA], s.x[OMEGA], s.x[MANIFOLD]
    charge, burn = s.charge, s.burn
    torque = 0.0
    extra = 0.0
    for c in range(len(m.tdc_deg)):
        phi = (theta - m.tdc_deg[c]) % m.period_deg
        x = phi * (TABLE / 720.0)
        row = int(x) % TABLE
        part = x - int(x)
        nxt = (row + 1) % int(TABLE * m.period_deg / 720.0)
        arm = m.arm_m3[row] + part * (m.arm_m3[nxt] - m.arm_m3[row])
        if m.closed[row]:
            if not s.was[c]:
                s.lit[c] = s.fuel[c]
                s.fuel[c] = False
                burn[c] = NO_SPARK
                s.vigour[c] = 1.0 + 0.06 * np.random.normal()
                charge[c] *= m.trapped[c]
            p = charge[c] * (m.ratio[row] + part * (m.ratio[nxt] - m.ratio[row]))
            signed = phi - m.period_deg if phi > 0.5 * m.period_deg else phi
            if burn[c] < NO_SPARK and signed > burn[c]:
                x3 = (signed - burn[c]) / 45.0
                p *= 1.0 + m.combustion * s.vigour[c] * (1.0 - np.exp(-6.9 * x3 * x3 * x3))
            charge[c] *= 1.0 - dt / m.leak_s[c] * (1.0 - 1.0 / max(p, 0.05))
        else:
            charge[c] = manifold if m.inlet[row] else 1.0
            burn[c] = NO_SPARK
            p = charge[c]
        s.was[c] = m.closed[row]
        torque += (p - 1.0) * 1e5 * arm - 0.5 * m.recip_slope[row] * omega * omega
        extra += m.recip_kg_m2[row]
    return torque, extra


@njit(cache=True)
def _lost(t: float, noise: Noise) -> bool:
    for j in range(len(noise.lost_start_s)):  # noqa: SIM110 (numba has no any() over a generator)
        if noise.lost_start_s[j] <= t < noise.lost_end_s[j]:
            return True
    return False


@njit(inline="always")
def _move(dt: float, drive: float, m: Mechanics, edges: Edges, s: State) -> float:
    """Advance angle and speed by one step; the degrees turned (negative when the crank rocks back).

    A loose wheel is pulled along or dragged by what the gas gives: its place on the crank follows within 10 ms.
    """
    gas, pistons = _gas(dt, m, s)
    om = s.x[OMEGA]
    hold = m.friction * (1.15 if abs(om) < 2.0 else 1.0) + m.friction_per_rad_s * abs(om)
    push = gas + drive
    if edges.loose_deg > 0.0:
        s.x[LOOSE] += (0.5 * edges.loose_deg * np.tanh(push / LOOSE_NM) - s.x[LOOSE]) * dt / 0.01
    if abs(om) < MOVING_RAD_S and abs(push) <= hold:
        s.x[OMEGA] = 0.0
        return 0.0
    sign = 1.0 if om > 0.0 or (om == 0.0 and push > 0.0) else -1.0
    new = om + (push - sign * hold) / (m.inertia + pistons) * dt
    if om * new < 0.0:
        new = 0.0
    turned = 0.5 * (om + new) * dt * DEG
    s.x[THETA] += turned
    s.x[OMEGA] = new
    return float(turned)


@njit(inline="always")
def _gives_pulse(k: int, forward: bool, edges: Edges, s: State) -> bool:
    """Whether the tooth of edge k gives its pulse in this passage (drawn at its first edge)."""
    tooth = edges.tooth[k]
    first = k == 0 or edges.tooth[k - 1] != tooth if forward else True
    if not edges.two_level or first:
        miss = edges.miss[k]
        if edges.miss_below[k] > 0.0:
            over = abs(s.x[OMEGA]) / edges.below_rad_s[k] - 1.0
            miss = max(miss, edges.miss_below[k] / (1.0 + np.exp(min(over * 25.0, 50.0))))
        s.shown[tooth] = np.random.random() >= miss
    return bool(s.shown[tooth])


@njit(inline="always")
def _pass_edges(t: float, dt: float, turned: float, edges: Edges, unit: Unit, noise: Noise, s: State) -> None:
    """Wheel edges passed in this step (``turned``: of the wheel): log them and show them to the control unit."""
    wheel = s.x[THETA] + edges.offset_deg + s.x[LOOSE]
    forward = turned > 0.0
    count = len(edges.angle_deg)
    while turned != 0.0 and s.n[PASSES] < len(s.passes):
        e = s.n[CURSOR] + 1 if forward else s.n[CURSOR]
        k = e % count
        at = edges.angle_deg[k] + 360.0 * (e // count)
        if (forward and at > wheel) or (not forward and at <= wheel):
            return
        s.n[CURSOR] += 1 if forward else -1
        pulse = _gives_pulse(k, forward, edges, s)
        shift = np.random.normal() * edges.jitter_deg
        if s.n[POWERED] < 3 and edges.startup_deg > 0.0:
            shift += (2.0 * np.random.random() - 1.0) * edges.startup_deg
        s.n[POWERED] += 1
        om = s.x[OMEGA]
        when = t + (at - wheel + turned) / turned * dt + shift / (max(abs(om), 0.3) * DEG) + edges.delay_s
        on_line = pulse and not _lost(when, noise)
        taken = False
        if on_line and edges.marking[k] and when >= unit.ready_s and when >= s.f[RESET_UNTIL]:
            taken = see(when, (at + om * edges.delay_s * DEG) % 360.0, edges.amplitude[k] * abs(om), edges, unit, s)
        way = 1.0 if forward else -1.0
        shown = 1.0 if on_line else (-1.0 if pulse else 0.0)
        row(s.passes, s.n[PASSES], when, k, way, om, shown, 1.0 if taken else 0.0)
        s.n[PASSES] += 1


@njit(inline="always")
def _disturb(t_end: float, edges: Edges, unit: Unit, noise: Noise, s: State) -> None:
    """Disturbances due by the end of this step: log them and show them to the control unit."""
    while s.n[DRAWN] < len(noise.spurious_s) and noise.spurious_s[s.n[DRAWN]] <= t_end:
        if s.n[QUEUED] < len(s.queue):
            s.queue[s.n[QUEUED]] = noise.spurious_s[s.n[DRAWN]]
            s.n[QUEUED] += 1
        s.n[DRAWN] += 1
    left = 0
    for j in range(s.n[QUEUED]):
        at = s.queue[j]
        if at > t_end:
            s.queue[left] = at
            left += 1
        elif s.n[SPURIOUS] < len(s.spurious) and not _lost(at, noise):
            s.spurious[s.n[SPURIOUS]] = at
            s.n[SPURIOUS] += 1
            if at >= unit.ready_s and at >= s.f[RESET_UNTIL]:
                see(at, (s.x[THETA] + edges.offset_deg) % 360.0, noise.spurious_v, edges, unit, s)
    s.n[QUEUED] = left


@njit(inline="always")
def _resets(t: float, volts: float, unit: Unit, s: State) -> bool:
    """Whether the control unit is down: in a stretch given, or its supply is too low; it then starts afresh."""
    down = volts < unit.reset_below_v
    for j in range(len(unit.reset_start_s)):
        if unit.reset_start_s[j] <= t < unit.reset_end_s[j]:
            down = True
    if down:
        if t >= s.f[RESET_UNTIL]:
            fall_silent(t, s)
            forget(s.i, s.cand)
            s.i[SEEN] = 0
            s.f[FIRST_SYNC] = -1.0
        s.f[RESET_UNTIL] = t + BOOT_S
    return bool(t < s.f[RESET_UNTIL])


@njit(inline="always")
def _unit_step(
    t: float, dt: float, turned: float, volts: float, m: Mechanics, unit: Unit, noise: Noise, s: State
) -> None:
    """Cam, timeout, outputs, and the disturbances that follow outputs."""
    theta = s.x[THETA]
    if _resets(t, volts, unit, s):
        return
    if s.i[SYNC] == 1 and s.f[FIRST_SYNC] < 0.0:
        s.f[FIRST_SYNC] = t
    if (
        unit.by_cam
        and unit.cam_deg >= 0.0
        and t >= unit.ready_s
        and crossed(theta - turned, theta, unit.cam_deg, 720.0) >= 0.0
    ):
        cam_edge(theta, unit, s)
    if s.i[SYNC] == 1 and t - s.f[T_LAST] > max(0.12, 6.0 * unit.length.max() * s.f[TAU]):
        forget(s.i, s.cand)
    had = s.n[OUTPUTS]
    prime(t, unit, s)
    if s.i[SYNC] == 1:
        command(t, dt, turned, m, unit, s)
    else:
        fall_silent(t, s)
    for j in range(had, s.n[OUTPUTS]):
        kind = int(s.outputs[j, 0]) + 1
        if kind == noise.follows and np.random.random() < noise.share and s.n[QUEUED] < len(s.queue):
            at = s.outputs[j, 3] if kind == 1 else s.outputs[j, 2]
            s.queue[s.n[QUEUED]] = at + noise.lag_s + abs(np.random.normal()) * 2e-5
            s.n[QUEUED] += 1


@njit(inline="always")
def _begin(start_deg: float, start_rad_s: float, m: Mechanics, edges: Edges, unit: Unit, s: State) -> None:
    """Place the crank; at rest the trapped gas has leaked to ambient, running the unit is in step."""
    s.x[THETA], s.x[OMEGA], s.x[SLOW] = start_deg, start_rad_s, start_rad_s
    wheel = start_deg + edges.offset_deg
    turn = int(np.floor(wheel / 360.0))
    s.n[CURSOR] = np.searchsorted(edges.angle_deg, wheel - 360.0 * turn, side="right") - 1 + turn * len(edges.angle_deg)
    for c in range(len(m.tdc_deg)):
        at = int(((start_deg - m.tdc_deg[c]) % m.period_deg) * (TABLE / 720.0)) % TABLE
        s.was[c] = m.closed[at]
        if m.closed[at] and start_rad_s == 0.0:
            s.charge[c] = 1.0 / m.ratio[at]
    if start_rad_s > 0.0:
        s.x[MANIFOLD] = 0.4
        s.charge[:] = 0.4
        s.fuel[:] = True
        s.lit[:] = True
        s.n[POWERED] = 9
        already_running(wheel % 360.0, edges, unit, s)


@cache
def _source() -> int:
    """Checksum of the inlined code: numba's cache looks at this file only and would keep a stale loop."""
    return zlib.crc32(b"".join(Path(str(module.__file__)).read_bytes() for module in (control_unit, drive, parts)))


@cache
def _loop(source: int):  # type: ignore[no-untyped-def]
    """The compiled loop of ``integrate``."""

    @njit(cache=True)
    def _run(
        dt: float,
        steps: int,
        seed: int,
        start_deg: float,
        start_rad_s: float,
        m: Mechanics,
        starter: Starter,
        edges: Edges,
        unit: Unit,
        noise: Noise,
        gov: Governor,
        s: State,
    ) -> tuple[F64, F64, F64, NDArray[np.uint8], F64, F64]:
        _ = source  # part of the cache's key
        np.random.seed(seed)
        theta = np.empty(steps + 1)
        omega = np.empty(steps + 1)
        current = np.zeros(steps + 1)
        synced = np.zeros(steps + 1, np.uint8)
        manifold = np.full(steps + 1, s.x[MANIFOLD])
        played = np.zeros(steps + 1)
        _begin(start_deg, start_rad_s, m, edges, unit, s)
        theta[0], omega[0], synced[0] = start_deg, start_rad_s, s.i[SYNC]
        for k in range(steps):
            t = k * dt
            drive, amps = starter_pull(t, dt, starter, s)
            govern(t, dt, gov, s)
            loose = s.x[LOOSE]
            turned = _move(dt, drive, m, edges, s)
            _pass_edges(t, dt, turned + s.x[LOOSE] - loose, edges, unit, noise, s)
            played[k + 1] = s.x[LOOSE]
            _disturb(t + dt, edges, unit, noise, s)
            volts = starter.ocv_v[0] if len(starter.ocv_v) else 12.6
            ohm = starter.battery_ohm[0] if len(starter.battery_ohm) else 0.0
            for j in range(1, len(starter.start_s)):
                if t >= starter.start_s[j] - 1.0:
                    volts, ohm = starter.ocv_v[j], starter.battery_ohm[j]
            _unit_step(t, dt, turned, volts - amps * ohm, m, unit, noise, s)
            theta[k + 1] = s.x[THETA]
            omega[k + 1] = s.x[OMEGA]
            current[k + 1] = amps
            synced[k + 1] = s.i[SYNC]
            manifold[k + 1] = s.x[MANIFOLD]
        return theta, omega, current, synced, manifold, played

    return _run


def integrate(
    dt: float,
    steps: int,
    seed: int,
    start_deg: float,
    start_rad_s: float,
    m: Mechanics,
    starter: Starter,
    edges: Edges,
    unit: Unit,
    noise: Noise,
    gov: Governor,
) -> tuple[F64, F64, F64, NDArray[np.uint8], F64, F64, F64, F64, F64]:
    """Run the engine for ``steps`` steps of ``dt`` s from ``start_deg``, turning at ``start_rad_s``.

    Returns theta_deg, omega_rad_s, current_a (starter), synced (each steps + 1); the passage log (rows: time s, edge,
    direction, omega, 1 shown on the line, 1 taken by the control unit); the output log (rows: 0 coil or 1 injector,
    cylinder index, start s, end s, 1 when it sparked, crank angle); the times of spurious edges in s; the manifold
    pressure in bar and how far a loose wheel is ahead of its seat in degrees (steps + 1 each).
    """
    s = new_state(steps, dt, m, edges, unit, noise, len(starter.start_s))
    theta, omega, current, synced, manifold, played = _loop(_source())(
        dt, steps, seed, start_deg, start_rad_s, m, starter, edges, unit, noise, gov, s
    )
    passes, outputs = s.passes[: s.n[PASSES]].copy(), s.outputs[: s.n[OUTPUTS]].copy()
    return theta, omega, current, synced, passes, outputs, s.spurious[: s.n[SPURIOUS]].copy(), manifold, played
