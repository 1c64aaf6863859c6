"""What a line's voltage does: noise, quantisation, the two levels of a two-level line and how they move."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from witnessmark.signals.kernels import BLOCK
from witnessmark.signals.medians import rolling_median, window_levels
from witnessmark.signals.summary import Summary
from witnessmark.special import median

ACTIVE_SHARE = 0.45
"""A window shows both levels when its range exceeds this share of the swing: above hum and ripple a working input
tolerates (hysteresis 0.4 of the swing), below a supply sagging to half."""

PURE = 0.8
"""Share of samples near one of two levels that makes a two-level line. A sine has 0.41, a triangle 0.30, pulses of a
slow open-collector line above 0.9 (computed)."""

TAILS = (0.002, 0.01, 0.03)
"""Shares of samples left out at either end before the bulk is split; spikes after pulses last up to 1 % of the time."""

PLAINLY, PLAIN_SHARE = 0.95, 0.03
"""Purity and share of the rarer level from which there is nothing to look for beyond: spikes last up to 1 % of the
time."""

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


def find_modes(summary: Summary) -> list[Modes]:
    """Pairs of levels the line may have, at least one: by the bulk of the samples (split between several quantiles:
    spikes may draw the outer ones), and where pulses are too rare for that, by the extremes of all blocks.
    """
    values = summary.values
    if not len(values):
        return [Modes(0.0, 0.0, 0.0)]
    floor = 8.0 * max(summary.noise, summary.quantum)
    found: list[Modes] = []
    values = values.astype(np.float64)
    for tail in TAILS:
        a, b = (float(values[round(q * (len(values) - 1))]) for q in (tail, 1.0 - tail))
        if b - a > floor:
            low, high = _split(values, a, b)
            found.append(Modes(low, high, _purity(values, low, high)))
            if found[-1].purity > PLAINLY and PLAIN_SHARE < _share_above(values, low, high) < 1.0 - PLAIN_SHARE:
                return found[-1:]
        found += _rare_pulses(summary, a, b, floor)
    fit: list[Modes] = []
    for modes in found:
        if modes.swing > floor and all(_differ(modes, other) for other in fit) and not _two_sided(summary, modes):
            fit.append(modes)
    return fit or [Modes(_middle(values), _middle(values), 0.0)]


def _share_above(ordered: NDArray[Any], low: float, high: float) -> float:
    return 1.0 - float(np.searchsorted(ordered, 0.5 * (low + high))) / len(ordered)


def _differ(a: Modes, b: Modes) -> bool:
    return abs(a.low - b.low) + abs(a.high - b.high) > LEVEL_TOLERANCE * (a.swing + b.swing)


def _rare_pulses(summary: Summary, a: float, b: float, floor: float) -> list[Modes]:
    """A line that rests at one level (between ``a`` and ``b``: a supply moves) and leaves it seldom: the other level
    is where most blocks away from it end, below, above or (a pulse that ends in a spike) both.
    """
    base = _middle(summary.values)
    reach = floor + 0.5 * (b - a)
    down = _beyond(summary, 0, a - reach)
    up = _beyond(summary, 1, b + reach)
    pairs = [(median(down), base)] if len(down) else []
    pairs += [(base, median(up))] if len(up) else []
    return [Modes(low, high, _purity(summary.values, low, high)) for low, high in pairs]


def _two_sided(summary: Summary, modes: Modes) -> bool:
    """Does the line swing past its resting level to the other side about as often and as far? Then the two levels are
    half the story: a pick-up at rest for most of the record.
    """
    if modes.purity < PURE:
        return False
    half = 0.5 * modes.swing
    below = _beyond(summary, 0, modes.low - half)
    above = _beyond(summary, 1, modes.high + half)
    if not len(below) and not len(above):
        return False
    reach_low = _beyond(summary, 0, modes.low + half)
    reach_high = _beyond(summary, 1, modes.high - half)
    for out, inside, size in (
        (below, reach_high, modes.low - median(below) if len(below) else 0.0),
        (above, reach_low, median(above) - modes.high if len(above) else 0.0),
    ):
        often = 0.3 * len(inside) < len(out) < 3.3 * len(inside)
        if often and 0.4 * modes.swing < size < 2.5 * modes.swing and not _shorter(summary, modes, out is below):
            return True
    return False


def _shorter(summary: Summary, modes: Modes, below: bool) -> bool:
    """Do the excursions past one level last clearly shorter than the stays at the other (spikes after pulses)?"""
    values, half = summary.values, 0.5 * modes.swing
    middle = int(np.searchsorted(values, modes.low + half))
    if below:
        out, inside = int(np.searchsorted(values, modes.low - half)), len(values) - middle
    else:
        out, inside = len(values) - int(np.searchsorted(values, modes.high + half)), middle
    return inside >= 30 and inside > 2 * out


def _beyond(summary: Summary, which: int, level: float) -> NDArray[np.float64]:
    """Minima of blocks below a level (``which`` 0) or maxima of blocks above it (1), gaps left out."""
    fine, coarse = (summary.lo, summary.hi)[which], summary.coarse[which]
    groups = np.flatnonzero(coarse < level if which == 0 else coarse > level)
    groups = groups[:: max(1, len(groups) // MANY)]
    found = _rows(fine, groups)
    keep = found < level if which == 0 else found > level
    if summary.gaps:
        keep &= ~_rows(summary.flagged, groups)
    return np.asarray(found[keep], dtype=np.float64)


def _rows(fine: NDArray[Any], groups: NDArray[np.int64]) -> NDArray[Any]:
    """The values of these groups of 64 (in order); the last group may be short."""
    whole = len(fine) // BLOCK
    rows = fine[: whole * BLOCK].reshape(whole, BLOCK)[groups[groups < whole]].ravel()
    return np.concatenate((rows, fine[whole * BLOCK :])) if len(groups) and groups[-1] == whole else rows


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
