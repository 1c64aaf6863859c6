"""Crank motion and control unit, stepped together in time (numba).

The control unit decides from what the sensor shows it, and what it decides (fuel, spark) turns the crank: so both run in
one loop of fixed steps. Everything else (waveforms) is made afterwards from the angle over time and the logs.

Geometry of the slider-crank and polytropic compression as in Heywood, Internal Combustion Engine Fundamentals, ch. 2, 9
(from memory, checked against worked numbers in the tests).
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numba import njit
from numpy.typing import NDArray

F64 = NDArray[np.float64]
I64 = NDArray[np.int64]
Bool = NDArray[np.bool_]

TABLE = 1440  # rows of the 720 degree tables, half a degree apart
NO_SPARK = 1e9
LONG = 0.6  # log of an interval over the expected one beyond which a tooth was missed (a missed tooth gives 0.69)
SHORT = 0.9  # the same for one that comes too early
MOVING_RAD_S = 0.05  # below this the crank is taken to stand when friction can hold it


class Mechanics(NamedTuple):
    """Constants of the engine, tables over one cylinder's 720 degrees from its firing TDC (TABLE rows)."""

    ratio: F64  # cylinder pressure over trapped pressure, valves closed (1 while open)
    closed: Bool
    inlet: Bool  # open and on the inlet side
    arm_m3: F64  # piston area times dx/dtheta, m3/rad, positive going down
    recip_kg_m2: F64  # inertia of one piston at the crank
    recip_slope: F64  # its derivative by angle
    tdc_deg: F64  # firing TDC of each cylinder, 0..720
    trapped: F64  # share of the full charge each cylinder traps
    inertia: float
    friction: float
    friction_per_rad_s: float
    leak_s: float
    combustion: float


class Starter(NamedTuple):
    """Starter and battery at the crank; engaged in [start, end) of each attempt."""

    start_s: F64
    end_s: F64
    ocv_v: F64
    battery_ohm: F64
    motor_ohm: float
    volt_s: float  # back voltage per rad/s at the crank
    nm_per_a: float
    release_after_s: float


class Edges(NamedTuple):
    """Wheel edges in one turn, by angle from slot 1: what the line shows and what the control unit listens to."""

    angle_deg: F64
    tooth: I64
    marking: Bool
    amplitude: F64  # variable reluctance: half wave before the crossing in V per rad/s; two-level: 0
    miss: F64  # probability that a passage gives nothing
    miss_below: F64  # the same, only below the speed beside it
    below_rad_s: F64
    jitter_deg: float
    startup_deg: float  # scale of the error of the first three edges
    offset_deg: float  # wheel angle = crank angle + offset
    two_level: bool
    visible: bool  # two-level line crosses the control unit's input levels


class Unit(NamedTuple):
    """The control unit's rules and its own idea of the wheel."""

    teeth_deg: F64
    length: F64  # interval that ends at each tooth, in pitches
    by_cam: bool  # the crank pattern does not tell the turn's start: the cam does
    cam_deg: float  # crank angle 0..720 of the cam edge it counts from
    offset_deg: float  # its wheel angle = crank angle + offset
    tolerance: float  # of the log of an interval against the expected one
    min_v: float
    adapt: float
    decay: float
    confirm: int  # intervals right before it trusts the position
    tolerant_rad_s: float
    errors_to_lose: int
    ready_s: float
    advance_cranking: float
    advance_running: float
    dwell_s: float
    inject_cranking_s: float
    inject_running_s: float
    prime_s: float
    withhold_spark: bool
    withhold_fuel: bool
    may_start: bool


class Noise(NamedTuple):
    """What disturbs the crank line in time."""

    lost_start_s: F64
    lost_end_s: F64
    spurious_s: F64  # times drawn beforehand, rising
    spurious_v: float
    follows: int  # 0 none, 1 coil, 2 injector
    lag_s: float
    share: float


class Governor(NamedTuple):
    """Speed targets: from time_s on, rad_s."""

    time_s: F64
    rad_s: F64


# control unit state, floats
T_LAST, TAU, PEAK, OFFSET, EDGES_CAM, N_F = 0, 1, 2, 3, 4, 5
# control unit state, integers
SYNC, POS, UNIQUE, ERRORS, SINCE_ERROR, SEEN, PRIMED, N_I = 0, 1, 2, 3, 4, 5, 6, 7


@njit(cache=True)  # type: ignore[untyped-decorator]
def _row(log: F64, n: int, a: float, b: float, c: float, d: float, e: float, f: float) -> None:
    """Write one row of six."""
    log[n, 0] = a
    log[n, 1] = b
    log[n, 2] = c
    log[n, 3] = d
    log[n, 4] = e
    log[n, 5] = f


@njit(cache=True)  # type: ignore[untyped-decorator]
def _forget(i: I64, cand: Bool) -> None:
    """Drop the position; every tooth is possible again."""
    i[SYNC] = 0
    i[UNIQUE] = 0
    cand[:] = True


@njit(cache=True)  # type: ignore[untyped-decorator]
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
        _forget(i, cand)
    elif count == 1:
        i[UNIQUE] += 1
        if i[UNIQUE] > unit.confirm:
            i[SYNC] = 1
            i[ERRORS] = 0
    else:
        i[UNIQUE] = 0


@njit(cache=True)  # type: ignore[untyped-decorator]
def _track(interval: float, omega: float, unit: Unit, f: F64, i: I64, cand: Bool) -> bool:
    """Check an interval against the expected one; False when the edge was taken for a disturbance and ignored."""
    k = len(cand)
    i[SINCE_ERROR] += 1
    if i[SINCE_ERROR] > k:
        i[ERRORS] = 0
    p = (i[POS] + 1) % k
    here = interval / f[TAU]
    off = np.log(here / unit.length[p])
    if -SHORT < off < LONG:
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
    _forget(i, cand)
    return True


@njit(cache=True)  # type: ignore[untyped-decorator]
def _see(t: float, wheel_deg: float, volts: float, omega: float, edges: Edges, unit: Unit, f: F64, i: I64, cand: Bool) -> bool:
    """One edge at the control unit's input; True when it passed the threshold."""
    if not edges.two_level:
        # the reference falls with every tooth and rises by half at most, so that a gap's flank does not deafen it
        reference = f[PEAK] * unit.decay
        threshold = max(unit.min_v, unit.adapt * reference)
        f[PEAK] = max(reference, min(volts, 1.5 * max(reference, unit.min_v)))
        if volts < threshold:
            return False
    elif not edges.visible:
        return False
    i[SEEN] += 1
    f[EDGES_CAM] += 1
    interval = t - f[T_LAST]
    if interval <= 0.0:
        return True
    known = i[SEEN] > 2 and interval < 8.0 * unit.length.max() * max(f[TAU], 1e-4) and interval < 0.5
    if not known and i[SYNC] == 1:
        _forget(i, cand)
    keep = True
    if unit.by_cam:
        f[TAU] = interval
        if i[SYNC] == 1:
            i[POS] = (i[POS] + 1) % len(cand)
    elif known and i[SYNC] == 1:
        keep = _track(interval, omega, unit, f, i, cand)
        if i[SYNC] == 0:
            f[TAU] = interval
    elif known:
        _search(np.log(interval / f[TAU]), unit, i, cand)
        f[TAU] = interval / unit.length[i[POS]] if i[SYNC] == 1 else interval
    else:
        f[TAU] = interval
    if keep:
        f[T_LAST] = t
    if i[SYNC] == 1 and keep:
        off = unit.teeth_deg[i[POS]] - wheel_deg
        f[OFFSET] = off - 360.0 * np.floor(off / 360.0 + 0.5)
    return True


@njit(cache=True)  # type: ignore[untyped-decorator]
def _cam_edge(crank_deg: float, unit: Unit, f: F64, i: I64) -> None:
    """The cam's reference edge: count the crank edges since the last one, or take the position from it."""
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


@njit(cache=True)  # type: ignore[untyped-decorator]
def _crossed(before: float, after: float, at: float, period: float) -> float:
    """Fraction of the step in which an angle passed ``at`` (modulo period) going forward; -1 if it did not."""
    if after <= before:
        return -1.0
    a = (before - at) % period
    b = (after - at) % period
    if b < a:
        return (period - a) / (period - a + b)
    return -1.0


@njit(cache=True)  # type: ignore[untyped-decorator]
def _gas(theta: float, omega: float, dt: float, manifold: float, m: Mechanics, charge: F64, burn: F64, vigour: F64, fuel: Bool, lit: Bool, was: Bool) -> tuple[float, float]:  # fmt: skip
    """Torque in Nm of gas and reciprocating masses, and the pistons' inertia; updates each cylinder's charge (bar)."""
    torque = 0.0
    extra = 0.0
    for c in range(len(m.tdc_deg)):
        phi = (theta - m.tdc_deg[c]) % 720.0
        x = phi * (TABLE / 720.0)
        row = int(x) % TABLE
        part = x - int(x)
        nxt = (row + 1) % TABLE
        arm = m.arm_m3[row] + part * (m.arm_m3[nxt] - m.arm_m3[row])
        if m.closed[row]:
            if not was[c]:
                lit[c] = fuel[c]
                fuel[c] = False
                burn[c] = NO_SPARK
                vigour[c] = 1.0 + 0.06 * np.random.normal()
                charge[c] *= m.trapped[c]
            p = charge[c] * (m.ratio[row] + part * (m.ratio[nxt] - m.ratio[row]))
            signed = phi - 720.0 if phi > 360.0 else phi
            if burn[c] < NO_SPARK and signed > burn[c]:
                x3 = (signed - burn[c]) / 45.0
                p *= 1.0 + m.combustion * vigour[c] * (1.0 - np.exp(-6.9 * x3 * x3 * x3))
            charge[c] *= 1.0 - dt / m.leak_s * (1.0 - 1.0 / max(p, 0.05))
        else:
            charge[c] = manifold if m.inlet[row] else 1.0
            burn[c] = NO_SPARK
            p = charge[c]
        was[c] = m.closed[row]
        torque += (p - 1.0) * 1e5 * arm - 0.5 * m.recip_slope[row] * omega * omega
        extra += m.recip_kg_m2[row]
    return torque, extra


@njit(cache=True)  # type: ignore[untyped-decorator]
def _command(t: float, dt: float, before: float, after: float, theta: float, omega: float, m: Mechanics, unit: Unit, coil_on: F64, fuel: Bool, lit: Bool, burn: F64, log: F64, n: int) -> int:  # fmt: skip
    """Dwell, spark and injection at believed angles; log rows: 0 coil/1 injector, cylinder, start, end, spark, angle."""
    running = omega > unit.tolerant_rad_s
    advance = unit.advance_running if running else unit.advance_cranking
    dwell_deg = min(unit.dwell_s * omega * 57.29578, 300.0)
    for c in range(len(m.tdc_deg)):
        part = _crossed(before, after, m.tdc_deg[c] - advance - dwell_deg, 720.0)
        if part >= 0.0 and coil_on[c] < 0.0 and not unit.withhold_spark:
            coil_on[c] = t + part * dt
        part = _crossed(before, after, m.tdc_deg[c] - advance, 720.0)
        if part >= 0.0 and coil_on[c] >= 0.0 and n < len(log):
            at = t + part * dt
            angle = theta + (part - 1.0) * (after - before)
            if at - coil_on[c] > 0.0005:
                _row(log, n, 0.0, c, coil_on[c], at, 1.0, angle)
                n += 1
                signed = (angle - m.tdc_deg[c] + 360.0) % 720.0 - 360.0
                if lit[c] and -60.0 <= signed <= 30.0 and unit.may_start:
                    burn[c] = signed + 6.0
                    lit[c] = False
                coil_on[c] = -1.0
        part = _crossed(before, after, m.tdc_deg[c] + 330.0, 720.0)
        if part >= 0.0 and not unit.withhold_fuel and n < len(log):
            at = t + part * dt
            length = unit.inject_running_s if running else unit.inject_cranking_s
            _row(log, n, 1.0, c, at, at + length, 0.0, theta)
            n += 1
            fuel[c] = True
    return n


@njit(cache=True)  # type: ignore[untyped-decorator]
def _lost(t: float, noise: Noise) -> bool:
    for j in range(len(noise.lost_start_s)):
        if noise.lost_start_s[j] <= t < noise.lost_end_s[j]:
            return True
    return False


@njit(cache=True)  # type: ignore[untyped-decorator]
def integrate(dt: float, steps: int, seed: int, start_deg: float, start_rad_s: float, m: Mechanics, starter: Starter, edges: Edges, unit: Unit, noise: Noise, gov: Governor):  # type: ignore[no-untyped-def] # noqa: ANN201, C901  # fmt: skip
    """Run the engine for ``steps`` steps of ``dt`` s from ``start_deg``, turning at ``start_rad_s``.

    Returns theta_deg, omega_rad_s, current_a (starter), synced (each steps + 1), the passage log (rows: time s, edge,
    direction, omega, 1 shown on the line, 1 taken by the control unit), the output log of _command, the spurious times.
    """
    np.random.seed(seed)
    n_cyl = len(m.tdc_deg)
    theta = np.empty(steps + 1)
    omega = np.empty(steps + 1)
    current = np.zeros(steps + 1)
    synced = np.zeros(steps + 1, np.uint8)
    passes = np.empty((3 * steps + 64, 6))
    n_pass = 0
    log = np.empty((40 * n_cyl * (int(steps * dt) + 2), 6))
    n_log = 0
    spur = np.empty(len(noise.spurious_s) + len(log))
    n_spur = 0
    queue = np.empty(64)
    n_queue = 0
    next_drawn = 0
    charge = np.ones(n_cyl)
    burn = np.full(n_cyl, NO_SPARK)
    vigour = np.ones(n_cyl)  # cycle-to-cycle spread of combustion, 6 %
    fuel = np.zeros(n_cyl, np.bool_)
    lit = np.zeros(n_cyl, np.bool_)
    was = np.zeros(n_cyl, np.bool_)
    coil_on = np.full(n_cyl, -1.0)
    f = np.zeros(N_F)
    i = np.zeros(N_I, np.int64)
    cand = np.ones(len(unit.teeth_deg), np.bool_)
    n_edge = len(edges.angle_deg)
    shown = np.ones(max(edges.tooth.max() + 1, 1), np.bool_)
    manifold = 0.97
    integral = 0.0
    om_slow = start_rad_s
    high_since = -1.0
    released = np.zeros(len(starter.start_s), np.bool_)
    edges_since_power = 0
    th = start_deg
    om = start_rad_s
    running_start = start_rad_s > 0.0
    wheel = th + edges.offset_deg
    turn = np.floor(wheel / 360.0)
    cursor = np.searchsorted(edges.angle_deg, wheel - 360.0 * turn, side="right") - 1 + int(turn) * n_edge
    for c in range(n_cyl):  # at rest the trapped gas has leaked to ambient
        row = int(((th - m.tdc_deg[c]) % 720.0) * (TABLE / 720.0)) % TABLE
        was[c] = m.closed[row]
        if m.closed[row] and not running_start:
            charge[c] = 1.0 / m.ratio[row]
    if running_start:
        manifold = 0.4
        fuel[:] = True
        lit[:] = True
        edges_since_power = 9
    theta[0] = th
    omega[0] = om
    for s in range(steps):
        t = s * dt
        target = gov.rad_s[0]
        for j in range(len(gov.time_s)):
            if t >= gov.time_s[j]:
                target = gov.rad_s[j]
        # starter
        drive = 0.0
        amps = 0.0
        if om > 47.0:
            if high_since < 0.0:
                high_since = t
        else:
            high_since = -1.0
        for j in range(len(starter.start_s)):
            if abs(t - starter.start_s[j]) < dt and om > 40.0:
                released[j] = True  # nobody pulls the starter in on a running engine
            if starter.start_s[j] <= t < starter.end_s[j] and not released[j]:
                if high_since >= 0.0 and t - high_since > starter.release_after_s:
                    released[j] = True
                amps = (starter.ocv_v[j] - starter.volt_s * om) / (starter.battery_ohm[j] + starter.motor_ohm)
                amps = max(amps, 40.0)
                drive = max(0.0, starter.nm_per_a * (amps - 40.0))
                amps *= 1.0 - np.exp(-(t - starter.start_s[j]) / 0.008)
                drive *= 1.0 - np.exp(-(t - starter.start_s[j]) / 0.012)
        # manifold: the governor works once the engine runs
        rpm_error = (target - om) * 9.549297
        if om > 42.0:
            rate_rpm_s = (om - om_slow) * 9.549297 / 0.08
            integral = min(max(integral + rpm_error * dt * 3e-4, -0.15), 0.6)
            want = min(max(0.40 + integral + 5e-4 * rpm_error - 1.2e-4 * rate_rpm_s, 0.25), 1.0)
        else:
            integral = 0.0
            want = 0.97
        om_slow += (om - om_slow) * dt / 0.08
        manifold += (want - manifold) * dt / 0.1
        gas, extra = _gas(th, om, dt, manifold, m, charge, burn, vigour, fuel, lit, was)
        hold = m.friction * (1.15 if abs(om) < 2.0 else 1.0) + m.friction_per_rad_s * abs(om)
        push = gas + drive
        if abs(om) < MOVING_RAD_S and abs(push) <= hold:
            om = 0.0
            acceleration = 0.0
        else:
            sign = 1.0 if om > 0.0 or (om == 0.0 and push > 0.0) else -1.0
            acceleration = (push - sign * hold) / (m.inertia + extra)
        new = om + acceleration * dt
        if om * new < 0.0:
            new = 0.0
        step_deg = 0.5 * (om + new) * dt * 57.295779513
        after = th + step_deg
        om = new
        # wheel edges passed in this step
        wheel = after + edges.offset_deg
        wheel_before = th + edges.offset_deg
        forward = step_deg > 0.0
        while step_deg != 0.0 and n_pass < len(passes):
            e = cursor + 1 if forward else cursor
            at = edges.angle_deg[e % n_edge] + 360.0 * (e // n_edge)
            if forward and at > wheel or not forward and at <= wheel:
                break
            k = e % n_edge
            cursor += 1 if forward else -1
            speed = max(abs(om), 0.3)
            miss = edges.miss[k]
            if edges.miss_below[k] > 0.0:
                miss = max(miss, edges.miss_below[k] / (1.0 + np.exp((abs(om) / edges.below_rad_s[k] - 1.0) * 25.0)))
            tooth = edges.tooth[k]
            first = k == 0 or edges.tooth[k - 1] != tooth if forward else True
            if not edges.two_level or first:
                shown[tooth] = np.random.random() >= miss
            when = t + (at - wheel_before) / step_deg * dt
            shift = np.random.normal() * edges.jitter_deg
            if edges_since_power < 3 and edges.startup_deg > 0.0:
                shift += (2.0 * np.random.random() - 1.0) * edges.startup_deg
            edges_since_power += 1
            when += shift / (speed * 57.29578)
            on_line = shown[tooth] and not _lost(when, noise)
            taken = False
            if on_line and edges.marking[k] and when >= unit.ready_s:
                taken = _see(when, at % 360.0, edges.amplitude[k] * abs(om), om, edges, unit, f, i, cand)
            _row(passes, n_pass, when, k, 1.0 if forward else -1.0, om, 1.0 if on_line else 0.0, 1.0 if taken else 0.0)
            n_pass += 1
        # disturbances on the line
        while next_drawn < len(noise.spurious_s) and noise.spurious_s[next_drawn] <= t + dt:
            if n_queue < len(queue):
                queue[n_queue] = noise.spurious_s[next_drawn]
                n_queue += 1
            next_drawn += 1
        left = 0
        for j in range(n_queue):
            if queue[j] <= t + dt:
                if n_spur < len(spur) and not _lost(queue[j], noise):
                    spur[n_spur] = queue[j]
                    n_spur += 1
                    if queue[j] >= unit.ready_s:
                        _see(queue[j], wheel % 360.0, noise.spurious_v, om, edges, unit, f, i, cand)
            else:
                queue[left] = queue[j]
                left += 1
        n_queue = left
        # control unit
        if _crossed(th, after, unit.cam_deg, 720.0) >= 0.0 and unit.by_cam and t >= unit.ready_s:
            _cam_edge(after, unit, f, i)
        if i[SYNC] == 1 and t - f[T_LAST] > max(0.12, 6.0 * unit.length.max() * f[TAU]):
            _forget(i, cand)
        if unit.prime_s > 0.0 and i[PRIMED] == 0 and i[SEEN] >= 3 and n_log + n_cyl < len(log):
            i[PRIMED] = 1
            for c in range(n_cyl):
                _row(log, n_log, 1.0, c, t, t + unit.prime_s, 0.0, after)
                n_log += 1
        if running_start and s == 0:
            i[SYNC] = 1
            pos = cursor % n_edge
            near = 1e9
            for p in range(len(unit.teeth_deg)):
                gap = (wheel - unit.teeth_deg[p]) % 360.0
                if gap < near:
                    near = gap
                    pos = p
            i[POS] = pos
            i[SEEN] = 9
            f[T_LAST] = t - near / (om * 57.29578)
            f[TAU] = 360.0 / unit.length.sum() / (om * 57.29578)
            if unit.by_cam:
                f[EDGES_CAM] = -1e9
            if not edges.two_level:
                f[PEAK] = np.median(edges.amplitude) * om
        had = n_log
        if i[SYNC] == 1:
            n_log = _command(t, dt, th + f[OFFSET], after + f[OFFSET], after, om, m, unit, coil_on, fuel, lit, burn, log, n_log)
        else:
            for c in range(n_cyl):
                if coil_on[c] >= 0.0 and n_log < len(log):
                    _row(log, n_log, 0.0, c, coil_on[c], t, 0.0, after)
                    n_log += 1
                    coil_on[c] = -1.0
        for j in range(had, n_log):
            kind = int(log[j, 0]) + 1
            if kind == noise.follows and np.random.random() < noise.share and n_queue < len(queue):
                queue[n_queue] = (log[j, 3] if kind == 1 else log[j, 2]) + noise.lag_s + abs(np.random.normal()) * 2e-5
                n_queue += 1
        th = after
        theta[s + 1] = th
        omega[s + 1] = om
        current[s + 1] = amps
        synced[s + 1] = i[SYNC]
    return theta, omega, current, synced, passes[:n_pass], log[:n_log], spur[:n_spur]
