"""Running unevenness by segments: how much longer each cylinder's segment takes than the one before.

A segment is the crank angle from one cylinder's firing TDC to the next one's. Wheel errors are not taken out of it:
0.1 degree of a 180 degree segment at 800 rpm is 0.4 per s^2.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from witnessmark.engine.compression import STEP_DEG, Speed

Array = NDArray[np.float64]

LEAST_CYCLES = 12
TOGETHER_S = 1e-6  # a cycle begins as the one before ends: both come from the same instant


@dataclass(frozen=True, slots=True)
class Roughness:
    """per_s2 [n]: mean over the cycles, by firing order; sd [n] of that mean; cycles used."""

    per_s2: Array
    sd: Array
    cycles: int


def segment_deviation(times: Array, next_first: float) -> Array:
    """Relative deviation of each segment's time from the first's, a linear drift over the cycle taken out.

    times [z]: segment times of one cycle; next_first: the first segment's time a cycle (two turns) later, same unit.
    Published: US 2005/0061064 (segment correction).
    """
    z = len(times)
    drift = np.arange(z) / z * (next_first - times[0])
    return np.asarray((times - times[0] - drift) / (times[0] + drift))


def unevenness(times_s: Array, next_first_s: float) -> Array:
    """(T_(n+1) - T_n) / T_n^3 in 1/s^2 of each segment against the one before it, trend taken out.

    Entry n belongs to segment n (the slower one where positive); the first is compared with the cycle's last. Published
    form: Klenk et al., SAE 930399, from memory.
    """
    level = times_s[0] * (1.0 + segment_deviation(times_s, next_first_s))
    before = np.roll(level, 1)
    return np.asarray((level - before) / before**3)


def roughness(cycles: Sequence[tuple[Speed, float, float]], tdc_deg: Array, cycle_deg: float) -> Roughness | None:
    """Unevenness by cylinder over cycles that follow each other (speed, start s, end s); tdc_deg rising from 0.

    None with fewer than LEAST_CYCLES.
    """
    rows = []
    for (a, a0, a1), (b, b0, _) in itertools.pairwise(cycles):
        if abs(b0 - a1) > TOGETHER_S or len(a.rad_s) != len(b.rad_s):
            continue
        rad_s = np.concatenate((a.rad_s, b.rad_s))
        time = a0 + np.concatenate(([0.0], np.cumsum(np.radians(STEP_DEG) / rad_s)))
        angle = a.angle_deg[0] - STEP_DEG / 2 + STEP_DEG * np.arange(len(rad_s) + 1)
        border = np.concatenate((tdc_deg, cycle_deg + tdc_deg[:2]))
        even = cycle_deg / len(tdc_deg) / np.diff(border)  # unevenly firing engines: as if of the mean length
        taken = np.diff(np.interp(border, angle, time)) * even
        rows.append(unevenness(taken[:-1], float(taken[-1])))
    every = np.array([r for r in rows if np.isfinite(r).all()])
    if len(every) < LEAST_CYCLES:
        return None
    # the mean, not the median: a cylinder that fails in every other cycle is to show
    return Roughness(every.mean(axis=0), every.std(axis=0, ddof=1) / np.sqrt(len(every)), len(every))
