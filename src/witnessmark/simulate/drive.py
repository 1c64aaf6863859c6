"""What turns the crank beside the gas: the starter (or a motor), and the throttle that holds a target speed (numba)."""

from __future__ import annotations

import numpy as np
from numba import njit

from witnessmark.simulate.parts import HIGH_SINCE, INTEGRAL, MANIFOLD, OMEGA, SLOW, Governor, Starter, State

RPM_PER_RAD_S = 9.549296585513721
RUNS_RAD_S = 47.0  # 450 rpm
FREE_A = 40.0  # the starter spinning free


@njit(inline="always")
def starter_pull(t: float, dt: float, starter: Starter, s: State) -> tuple[float, float]:
    """Torque at the crank in Nm and current in A; an overrunning clutch never brakes."""
    om = s.x[OMEGA]
    if om <= RUNS_RAD_S:
        s.x[HIGH_SINCE] = -1.0
    elif s.x[HIGH_SINCE] < 0.0:
        s.x[HIGH_SINCE] = t
    amps, drive = 0.0, 0.0
    if starter.motor_rad_s > 0.0:
        for j in range(len(starter.start_s)):
            if starter.start_s[j] <= t < starter.end_s[j] and not s.released[j]:
                if s.x[HIGH_SINCE] >= 0.0 and t - s.x[HIGH_SINCE] > starter.release_after_s:
                    s.released[j] = True
                lift = min((t - starter.start_s[j]) / 0.25, 1.0)
                drive = max(min((starter.motor_rad_s * lift - om) * 12.0, 300.0), 0.0)
        return drive, amps
    for j in range(len(starter.start_s)):
        if abs(t - starter.start_s[j]) < dt and om > 40.0:
            s.released[j] = True  # nobody pulls the starter in on a running engine
        if starter.start_s[j] <= t < starter.end_s[j] and not s.released[j]:
            if s.x[HIGH_SINCE] >= 0.0 and t - s.x[HIGH_SINCE] > starter.release_after_s:
                s.released[j] = True
            amps = (starter.ocv_v[j] - starter.volt_s * om) / (starter.battery_ohm[j] + starter.motor_ohm)
            amps = max(amps, FREE_A)
            drive = starter.nm_per_a * (amps - FREE_A) * (1.0 - np.exp(-(t - starter.start_s[j]) / 0.012))
            amps *= 1.0 - np.exp(-(t - starter.start_s[j]) / 0.008)
    return drive, amps


@njit(inline="always")
def govern(t: float, dt: float, gov: Governor, s: State) -> None:
    """Manifold pressure in bar: near ambient while cranking; once the engine runs, what holds the target speed."""
    om = s.x[OMEGA]
    target = gov.rad_s[0]
    for j in range(len(gov.time_s)):
        if t >= gov.time_s[j]:
            target = gov.rad_s[j]
    want = 0.97
    if om > 42.0:
        error = (target - om) * RPM_PER_RAD_S
        rate = (om - s.x[SLOW]) * RPM_PER_RAD_S / 0.08
        s.x[INTEGRAL] = min(max(s.x[INTEGRAL] + error * dt * 3e-4, -0.15), 0.6)
        want = min(max(0.40 + s.x[INTEGRAL] + 5e-4 * error - 1.2e-4 * rate, 0.25), 1.0)
    else:
        s.x[INTEGRAL] = 0.0
    s.x[SLOW] += (om - s.x[SLOW]) * dt / 0.08
    s.x[MANIFOLD] += (want - s.x[MANIFOLD]) * dt / 0.1
