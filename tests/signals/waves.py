"""Invented waves with known crossings (simulated data), and plain sample-by-sample readings of the same rules."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


def trapezoid(edges_s: Floats, rise_s: float, samples: int, rate_hz: float, low: float, high: float) -> Floats:
    """A two-level wave, low at first, whose mid crossings lie exactly at ``edges_s`` (straight flanks)."""
    t = np.arange(samples) / rate_hz
    knots_t, knots_v, level = [-1.0], [low], low
    for edge in edges_s:
        new = high if level == low else low
        knots_t += [edge - rise_s / 2, edge + rise_s / 2]
        knots_v += [level, new]
        level = new
    return np.interp(t, [*knots_t, t[-1] + 1.0], [*knots_v, level])


def tooth_angle(samples: int, rate_hz: float, rpm: Floats | float) -> Floats:
    """Turns since the start at each sample for a speed (a number or a value per sample)."""
    speed = np.broadcast_to(np.asarray(rpm, dtype=np.float64), (samples,))
    return np.cumsum(speed) / 60.0 / rate_hz


def hall_wheel(turns: Floats, slots: int, missing: int, low: float = 0.2, high: float = 5.0) -> Floats:
    """A slots-minus-missing wheel, teeth half a pitch wide."""
    slot = turns * slots % slots
    return np.where((slot % 1.0 < 0.5) & (slot < slots - missing), high, low)


def reluctance_wheel(
    turns: Floats,
    rate_hz: float,
    slots: int,
    missing: int,
    volts_per_hz: float = 0.001,
    heights: dict[int, float] | None = None,
) -> Floats:
    """Voltage of a pick-up over rounded teeth: minus the derivative of a flux bump at each tooth (-N dPhi/dt)."""
    slot = turns * slots
    place = np.floor(slot).astype(np.int64) % slots
    flux = np.where(place < slots - missing, np.sin(np.pi * (slot % 1.0)) ** 2, 0.0)
    for tooth, height in (heights or {}).items():
        flux = np.where(place == tooth, flux * height, flux)
    return -np.gradient(flux) * rate_hz * volts_per_hz


def plain_crossings(x: Floats, down: Floats, mid: Floats, up: Floats) -> list[tuple[int, float, bool, bool, float]]:
    """(sample, fraction, rising, first, peak before) found one sample at a time; thresholds per sample."""
    out = []
    side, first, peak, crossing = 0, True, 0.0, (0, 0.0)
    for i, v in enumerate(x):
        if np.isnan(v):
            side, first, peak = 0, True, 0.0
            continue
        if side and i and not np.isnan(x[i - 1]):
            a, b = x[i - 1] - mid[i - 1], v - mid[i]
            if (side > 0 and a >= 0 > b) or (side < 0 and a <= 0 < b):
                crossing = (i - 1, a / (a - b))
        if (side > 0 and v < down[i]) or (side < 0 and v > up[i]):
            out.append((*crossing, side < 0, first, peak))
            first, side, peak = False, -side, abs(v - mid[i])
        elif side:
            peak = max(peak, (v - mid[i]) * side)
        elif v > up[i] or v < down[i]:
            side, peak = (1 if v > up[i] else -1), abs(v - mid[i])
    return out
