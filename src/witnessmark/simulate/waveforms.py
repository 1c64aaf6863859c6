"""Sampled lines from angle over time and the logs of the run."""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

F64 = NDArray[np.float64]


@njit(cache=True)
def vr_line(n: int, rate_hz: float, dt: float, theta_deg: F64, omega: F64, offset_deg: float, table: F64) -> F64:
    """Volts at sample i / rate_hz of a line whose volts per rad/s over one turn are ``table``."""
    out = np.empty(n)
    rows = len(table)
    last = len(theta_deg) - 2
    for i in range(n):
        g = i / rate_hz / dt
        k = min(int(g), last)
        part = g - k
        angle = theta_deg[k] + part * (theta_deg[k + 1] - theta_deg[k]) + offset_deg
        speed = omega[k] + part * (omega[k + 1] - omega[k])
        x = angle / 360.0
        x = (x - np.floor(x)) * rows
        j = int(x)
        share = x - j
        j = j % rows
        low = table[j]
        high = table[j + 1] if j + 1 < rows else table[0]
        out[i] = (low + share * (high - low)) * speed
    return out


@njit(cache=True)
def level_line(n: int, rate_hz: float, time_s: F64, level_v: F64, first_v: float, rise_s: float, fall_s: float) -> F64:
    """Volts of a line that goes to ``level_v[j]`` at ``time_s[j]`` with first-order rise and fall (10-90 % times)."""
    out = np.empty(n)
    j = 0
    since = 0.0
    base = first_v
    target = first_v
    tau = 1e-9
    for i in range(n):
        t = i / rate_hz
        while j < len(time_s) and time_s[j] <= t:
            x = (time_s[j] - since) / tau
            base = target + (base - target) * np.exp(-x) if x < 40.0 else target
            since = time_s[j]
            target = level_v[j]
            tau = max(rise_s if target > base else fall_s, 1e-9) / 2.2
            j += 1
        x = (t - since) / tau
        out[i] = target + (base - target) * np.exp(-x) if x < 40.0 else target
    return out


def stretch(n: int, rate_hz: float, start_s: float, end_s: float) -> slice:
    """Samples within [start, end)."""
    return slice(max(0, int(np.ceil(start_s * rate_hz))), min(n, max(0, int(np.ceil(end_s * rate_hz)))))


def add_pulse(line: F64, rate_hz: float, at_s: float, size_v: float, width_s: float) -> None:
    """Add one full wave (positive half first, falling through zero at ``at_s``) of ``width_s``."""
    part = stretch(len(line), rate_hz, at_s - 2.0 * width_s, at_s + 2.0 * width_s)
    x = (np.arange(part.start, part.stop) / rate_hz - at_s) / (0.4 * width_s)
    line[part] -= size_v * x * np.exp(0.5 - 0.5 * x * x)


def fade(line: F64, rate_hz: float, start_s: float, end_s: float) -> None:
    """Take the signal away between two times, with rounded shoulders (a tooth that passed without a pulse)."""
    part = stretch(len(line), rate_hz, start_s, end_s)
    m = part.stop - part.start
    if m > 0:
        x = (np.arange(m) + 0.5) / m
        line[part] *= 1.0 - np.clip(np.minimum(x, 1.0 - x) / 0.1, 0.0, 1.0)


def ramp(n: int, rate_hz: float, events: F64, volts: F64, ohm: float, henry: float) -> F64:
    """Current in A of a coil or injector, rows [start, end]; i = (V/R)(1 - exp(-tR/L))."""
    out = np.zeros(n)
    for start, end in events:
        part = stretch(n, rate_hz, start, end)
        t = np.arange(part.start, part.stop) / rate_hz - start
        out[part] = volts[part] / ohm * (1.0 - np.exp(-t * ohm / henry))
    return out


def injector_line(n: int, rate_hz: float, events: F64, volts: F64) -> F64:
    """Driver voltage: battery at rest, pulled down while injecting, then flyback and decay. Rows [start, end]."""
    out = volts.copy()
    for start, end in events:
        part = stretch(n, rate_hz, start, end)
        t = np.arange(part.start, part.stop) / rate_hz - start
        out[part] = 0.25 + 0.25 * (1.0 - np.exp(-t / 1.5e-3))
        part = stretch(n, rate_hz, end, end + 6e-3)
        t = np.arange(part.start, part.stop) / rate_hz - end
        fly = np.where(t < 3e-4, 62.0, 62.0 * np.exp(-(t - 3e-4) / 2.5e-4))
        bump = 1.2 * np.exp(-0.5 * ((t - 1.4e-3) / 1.5e-4) ** 2)
        out[part] += np.maximum(fly - volts[part], 0.0) * (t < 3e-4) + np.where(t >= 3e-4, fly * 0.6 + bump, 0.0)
    return out


def quantise(line: F64, low: float, high: float, bits: int) -> tuple[NDArray[np.int16], float, float]:
    """Codes of a recorder with range [low, high): (codes, gain, offset); value = code * gain + offset; clips."""
    gain = (high - low) / 2**bits
    offset = 0.5 * (high + low)
    top = 2 ** (bits - 1)
    codes = np.clip(np.rint((line - offset) / gain), -top, top - 1).astype(np.int16)
    return codes, gain, offset
