"""Ripple of the wheel's speed with the firing strokes, at idle and while the engine coasts down from a higher speed.

Gas gives a coasting engine no more work a stroke than one that idles, and what a stroke does to the speed falls with
the square of speed: w dw = torque/J dangle (DOMAIN: gas-torque ripple relative to speed scales with 1/speed^2; the
pistons' inertia adds a share that stays the same, half a per cent of an in-line four, from memory). A wheel that rocks
on the crank by an angle adds that angle at any speed.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from witnessmark.wheel.model import CrankAngle

Array = NDArray[np.float64]

STEP_DEG = 6.0
CYCLE_DEG = 720.0
ORDERS = 16  # strokes a cycle that are looked at: up to sixteen cylinders
SLOW = 1.35  # an uneven idle wanders by less than this factor (common practice)
FAST = 2.0  # at twice the speed a stroke does a quarter to it
FALLS = 0.01  # share of its speed that a coasting engine loses in a cycle, at least: estimate, no source
LEAST_CYCLES = 3


@dataclass(frozen=True, slots=True)
class CoastingRipple:
    """Amplitude relative to speed of the strongest order at idle (idle) and at it while coasting (coasting).

    strokes: that order, in events a cycle. idle_rpm, coasting_rpm: median speeds. growth: coasting over what idle
    foretells by the square of speed; 1 or below for a wheel that sits fast.
    """

    strokes: int
    idle: float
    coasting: float
    idle_rpm: float
    coasting_rpm: float
    growth: float


def coasting_ripple(angle: CrankAngle) -> CoastingRipple | None:
    """None without a few cycles at idle and a few coasting at twice that speed."""
    rpm, amplitude, falls = _cycles(angle)
    if len(rpm) < 2 * LEAST_CYCLES:
        return None
    idles = rpm < SLOW * float(np.quantile(rpm, 0.1))
    idle_rpm = float(np.median(rpm[idles]))
    coasts = falls & (rpm > FAST * idle_rpm)
    if idles.sum() < LEAST_CYCLES or coasts.sum() < LEAST_CYCLES:
        return None
    at_idle = np.median(amplitude[idles], axis=0)
    strokes = int(np.argmax(at_idle))
    work = amplitude[:, strokes] * rpm**2
    return CoastingRipple(
        strokes + 1, float(at_idle[strokes]), float(np.median(amplitude[coasts, strokes])), idle_rpm,
        float(np.median(rpm[coasts])), float(np.median(work[coasts]) / np.median(work[idles])),
    )  # fmt: skip


def _cycles(angle: CrankAngle) -> tuple[Array, Array, NDArray[np.bool_]]:
    """(rpm [n], amplitudes of 1..ORDERS events a cycle [n, ORDERS], whether speed falls [n]) of whole cycles."""
    rpm: list[float] = []
    spectra: list[Array] = []
    falls: list[bool] = []
    for seg in angle.segments:
        first, last = (float(x) for x in angle.at(np.array([seg.start_s, seg.end_s])))
        for at in np.arange(np.ceil(first), last - CYCLE_DEG, CYCLE_DEG):
            time = angle.when(at + np.arange(0.0, CYCLE_DEG + STEP_DEG / 2, STEP_DEG))
            if not np.isfinite(time).all() or np.any(np.diff(time) <= 0.0):
                continue
            speed = 1.0 / np.diff(time)
            x = np.linspace(-1.0, 1.0, len(speed))
            trend = np.polynomial.polynomial.polyfit(x, speed, 2)
            flat = speed / np.polynomial.polynomial.polyval(x, trend) - 1.0
            spectra.append(np.abs(np.fft.rfft(flat))[1 : ORDERS + 1] * 2.0 / len(speed))
            rpm.append(120.0 / float(time[-1] - time[0]))
            falls.append(2.0 * float(trend[1]) < -FALLS * float(speed.mean()))
    return np.array(rpm), np.array(spectra).reshape(len(rpm), ORDERS), np.array(falls, bool)
