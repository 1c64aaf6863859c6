"""What a line's voltage does: noise, quantisation, the two levels of a two-level line and how they move."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from witnessmark.signals.kernels import BLOCK, rolling_median, window_levels
from witnessmark.signals.summary import Summary

ACTIVE_SHARE = 0.45
"""A window shows both levels when its range exceeds this share of the swing: above hum and ripple a working input
tolerates (hysteresis 0.4 of the swing), below a supply sagging to half."""

PURE = 0.8
"""Share of samples near one of two levels that makes a two-level line. A sine has 0.41, a triangle 0.30, pulses of a
slow open-collector line above 0.9 (computed)."""

MANY = 256
"""Groups of 64 blocks that are enough to tell where the pulses of a line end."""

LEVEL_TOLERANCE = 0.12
"""A level is the usual one within this share of the swing: half the distance from level to flip threshold is 0.15."""


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


def _middle(ordered: NDArray[Any]) -> float:
    """Median of values in order."""
    n = len(ordered)
    return 0.5 * (float(ordered[(n - 1) // 2]) + float(ordered[n // 2]))


def _split(ordered: NDArray[Any], low: float, high: float) -> tuple[float, float]:
    """Medians of the two sides of a dividing level that lies midway between them."""
    for _ in range(20):
        cut = int(np.searchsorted(ordered, 0.5 * (low + high)))
        if cut in (0, len(ordered)):
            break
        new = _middle(ordered[:cut]), _middle(ordered[cut:])
        if new == (low, high):
            break
        low, high = new
    return low, high


def find_modes(summary: Summary) -> Modes:
    """The two levels: from sampled values, or where pulses are too rare for that, from the extremes of all blocks."""
    values = summary.values
    if not len(values):
        return Modes(0.0, 0.0, 0.0)
    a, b = (float(values[round(q * (len(values) - 1))]) for q in (0.002, 0.998))
    floor = 8.0 * max(summary.noise, summary.quantum)
    modes = Modes(_middle(values), _middle(values), 0.0)
    if b - a > floor:
        low, high = _split(values, a, b)
        modes = Modes(low, high, _purity(values, low, high) if high - low > floor else 0.0)
        if modes.purity > 0.7:
            return modes
    rare = _rare_pulses(summary, floor)
    return rare if rare is not None and rare.purity >= modes.purity else modes


def _rare_pulses(summary: Summary, floor: float) -> Modes | None:
    """A line that rests at one level and leaves it seldom: the other level is where most blocks away from it end."""
    base = _middle(summary.values)
    down = _beyond(summary, 0, base - floor)
    up = _beyond(summary, 1, base + floor)
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


def _beyond(summary: Summary, which: int, level: float) -> NDArray[np.float64]:
    """Minima of blocks below a level (``which`` 0) or maxima of blocks above it (1), gaps left out."""
    fine, coarse = (summary.lo, summary.hi)[which], summary.coarse[which]
    groups = np.flatnonzero(coarse < level if which == 0 else coarse > level)
    groups = groups[:: max(1, len(groups) // MANY)]
    places = (groups[:, None] * BLOCK + np.arange(BLOCK)).ravel()
    places = places[places < len(fine)]
    found = fine[places]
    keep = (found < level if which == 0 else found > level) & ~summary.flagged[places]
    return np.asarray(found[keep], dtype=np.float64)


def _purity(ordered: NDArray[Any], low: float, high: float) -> float:
    near = 0.15 * (high - low)
    a, b, c, d = np.searchsorted(ordered, [low - near, low + near, high - near, high + near])
    return float(b - a + d - c) / len(ordered)


def _with_usual_swing(modes: Modes, span: NDArray[np.float64]) -> Modes:
    """Levels that move smear the two modes of the whole record: then the swing is that of the windows that move."""
    if modes.purity >= PURE:
        return modes
    wide = span[span > ACTIVE_SHARE * np.nanquantile(span, 0.9)]
    swing = max(modes.swing, float(np.median(wide)))
    middle = 0.5 * (modes.low + modes.high)
    return Modes(middle - 0.5 * swing, middle + 0.5 * swing, modes.purity)


def window_extremes(summary: Summary) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Extremes of each window together with the block after it, so that no edge falls between two windows."""
    first = np.arange(0, len(summary.lo), summary.window)[1:]
    after_lo, after_hi = (np.append(v[first].astype(np.float64), np.nan) for v in (summary.lo, summary.hi))
    return np.fmin(summary.window_lo, after_lo), np.fmax(summary.window_hi, after_hi)


def level_map(summary: Summary, modes: Modes) -> tuple[NDArray[np.float64], NDArray[np.float64]] | None:
    """Low and high level of every window where they move; None where the usual two levels hold everywhere."""
    if modes.swing <= 0 or len(summary.window_lo) < 3:
        return None
    bottom, top = window_extremes(summary)
    modes = _with_usual_swing(modes, top - bottom)
    active = top - bottom > ACTIVE_SHARE * modes.swing
    off = np.maximum(np.abs(bottom - modes.low), np.abs(top - modes.high)) > LEVEL_TOLERANCE * modes.swing
    if not (active & off).any():
        return None
    low, high = _refined(summary, modes, active, off)
    with np.errstate(invalid="ignore"):
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
    window_levels(
        summary.lo, summary.hi, summary.flagged, summary.window, np.flatnonzero(active & off),
        0.5 * (modes.low + modes.high), modes.swing, low, high,
    )  # fmt: skip
    return low, high


def _smooth(
    low: NDArray[np.float64], high: NDArray[np.float64], active: NDArray[np.bool_]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Median over five active windows (a spike is not a level), straight lines over windows that show one level."""
    places = np.flatnonzero(active & np.isfinite(low))
    every = np.arange(len(low))
    return (
        np.interp(every, places, rolling_median(low[places], 2)),
        np.interp(every, places, rolling_median(high[places], 2)),
    )
