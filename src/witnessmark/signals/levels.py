"""What a line's voltage does: noise, quantisation, the two levels of a two-level line and how they move."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from witnessmark.signals.summary import Summary

NOISE_PER_D2 = 1.0 / (0.6745 * np.sqrt(6.0))
"""Standard deviation over the median absolute second difference (normal noise: 6 sigma^2 in variance)."""

ACTIVE_SHARE = 0.45
"""A window shows both levels when its range exceeds this share of the swing: above hum and ripple a working input
tolerates (hysteresis 0.4 of the swing), below a supply sagging to half."""

LEVEL_TOLERANCE = 0.12
"""A level is the usual one within this share of the swing: half the distance from level to flip threshold is 0.15."""


def quantum(values: NDArray[np.float64]) -> float:
    """Step of the recorder's codes in native units; 0 where the values are continuous."""
    distinct = np.unique(values)
    if len(distinct) < 2 or len(distinct) > 0.5 * len(values):
        return 0.0
    return float(np.median(np.diff(distinct)[: max(1, len(distinct) - 1)]))


def noise_of(summary: Summary) -> float:
    """Noise (standard deviation, native units) from second differences of the quieter quarter of sampled blocks."""
    blocks = summary.sampled
    if blocks.shape[1] < 3 or not len(summary.values):
        return 0.0
    d2 = np.abs(np.diff(blocks, n=2, axis=1))
    whole = np.isfinite(d2).all(axis=1)
    if not whole.any():
        return 0.0
    per_block = np.median(d2[whole], axis=1) * NOISE_PER_D2
    return float(np.quantile(per_block, 0.25))


@dataclass(frozen=True)
class Modes:
    """The two levels of a line as a whole, native units, and the share of samples near one of them (``purity``)."""

    low: float
    high: float
    purity: float

    @property
    def swing(self) -> float:
        """High minus low."""
        return self.high - self.low


def _split(values: NDArray[np.float64], low: float, high: float) -> tuple[float, float]:
    """Medians of the two sides of a dividing level that lies midway between them."""
    for _ in range(20):
        middle = 0.5 * (low + high)
        upper = values >= middle
        if upper.all() or not upper.any():
            break
        new = float(np.median(values[~upper])), float(np.median(values[upper]))
        if new == (low, high):
            break
        low, high = new
    return low, high


def find_modes(summary: Summary) -> Modes:
    """The two levels: from sampled values, or where pulses are too rare for that, from the extremes of all blocks."""
    values = summary.values
    if not len(values):
        return Modes(0.0, 0.0, 0.0)
    a, b = (float(q) for q in np.quantile(values, [0.002, 0.998]))
    floor = 8.0 * max(noise_of(summary), quantum(values))
    if b - a > floor:
        low, high = _split(values, a, b)
        modes = Modes(low, high, _purity(values, low, high))
        if high - low > floor and modes.purity > 0.7:
            return modes
        if high - low <= floor:
            modes = Modes(low, high, 0.0)
    else:
        modes = Modes(float(np.median(values)), float(np.median(values)), 1.0)
    rare = _rare_pulses(summary, floor)
    return rare if rare is not None and rare.purity > modes.purity - 1e-12 else modes


def _rare_pulses(summary: Summary, floor: float) -> Modes | None:
    """A line that rests at one level and leaves it seldom: the other level is where most blocks away from it end."""
    base = float(np.median(summary.values))
    usable = ~summary.flagged
    below = summary.lo[usable].astype(np.float64)
    above = summary.hi[usable].astype(np.float64)
    down, up = below[below < base - floor], above[above > base + floor]
    if not len(down) and not len(up):
        return None
    if len(down) and len(up) and 0.3 < len(down) / len(up) < 3.3:
        ratio = (base - float(np.median(down))) / (float(np.median(up)) - base)
        if 0.4 < ratio < 2.5:
            return None  # swings to both sides alike: no line of two levels
    if len(down) >= len(up):
        low, high = float(np.median(down)), base
    else:
        low, high = base, float(np.median(up))
    return Modes(low, high, _purity(summary.values, low, high))


def _purity(values: NDArray[np.float64], low: float, high: float) -> float:
    near = 0.15 * (high - low)
    return float(np.mean((np.abs(values - low) <= near) | (np.abs(values - high) <= near)))


def level_map(summary: Summary, modes: Modes) -> tuple[NDArray[np.float64], NDArray[np.float64]] | None:
    """Low and high level of every window where they move; None where the usual two levels hold everywhere."""
    lo, hi = summary.window_lo, summary.window_hi
    if modes.swing <= 0 or len(lo) < 3:
        return None
    first = np.arange(0, len(summary.lo), summary.window)[1:]
    after_lo, after_hi = (np.append(v[first].astype(np.float64), np.nan) for v in (summary.lo, summary.hi))
    bottom, top = np.fmin(lo, after_lo), np.fmax(hi, after_hi)
    active = top - bottom > ACTIVE_SHARE * modes.swing
    off = np.maximum(np.abs(bottom - modes.low), np.abs(top - modes.high)) > LEVEL_TOLERANCE * modes.swing
    if not (active & off).any():
        return None
    low, high = _refined(summary, modes, active, off)
    stays_off = np.maximum(np.abs(low - modes.low), np.abs(high - modes.high)) > LEVEL_TOLERANCE * modes.swing
    if not (stays_off & active).any():
        return None
    low, high = _smooth(low, high, active)
    return low, high


def _refined(
    summary: Summary, modes: Modes, active: NDArray[np.bool_], off: NDArray[np.bool_]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Levels of each window: median of the block extremes on either side; usual levels where nothing is off."""
    low = np.full(len(active), modes.low)
    high = np.full(len(active), modes.high)
    low[~active] = high[~active] = np.nan
    for w in np.flatnonzero(active & off):
        a = w * summary.window
        cut = slice(a, a + summary.window + 1)
        use = ~summary.flagged[cut]
        bottoms = summary.lo[cut][use].astype(np.float64)
        tops = summary.hi[cut][use].astype(np.float64)
        if not len(bottoms):
            low[w] = high[w] = np.nan
            continue
        middle = 0.5 * (bottoms.min() + tops.max())
        low[w] = np.median(bottoms[bottoms <= middle])
        high[w] = np.median(tops[tops >= middle])
    return low, high


def _smooth(
    low: NDArray[np.float64], high: NDArray[np.float64], active: NDArray[np.bool_]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Median over five active windows (a spike is not a level), straight lines over windows that show one level."""
    from witnessmark.signals.kernels import rolling_median

    places = np.flatnonzero(active & np.isfinite(low))
    every = np.arange(len(low))
    return (
        np.interp(every, places, rolling_median(low[places], 2)),
        np.interp(every, places, rolling_median(high[places], 2)),
    )
