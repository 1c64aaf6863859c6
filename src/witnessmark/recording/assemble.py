"""Columns and a clock become a Recording: grid, gaps, change lists, and what must be said about the file."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from witnessmark.recording.changelist import NO_VALUE, all_two_level, build_changes, change_share
from witnessmark.recording.clock import QUIET_JITTER, Clock, even_clock, first_step_back, judge_clock, steady_clock
from witnessmark.recording.columns import Column, missing_runs
from witnessmark.recording.model import Changes, ChannelInfo, Recording
from witnessmark.recording.trouble import count, refuse, shorten
from witnessmark.spans import Span

CLOCK_JUMPED = "samples lost, the clock jumped"
CUT_SHORT = "file cut short"
ENDS_EARLY = "channel ends before the others"
# A pause is kept as a hole in the grid; one this much longer than the data is no pause within a record.
MAX_HOLE_RATIO, MAX_HOLE_FLOOR = 50, 100_000_000


@dataclass(frozen=True, slots=True)
class Draft:
    """What a reader found in a file, before its clock is judged.

    cut: caution where the file was cut short, else "". lost: rows missing at its end, 0 where their number is unknown.
    where: names a row (0-based) for the user, "line 17".
    """

    path: str
    format: str
    columns: tuple[Column, ...]
    cautions: tuple[str, ...] = ()
    left_out: tuple[str, ...] = ()
    cut: str = ""
    lost: int = 0
    where: Callable[[int], str] = lambda row: f"row {row + 1}"


class GridSource:
    """Sampled channels on their clocks: rows of the file where the grid has them, NaN in the holes."""

    def __init__(self, columns: Sequence[Column], clocks: Sequence[Clock], time_s: NDArray[np.float64] | None = None):
        """``time_s`` is needed for uneven clocks only."""
        self._columns, self._clocks, self._time_s = tuple(columns), tuple(clocks), time_s

    def read(self, index: int, start: int, stop: int) -> NDArray[Any]:
        """Native samples [start, stop) of the grid, clipped to its length."""
        column, clock = self._columns[index], self._clocks[index]
        start, stop = max(0, start), min(stop, clock.places)
        if stop <= start:
            return np.empty(0, dtype=self.dtype(index))
        if clock.kind == "uneven":
            return self._interpolated(column, clock, start, stop)
        if not clock.jumps:
            return column.fetch(start, stop)
        out = np.full(stop - start, np.nan, dtype=self.dtype(index))
        for a, b, row in clock.between(start, stop):
            out[a - start : b - start] = column.fetch(row, row + b - a)
        return out

    def changes(self, index: int) -> Changes:
        """Sampled channels have no list of changes."""
        raise ValueError(f"{self._columns[index].name} is sampled: it has no list of changes")

    def dtype(self, index: int) -> np.dtype[Any]:
        """Type of the native samples: the file's own, or float64 where the grid has holes that need NaN."""
        column, clock = self._columns[index], self._clocks[index]
        if column.dtype.kind == "f" and clock.kind == "grid":
            return column.dtype
        return column.dtype if clock.kind == "grid" and not clock.jumps else np.dtype(np.float64)

    def _interpolated(self, column: Column, clock: Clock, start: int, stop: int) -> NDArray[Any]:
        assert self._time_s is not None
        out = np.full(stop - start, np.nan)
        for a, b, _ in clock.between(start, stop):
            at = clock.start_s + np.arange(a, b) / clock.rate_hz
            # the slack covers the rounding that put a grid place a hair beyond its file sample
            first = max(0, int(np.searchsorted(self._time_s, at[0], side="right")) - 2)
            last = min(column.samples, int(np.searchsorted(self._time_s, at[-1], side="left")) + 2)
            known = column.fetch(first, last).astype(np.float64)
            out[a - start : b - start] = np.interp(at, self._time_s[first:last], known)
        return out


class ChangeSource:
    """Two-level channels as lists of changes."""

    def __init__(self, changes: Sequence[Changes]):
        """One list a channel, in order."""
        self._changes = tuple(changes)

    def read(self, index: int, start: int, stop: int) -> NDArray[Any]:
        """The levels after changes [start, stop)."""
        return self._changes[index].level[max(0, start) : max(0, stop)]

    def changes(self, index: int) -> Changes:
        """The changes of a channel."""
        return self._changes[index]


def from_rate(draft: Draft, rate_hz: float, start_s: float = 0.0) -> Recording:
    """A recording whose file states its rate in Hz."""
    _check_rate(draft.path, rate_hz)
    clocks = [even_clock(c.samples, rate_hz, start_s) for c in draft.columns]
    return _sampled(draft, clocks, None)


def from_time(draft: Draft, time_s: NDArray[np.float64]) -> Recording:
    """A recording with a time for every row (s); refuses what is no clock and no change list."""
    clock = steady_clock(time_s) if len(time_s) >= 2 else None
    if clock is None:
        _check_time(draft, time_s)
        clock = judge_clock(time_s)
    if all_two_level(draft.columns) and _is_change_list(draft.columns, clock):
        return _change_list(draft, time_s, float(time_s[-1]))
    if clock is None:
        raise refuse(
            draft.path,
            _not_a_clock(time_s),
            "expected a fixed rate (jitter is fine) or a list of changes of 0 and 1; record it again at a fixed rate",
        )
    if not _is_rate(clock.rate_hz):
        raise refuse(
            draft.path,
            f"the time column gives {clock.rate_hz:.4g} samples per second",
            "expected seconds that rise; check the unit of its times",
        )
    if clock.places > MAX_HOLE_RATIO * len(time_s) + MAX_HOLE_FLOOR:
        raise refuse(
            draft.path,
            f"the clock jumps by {clock.places / clock.rate_hz:.6g} s in all, far more than is recorded",
            "expected one connected record; split it at the pause",
        )
    return _sampled(draft, [clock] * len(draft.columns), time_s if clock.kind == "uneven" else None)


def from_changes(draft: Draft, time_s: NDArray[np.float64], end_s: float) -> Recording:
    """A list of changes that says it is one: levels of 0 and 1 with a time for each, and the end of the record (s)."""
    rises = len(time_s) > 0 and bool(np.isfinite(time_s).all()) and bool((np.diff(time_s) > 0).all())
    if not rises or end_s < time_s[-1] or not all_two_level(draft.columns):
        raise refuse(
            draft.path,
            f"{shorten(draft.columns[0].name)} is no list of changes",
            "expected levels of 0 and 1, times in s that rise, and an end behind them; export it again",
        )
    return _change_list(draft, time_s, end_s)


def _is_rate(rate_hz: float) -> bool:
    return bool(np.isfinite(rate_hz) and 1e-3 <= rate_hz <= 1e12)


def _check_rate(path: str, rate_hz: float) -> None:
    if not _is_rate(rate_hz):
        raise refuse(path, f"rate_hz is {rate_hz:g}", "expected samples per second above 0; correct it in the file")


def _check_time(draft: Draft, time_s: NDArray[np.float64]) -> None:
    if len(time_s) < 2:
        raise refuse(
            draft.path, f"holds {count(len(time_s), 'sample')}", "expected at least two to judge; record for longer"
        )
    bad = np.flatnonzero(~np.isfinite(time_s))
    if len(bad):
        raise refuse(
            draft.path,
            f"the time in {draft.where(int(bad[0]))} is not a finite number",
            "expected seconds that rise; correct or remove it",
        )
    back = first_step_back(time_s)
    if back is not None:
        raise refuse(
            draft.path,
            f"time runs backwards in {draft.where(back)} (from {time_s[back - 1]:.9g} s to {time_s[back]:.9g} s)",
            "expected a time that rises; split the file there or export it again",
        )
    if time_s[-1] == time_s[0]:
        raise refuse(
            draft.path, f"time stands still at {time_s[0]:.9g} s", "expected a time that rises; export it again"
        )


def _is_change_list(columns: Sequence[Column], clock: Clock | None) -> bool:
    """A sampled line repeats its level in most rows; a list of changes in hardly any."""
    share = change_share(columns)
    if clock is None:
        return share > 0
    even = clock.kind == "grid" and not clock.jumps
    return share >= (0.9 if even else 0.5)


def _not_a_clock(time_s: NDArray[np.float64]) -> str:
    steps = np.diff(time_s)
    low, high = np.quantile(steps, [0.1, 0.9])
    return f"the time column is no clock (steps from {low:.4g} s to {high:.4g} s)"


def _change_list(draft: Draft, time_s: NDArray[np.float64], end_s: float) -> Recording:
    built = [build_changes(c, time_s, end_s) for c in draft.columns]
    flat = sum(lost for _, _, lost in built)
    cautions = list(draft.cautions)
    if flat:
        cautions.append(f"{count(flat, 'pulse')} of no width (two changes at one time) left out.")
    infos = []
    for info, _, _ in built:
        cut = (Span(end_s, end_s, CUT_SHORT),) if draft.cut else ()
        infos.append(replace(info, gaps=info.gaps + cut))
    return Recording(
        draft.path,
        tuple(infos),
        ChangeSource([changes for _, changes, _ in built]),
        end_s,
        (*cautions, *((draft.cut,) if draft.cut else ())),
        draft.format,
        draft.left_out,
    )


def _sampled(draft: Draft, clocks: Sequence[Clock], time_s: NDArray[np.float64] | None) -> Recording:
    ends = [c.start_s + c.places / c.rate_hz for c in clocks]
    end_s = max(ends, default=0.0)
    infos = tuple(_sampled_info(draft, c, k, time_s, end_s) for c, k in zip(draft.columns, clocks, strict=True))
    cautions = [*draft.cautions, *_clock_cautions(clocks), *_gap_cautions(infos), *((draft.cut,) if draft.cut else ())]
    source = GridSource(draft.columns, clocks, time_s)
    return Recording(draft.path, infos, source, end_s, tuple(cautions), draft.format, draft.left_out)


def _sampled_info(
    draft: Draft, column: Column, clock: Clock, time_s: NDArray[np.float64] | None, end_s: float
) -> ChannelInfo:
    own_end = clock.start_s + clock.places / clock.rate_hz
    gaps = _holes(clock) + _empty(column, clock, time_s)
    if own_end < end_s - 0.5 / clock.rate_hz:
        gaps.append(Span(own_end, end_s, CUT_SHORT if draft.cut else ENDS_EARLY))
    if draft.cut:
        gaps.append(Span(end_s, end_s + max(draft.lost, 1) / clock.rate_hz, CUT_SHORT))
    gaps.sort(key=lambda s: s.start_s)
    return ChannelInfo(
        name=column.name,
        position=column.position,
        kind="sampled",
        samples=clock.places,
        rate_hz=clock.rate_hz,
        start_s=clock.start_s,
        gain=column.gain,
        offset=column.offset,
        unit=column.unit,
        gaps=tuple(gaps),
    )


def _holes(clock: Clock) -> list[Span]:
    spans = []
    for before, after in zip(clock.stretches, clock.stretches[1:], strict=False):
        a, b = before.place + before.count, after.place
        if b > a:
            spans.append(Span(clock.start_s + a / clock.rate_hz, clock.start_s + b / clock.rate_hz, CLOCK_JUMPED))
    return spans


def _empty(column: Column, clock: Clock, time_s: NDArray[np.float64] | None) -> list[Span]:
    """Stretches in which the file has rows but the column has no values."""
    runs = missing_runs(column)
    if time_s is not None:  # uneven: interpolation loses everything from the last good row to the next
        ends = np.append(time_s, time_s[-1])
        return [Span(float(time_s[max(0, a - 1)]), float(ends[b]), NO_VALUE) for a, b in runs]
    return [
        Span(clock.start_s + a / clock.rate_hz, clock.start_s + b / clock.rate_hz, NO_VALUE)
        for first, stop in runs
        for a, b in clock.places_of(first, stop)
    ]


def _clock_cautions(clocks: Sequence[Clock]) -> list[str]:
    out = []
    for clock in dict.fromkeys(clocks):
        if clock.kind == "uneven":
            out.append(
                f"The clock is uneven (its steps spread by {100 * clock.jitter:.0f} % rms): values were interpolated "
                f"onto an even clock of {clock.rate_hz:.6g} Hz."
            )
        elif clock.jitter > QUIET_JITTER:
            out.append(
                f"The time stamps jitter by {100 * clock.jitter:.0f} % of a sample (rms): samples were taken as evenly "
                f"spaced at {clock.rate_hz:.6g} Hz."
            )
        if clock.jumps:
            holes = _holes(clock)
            lost, times = sum(s.end_s - s.start_s for s in holes), count(clock.jumps, "time")
            out.append(f"The clock jumps {times}: {lost:.4g} s were lost, first at {holes[0].start_s:.6g} s.")
    return out


def _gap_cautions(infos: Sequence[ChannelInfo]) -> list[str]:
    out = []
    for info in infos:
        empty = [s for s in info.gaps if s.reason == NO_VALUE]
        if empty:
            total = sum(s.end_s - s.start_s for s in empty)
            out.append(
                f"Channel {shorten(info.name)} has {count(len(empty), 'gap')} without values ({total:.4g} s in all), "
                f"the first at {empty[0].start_s:.6g} s."
            )
    return out
