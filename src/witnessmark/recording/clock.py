"""Is a column of times a clock? An even one, one with jitter, one that jumped, an uneven one, or none at all.

Bounds and their reasons:
- A sample belongs to the grid place it is nearest to, so jitter up to half a period is a clock with jitter: the samples
  are taken as evenly spaced (what is uneven there is nearly always the time stamp, not the sampling).
- A step of 1.5 periods or more is a jump: at least one sample is missing.
- Beyond that, a clock whose steps stay within 5 : 1 (10 % to 90 % quantile) is uneven but still a clock: its values are
  interpolated onto an even grid, which is said in a caution. Wider spread is no clock.
These are working bounds of this program (derived from the nearest-place argument; the 5 : 1 is a choice, no source).
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import islice
from typing import Literal

import numpy as np
from numpy.typing import NDArray

JUMP_PERIODS = 1.5
JITTER_PERIODS = 0.5
UNEVEN_RATIO = 5.0
UNEVEN_GAP_PERIODS = 5.0  # an uneven clock's step beyond this many median steps is a gap, not bridged
_BLOCK = 1 << 16  # stamps looked at together: they stay in the cache
QUIET_JITTER = 0.02  # jitter (rms, periods) below which no caution is worth the user's time


@dataclass(frozen=True, slots=True)
class Stretch:
    """``count`` file samples from ``row`` lie on grid places ``place``, ``place`` + 1, ..."""

    place: int
    row: int
    count: int


@dataclass(frozen=True, slots=True)
class Clock:
    """An even grid start_s + i / rate_hz and the stretches of it that the file's samples fill.

    kind "grid": samples are used as they are; "uneven": values must be interpolated at the grid times.
    jitter: rms distance of the time stamps from the grid, in periods. places: length of the grid.
    """

    kind: Literal["grid", "uneven"]
    start_s: float
    rate_hz: float
    stretches: tuple[Stretch, ...]
    places: int
    jitter: float = 0.0

    def between(self, start: int, stop: int) -> Iterator[tuple[int, int, int]]:
        """(first place, stop place, file row of the first) of the filled parts of grid places [start, stop)."""
        k = max(0, bisect_right(self.stretches, start, key=lambda s: s.place) - 1)
        for s in islice(self.stretches, k, None):
            if s.place >= stop:
                return
            a, b = max(start, s.place), min(stop, s.place + s.count)
            if b > a:
                yield a, b, s.row + a - s.place

    def places_of(self, first: int, stop: int) -> Iterator[tuple[int, int]]:
        """Grid places [a, b) that file rows [first, stop) lie on, a pair a stretch ("grid" clocks)."""
        k = max(0, bisect_right(self.stretches, first, key=lambda s: s.row) - 1)
        for s in islice(self.stretches, k, None):
            if s.row >= stop:
                return
            a, b = max(first, s.row), min(stop, s.row + s.count)
            if b > a:
                yield s.place + a - s.row, s.place + b - s.row

    @property
    def jumps(self) -> int:
        """How often the clock jumped."""
        return len(self.stretches) - 1


def even_clock(samples: int, rate_hz: float, start_s: float = 0.0) -> Clock:
    """The clock of a file that states its rate."""
    return Clock("grid", start_s, rate_hz, (Stretch(0, 0, samples),), samples)


def first_step_back(time_s: NDArray[np.float64]) -> int | None:
    """Row at which time is less than in the row before; None where it never runs backwards."""
    back = np.flatnonzero(np.diff(time_s) < 0)
    return int(back[0]) + 1 if len(back) else None


def steady_clock(time_s: NDArray[np.float64]) -> Clock | None:
    """The clock where all stamps lie within 2 % of a period on the line from first to last; None where any does not.

    One pass, which is all that most files need. NaN and steps back fail it.
    """
    n = len(time_s)
    period = (float(time_s[-1]) - float(time_s[0])) / (n - 1)
    if not (np.isfinite(period) and period > 0):
        return None
    start, worst = float(time_s[0]), 0.0
    for i in range(0, n, _BLOCK):
        part = time_s[i : i + _BLOCK]
        off = np.abs(part - (start + period * np.arange(i, i + len(part))))
        worst = max(worst, float(off.max()))
        if not off.max() <= QUIET_JITTER * period:
            return None
    rate = _round_rate(1.0 / period, n, worst / period)
    return Clock("grid", start, rate, (Stretch(0, 0, n),), n, worst / period)


def judge_clock(time_s: NDArray[np.float64]) -> Clock | None:
    """The clock behind these times (s, finite, never falling, at least two); None where there is none."""
    return steady_clock(time_s) or _judge_unsteady(time_s)


def _judge_unsteady(time_s: NDArray[np.float64]) -> Clock | None:
    steps = np.diff(time_s)
    if not steps.any():
        return None
    period = _typical_period(time_s)
    jumped = _jumps(steps, period)
    calm = steps[~jumped]
    period = float(calm.sum()) / len(calm) if len(calm) and calm.any() else period
    return _on_grid(time_s, jumped, period, _resolution(steps)) or _uneven(time_s, steps)


def _typical_period(time_s: NDArray[np.float64]) -> float:
    """Median mean step over short windows: robust to jumps, rounding and repeated time stamps."""
    distinct = int(np.count_nonzero(np.diff(time_s))) + 1
    window = max(16, int(np.ceil(20 * len(time_s) / distinct)))
    window = max(1, min(window, (len(time_s) - 1) // 4))
    period = float(np.median((time_s[window:] - time_s[:-window]) / window))
    return period if period > 0 else float(time_s[-1] - time_s[0]) / (len(time_s) - 1)


def _resolution(steps: NDArray[np.float64]) -> float:
    """Step of the time stamps where they repeat (too few digits), 0 where they never do."""
    if steps.all():
        return 0.0
    return float(np.quantile(steps[steps > 0], 0.99))


def _jumps(steps: NDArray[np.float64], period: float) -> NDArray[np.bool_]:
    spread = 1.4826 * float(np.median(np.abs(steps - np.median(steps))))
    bound = max(JUMP_PERIODS * period, period + 6 * spread, 3 * _resolution(steps))
    jumped = steps >= bound
    # many "jumps" are no lost blocks but the clock's own unevenness
    return jumped if jumped.mean() <= 0.05 or jumped.sum() <= 1 else np.zeros_like(jumped)


def _on_grid(time_s: NDArray[np.float64], jumped: NDArray[np.bool_], period: float, resolution: float) -> Clock | None:
    rows = np.concatenate(([0], np.flatnonzero(jumped) + 1))
    stops = np.append(rows[1:], len(time_s))
    places = np.empty(len(rows), dtype=np.int64)
    place = np.arange(len(time_s), dtype=np.float64)
    free = 0
    for k, (row, stop) in enumerate(zip(rows, stops, strict=True)):
        ideal = (time_s[row] - time_s[0]) / period
        if not ideal < 2**53:
            return None
        places[k] = 0 if k == 0 else max(free + 1, round(float(ideal)))
        place[row:stop] += places[k] - row
        free = int(places[k] + stop - row)
    slope, start = _line(place, time_s)
    if not slope > 0:
        return None
    off = np.abs(time_s - (start + slope * place)) / slope
    tolerance = JITTER_PERIODS * (1.5 if len(rows) > 1 else 1.0) + resolution / slope
    if float(off.max()) > tolerance:
        return None
    jitter = float(np.sqrt(np.mean(off**2)))
    rate = _round_rate(1.0 / slope, free, jitter)
    start = float(time_s.mean()) - float(place.mean()) / rate
    if abs(float(time_s[0]) - start) * rate < 0.01:
        start = float(time_s[0])
    stretches = tuple(Stretch(int(p), int(r), int(s - r)) for p, r, s in zip(places, rows, stops, strict=True))
    return Clock("grid", start, rate, stretches, free, jitter)


def _line(x: NDArray[np.float64], y: NDArray[np.float64]) -> tuple[float, float]:
    """Least-squares slope and intercept, centred so that long records keep their digits."""
    mean_x, mean_y = float(x.mean()), float(y.mean())
    dx = x - mean_x
    slope = float(dx @ (y - mean_y)) / float(dx @ dx)
    return slope, mean_y - slope * mean_x


def _round_rate(rate: float, places: int, jitter: float) -> float:
    """The roundest rate the time stamps cannot tell from the fitted one: recorders run at round rates.

    It may move the last sample by 1 % of a period, or by two standard errors of the fit (a slope over n samples that
    jitter by s periods is uncertain by sqrt(12) s / sqrt(n) periods over the record).
    """
    allowed = max(0.01, 2 * np.sqrt(12 / places) * jitter)
    for digits in range(1, 8):
        tidy = float(f"{rate:.{digits}g}")
        if abs(tidy - rate) / rate * places < allowed:
            return tidy
    return rate


def _uneven(time_s: NDArray[np.float64], steps: NDArray[np.float64]) -> Clock | None:
    moving = steps[steps > 0]
    low, median, high = (float(q) for q in np.quantile(moving, [0.1, 0.5, 0.9]))
    if len(moving) < 0.9 * len(steps) or high > UNEVEN_RATIO * low:
        return None
    span = (float(time_s[-1]) - float(time_s[0])) / median
    if not span < 2**53:
        return None
    places = int(np.floor(span + 1e-9)) + 1
    start, rate = float(time_s[0]), 1.0 / median
    breaks = np.flatnonzero(steps > UNEVEN_GAP_PERIODS * median)
    rows = np.concatenate(([0], breaks + 1))
    stops = np.append(rows[1:], len(time_s))
    stretches = []
    for row, stop in zip(rows, stops, strict=True):
        first = int(np.ceil((time_s[row] - start) * rate - 1e-9))
        last = int(np.floor((time_s[stop - 1] - start) * rate + 1e-9))
        if last >= first:
            stretches.append(Stretch(first, int(row), last - first + 1))
    if not stretches:
        return None
    spread = float(np.std(steps[steps <= UNEVEN_GAP_PERIODS * median])) * rate
    return Clock("uneven", start, rate, tuple(stretches), places, spread)
