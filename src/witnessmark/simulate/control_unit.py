"""The control unit: a counter that finds and keeps its place on the wheel, and the fuel and spark it then gives.

Its rules are generic: interval ratios against the layout, the count between gaps, a cam edge where the pattern does not
tell the turn's start, tolerance only once the engine runs.
"""

from __future__ import annotations

import numpy as np
from numba import njit

from witnessmark.simulate.parts import (
    EDGES_CAM,
    ERRORS,
    F64,
    FIRST_SYNC,
    I64,
    LONG,
    OFFSET,
    OMEGA,
    OUTPUTS,
    PEAK,
    POS,
    PRIMED,
    SEEN,
    SHORT,
    SINCE_ERROR,
    SYNC,
    T_LAST,
    TAU,
    THETA,
    UNIQUE,
    Bool,
    Edges,
    Mechanics,
    State,
    Unit,
)


@njit(cache=True)
def forget(i: I64, cand: Bool) -> None:
    """Drop the position; every tooth is possible again."""
    i[SYNC] = 0
    i[UNIQUE] = 0
    cand[:] = True


@njit(inline="always")
def _search(ratio: float, unit: Unit, i: I64, cand: Bool) -> None:
    """Keep the positions whose interval ratio fits; trust the one left after enough intervals in a row."""
    k = len(cand)
    last = cand[k - 1]
    count = 0
    before = cand.copy()
    for p in range(k):
        prev = before[p - 1] if p > 0 else last
        expected = np.log(unit.length[p] / unit.length[p - 1 if p > 0 else k - 1])
        off = ratio - expected
        cand[p] = prev and off < unit.tolerance and off > (-SHORT if expected >= 0.0 else -unit.tolerance)
        if cand[p]:
            count += 1
            i[POS] = p
    if count == 0:
        forget(i, cand)
    elif count == 1:
        i[UNIQUE] += 1
        if i[UNIQUE] > unit.confirm:
            i[SYNC] = 1
            i[ERRORS] = 0
    else:
        i[UNIQUE] = 0


@njit(inline="always")
def _track(interval: float, omega: float, unit: Unit, f: F64, i: I64, cand: Bool) -> bool:
    """Check an interval against the expected one; False when the edge was taken for a disturbance and ignored."""
    k = len(cand)
    i[SINCE_ERROR] += 1
    if i[SINCE_ERROR] >= k // 4:
        i[ERRORS] = 0
    p = (i[POS] + 1) % k
    here = interval / f[TAU]
    off = np.log(here / unit.length[p])
    if -unit.early < off < LONG:
        i[POS] = p
        f[TAU] = 0.5 * (f[TAU] + interval / unit.length[p])
        return True
    i[ERRORS] += 1
    i[SINCE_ERROR] = 0
    if i[ERRORS] <= unit.errors_to_lose:
        if off < 0.0:
            return False  # blanked: far too early for a tooth
        total = unit.length[p]
        for skip in range(1, 4):
            if omega < unit.tolerant_rad_s:
                break
            q = (p + skip) % k
            total += unit.length[q]
            if abs(np.log(here / total)) < 0.3:
                i[POS] = q
                f[TAU] = interval / total
                return True
    forget(i, cand)
    return True


@njit(inline="always")
def _heard(volts: float, edges: Edges, unit: Unit, f: F64) -> bool:
    """Whether a pulse passes the input threshold."""
    if edges.two_level:
        return edges.visible
    # the reference falls with every tooth and rises by half at most, so that a gap's flank does not deafen the input
    reference = f[PEAK] * unit.decay
    threshold = max(unit.min_v, unit.adapt * reference)
    f[PEAK] = max(reference, min(volts, 1.5 * max(reference, unit.min_v)))
    return bool(volts >= threshold)


@njit(cache=True)
def see(t: float, wheel_deg: float, volts: float, edges: Edges, unit: Unit, s: State) -> bool:
    """One edge at the control unit's input; True when it passed the threshold."""
    f, i, cand = s.f, s.i, s.cand
    if not _heard(volts, edges, unit, f):
        return False
    i[SEEN] += 1
    f[EDGES_CAM] += 1
    interval = t - f[T_LAST]
    if interval <= 0.0:
        return True
    if interval > 0.5:  # a stop: what was counted before it says nothing
        f[EDGES_CAM] = 1
        i[ERRORS] = 0
    known = i[SEEN] > 2 and interval < 8.0 * unit.length.max() * max(f[TAU], 1e-4) and interval < 0.5
    if not known and i[SYNC] == 1:
        forget(i, cand)
    if unit.by_cam:
        f[TAU] = interval
        if i[SYNC] == 1:
            i[POS] = (i[POS] + 1) % len(cand)
    elif known and i[SYNC] == 1:
        if not _track(interval, s.x[OMEGA], unit, f, i, cand):
            return True
        if i[SYNC] == 0:
            f[TAU] = interval
    elif known:
        _search(np.log(interval / f[TAU]), unit, i, cand)
        f[TAU] = interval / unit.length[i[POS]] if i[SYNC] == 1 else interval
    else:
        f[TAU] = interval
    f[T_LAST] = t
    if i[SYNC] == 1:
        off = unit.teeth_deg[i[POS]] - wheel_deg
        f[OFFSET] = off - 360.0 * np.floor(off / 360.0 + 0.5)
    return True


@njit(inline="always")
def cam_edge(crank_deg: float, unit: Unit, s: State) -> None:
    """The cam's reference edge: count the crank edges since the last one, or take the position from it."""
    f, i = s.f, s.i
    k = len(unit.teeth_deg)
    if f[EDGES_CAM] < -1e6:  # the record began with the engine running: nothing counted yet
        f[EDGES_CAM] = 0
        i[UNIQUE] = 1
        return
    right = abs(f[EDGES_CAM] - 2 * k) <= 1
    i[UNIQUE] = i[UNIQUE] + 1 if right else 0
    trusts = right or (i[ERRORS] == 0 and f[EDGES_CAM] >= 4)  # until it has been let down, the first edge is enough
    if i[SYNC] == 1 and not right:
        i[SYNC] = 0
        i[ERRORS] = 1
    elif trusts:
        i[SYNC] = 1
        wheel = (crank_deg + unit.offset_deg) % 360.0
        pos = k - 1
        for p in range(k):
            if unit.teeth_deg[p] <= wheel:
                pos = p
        i[POS] = pos
    f[EDGES_CAM] = 0


@njit(cache=True)
def crossed(before: float, after: float, at: float, period: float) -> float:
    """Fraction of the step in which an angle passed ``at`` (modulo period) going forward; -1 if it did not."""
    if after <= before:
        return -1.0
    a = (before - at) % period
    b = (after - at) % period
    if b < a:
        return (period - a) / (period - a + b)
    return -1.0


@njit(cache=True)
def row(log: F64, n: int, a: float, b: float, c: float, d: float, e: float, f: float) -> None:
    """Write one row of six."""
    log[n, 0] = a
    log[n, 1] = b
    log[n, 2] = c
    log[n, 3] = d
    log[n, 4] = e
    log[n, 5] = f


@njit(inline="always")
def _spark(c: int, at: float, angle: float, m: Mechanics, unit: Unit, s: State) -> None:
    """End the dwell of a cylinder; the charge burns when it is there and the piston near its firing TDC."""
    if at - s.coil_on[c] > 0.0005:
        row(s.outputs, s.n[OUTPUTS], 0.0, c, s.coil_on[c], at, 1.0, angle)
        s.n[OUTPUTS] += 1
        half = 0.5 * m.period_deg
        signed = (angle - m.tdc_deg[c] + half) % m.period_deg - half
        if s.lit[c] and -60.0 <= signed <= 30.0 and unit.may_start:
            if m.burns[c] >= 1.0 or np.random.random() < m.burns[c]:
                s.burn[c] = signed + 6.0
            s.lit[c] = False
    s.coil_on[c] = -1.0


@njit(inline="always")
def command(t: float, dt: float, turned_deg: float, m: Mechanics, unit: Unit, s: State) -> None:
    """Dwell, spark and injection at the angles the unit believes in, in a step that ended at the state's angle."""
    theta, omega = s.x[THETA], s.x[OMEGA]
    after = theta + s.f[OFFSET]
    before = after - turned_deg
    running = omega > unit.tolerant_rad_s
    advance = unit.advance_running if running else unit.advance_cranking
    dwell_deg = min(unit.dwell_s * omega * 57.29578, 300.0 if unit.coil_period_deg > 400.0 else 160.0)
    on_for = t - s.f[FIRST_SYNC]
    no_spark = unit.withhold_spark or unit.by_injection or on_for >= unit.lock_spark_s
    no_fuel = unit.withhold_fuel or on_for >= unit.lock_fuel_s
    advance -= unit.spark_shift_deg
    for c in range(len(m.tdc_deg)):
        if s.n[OUTPUTS] + 2 > len(s.outputs):
            return
        part = crossed(before, after, m.tdc_deg[c] - advance - dwell_deg, unit.coil_period_deg)
        due = part >= 0.0 and s.coil_on[c] < 0.0 and not no_spark
        if due and (unit.coil_gives[c] >= 1.0 or np.random.random() < unit.coil_gives[c]):
            s.coil_on[c] = t + part * dt
        part = crossed(before, after, m.tdc_deg[c] - advance, unit.coil_period_deg)
        if part >= 0.0 and s.coil_on[c] >= 0.0:
            _spark(c, t + part * dt, theta + (part - 1.0) * turned_deg, m, unit, s)
        place = (
            m.tdc_deg[c] - advance if unit.by_injection else m.tdc_deg[c] + (330.0 if m.period_deg > 400.0 else 150.0)
        )
        part = crossed(before, after, place, m.period_deg)
        if part >= 0.0 and not no_fuel:
            if unit.inject_gives[c] < 1.0 and np.random.random() >= unit.inject_gives[c]:
                continue
            at = t + part * dt
            length = unit.inject_running_s if running else unit.inject_cranking_s
            row(s.outputs, s.n[OUTPUTS], 1.0, c, at, at + length, 0.0, theta)
            s.n[OUTPUTS] += 1
            s.fuel[c] = True
            lights = unit.by_injection and unit.may_start and s.was[c]
            if lights and (m.burns[c] >= 1.0 or np.random.random() < m.burns[c]):
                s.burn[c] = 4.0 - advance


@njit(inline="always")
def fall_silent(t: float, s: State) -> None:
    """Without a position the coils are let go: no spark is counted."""
    for c in range(len(s.coil_on)):
        if s.coil_on[c] >= 0.0 and s.n[OUTPUTS] < len(s.outputs):
            row(s.outputs, s.n[OUTPUTS], 0.0, c, s.coil_on[c], t, 0.0, s.x[THETA])
            s.n[OUTPUTS] += 1
            s.coil_on[c] = -1.0


@njit(inline="always")
def prime(t: float, unit: Unit, s: State) -> None:
    """One injection on all cylinders at the third edge, where the unit does so."""
    if unit.prime_s > 0.0 and s.i[PRIMED] == 0 and s.i[SEEN] >= 3:
        s.i[PRIMED] = 1
        for c in range(len(s.coil_on)):
            row(s.outputs, s.n[OUTPUTS], 1.0, c, t, t + unit.prime_s, 0.0, s.x[THETA])
            s.n[OUTPUTS] += 1


@njit(inline="always")
def already_running(wheel_deg: float, edges: Edges, unit: Unit, s: State) -> None:
    """The record begins with the unit in step."""
    s.i[SYNC] = 1
    s.i[SEEN] = 9
    near = 1e9
    for p in range(len(unit.teeth_deg)):
        gap = (wheel_deg - unit.teeth_deg[p]) % 360.0
        if gap < near:
            near = gap
            s.i[POS] = p
    deg_s = s.x[OMEGA] * 57.29578
    s.f[T_LAST] = -near / deg_s
    s.f[TAU] = 360.0 / unit.length.sum() / deg_s
    if unit.by_cam:
        s.f[EDGES_CAM] = -1e9
    if not edges.two_level:
        s.f[PEAK] = np.median(edges.amplitude) * s.x[OMEGA]
