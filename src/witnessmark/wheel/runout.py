"""Once-per-turn modulation of the wheel in angle and in amplitude.

Angle: over each full turn the passages' times are compared with a speed that is smooth over the turn (a cubic through
the turn's ends and its neighbours); the order-1 part of the lateness is regressed on 1/speed^2, because torque ripple
relative to speed falls with speed squared and eccentricity does not. What stays at infinite speed is the wheel.
Where only one speed is in the record the two cannot be told apart, and the uncertainty says so.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

# Order-1 ripple of relative speed that an engine in order may show while cranking, from cylinders not quite alike:
# 2 % of speed at 200 rpm (memory); it falls with speed squared.
RIPPLE_AT_200_RPM = 0.02


@dataclass(frozen=True)
class Runout:
    """amplitude_deg (half of peak to peak), phase_deg (angle from slot 1 where the edge comes latest), se_deg, turns."""  # noqa: E501

    amplitude_deg: float
    phase_deg: float
    se_deg: float
    turns: int


def angle_runout(
    angle_deg: NDArray[np.float64], time_s: NDArray[np.float64], group: NDArray[np.int64], least: int
) -> Runout | None:
    """Order-1 lateness over all full turns; None with fewer than three turns of at least ``least`` passages."""
    vectors: list[complex] = []
    speeds: list[float] = []
    for g in np.unique(group):
        a, t = angle_deg[group == g], time_s[group == g]
        if a.size < 3 * least:
            continue
        first, last = int(np.ceil(a[0] / 360.0)), int(np.floor(a[-1] / 360.0))
        starts = np.interp(np.arange(first, last + 1) * 360.0, a, t)
        for turn in range(1, starts.size - 2):
            lo, hi = np.searchsorted(a, [(first + turn) * 360.0, (first + turn + 1) * 360.0])
            if hi - lo < least:
                continue
            # smooth speed: cubic of time through four turn marks
            marks = np.arange(turn - 1, turn + 3)
            cubic = np.polynomial.polynomial.polyfit(marks - turn - 0.5, starts[marks], 3)
            x = (a[lo:hi] - (first + turn) * 360.0) / 360.0
            expect = np.polynomial.polynomial.polyval(x - 0.5, cubic)
            speed = 360.0 / (starts[turn + 1] - starts[turn])
            late = (t[lo:hi] - expect) * speed
            order = np.exp(-2j * np.pi * x)
            design = np.column_stack([np.ones(x.size), order.real, -order.imag])
            solved = np.linalg.lstsq(design, late, rcond=None)[0]
            vectors.append(complex(solved[1], solved[2]))
            speeds.append(speed / 6.0)
    if len(vectors) < 3:
        return None
    return _at_infinite_speed(np.asarray(vectors), np.asarray(speeds))


def _at_infinite_speed(vectors: NDArray[np.complex128], rpm: NDArray[np.float64]) -> Runout:
    """Constant part of the order-1 vectors, with ripple as a ridge-shrunk part growing as 1/rpm^2."""
    inverse = (200.0 / rpm) ** 2
    prior = np.degrees(RIPPLE_AT_200_RPM)  # relative speed ripple a gives a radians of angle at order 1
    noise = max(float(np.median(np.abs(vectors - np.median(vectors.real) - 1j * np.median(vectors.imag)))), 1e-3) * 1.2
    x = np.column_stack([np.ones(rpm.size), inverse])
    information = x.T @ x / noise**2 + np.diag([0.0, 1.0 / prior**2])
    covariance = np.linalg.inv(information)
    solved = covariance @ (x.T @ vectors) / noise**2
    wheel = complex(solved[0])
    phase = float(np.degrees(np.arctan2(-wheel.imag, wheel.real)) % 360.0)
    return Runout(abs(wheel), (360.0 - phase) % 360.0, float(np.sqrt(covariance[0, 0])), rpm.size)


def amplitude_runout(
    tooth_angle_deg: NDArray[np.float64], strength: NDArray[np.float64]
) -> tuple[float, float, float] | None:
    """(relative order-1 amplitude, angle where strongest in deg, share of the variance it explains) of tooth strengths.

    strength [n]: amplitude over speed relative to the median tooth; NaN left out. None with fewer than eight teeth.
    """
    ok = np.isfinite(strength)
    if ok.sum() < 8:
        return None
    a = np.radians(tooth_angle_deg[ok])
    y = strength[ok]
    keep = np.abs(y - np.median(y)) < 0.6  # one dead tooth is no runout
    a, y = a[keep], y[keep]
    if y.size < 8:
        return None
    design = np.column_stack([np.ones(a.size), np.cos(a), np.sin(a)])
    solved = np.linalg.lstsq(design, y, rcond=None)[0]
    fitted = design @ solved
    variance = float(np.var(y))
    explained = 1.0 - float(np.var(y - fitted)) / variance if variance > 0 else 0.0
    size = float(np.hypot(solved[1], solved[2]) / max(solved[0], 1e-9))
    return size, float(np.degrees(np.arctan2(solved[2], solved[1])) % 360.0), explained
