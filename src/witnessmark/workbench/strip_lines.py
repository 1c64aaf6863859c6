"""The samples of one line in a window, as the strip draws them: all of them, or the extremes of columns, or changes."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from witnessmark.recording.model import Changes, ChannelInfo, Recording
from witnessmark.recording.pyramid import envelope_of
from witnessmark.workbench.strip_pack import Packing

FEW = 2  # samples a column up to which they are handed over as they are: their extremes would be as many numbers
NEARLY = 1e-4  # of a sample: a time that far from one is its own, rounded on its way through decimal digits


def line(recording: Recording, name: str, start_s: float, end_s: float, columns: int, pack: Packing) -> dict[str, Any]:
    """Header entry of a line's samples in [start_s, end_s], its arrays put into ``pack``.

    "form" says how it is drawn. "samples": values at start_s + k * step_s, with one more sample on either side, so that
    the trace goes on. "columns": smallest and largest value from start_s + k * step_s to the next, all samples counted.
    "changes": the level from each time on; the first is the state when the window begins. NaN: a gap.
    """
    info = recording.info(name)
    said: dict[str, Any] = {"name": name, "unit": info.unit, "gaps": _gaps(info, start_s, end_s)}
    if info.rate_hz is None:
        return said | _changes(recording.changes(name), info, start_s, end_s, columns, pack)
    first = max(0, min(info.samples, math.floor((start_s - info.start_s) * info.rate_hz)))
    stop = max(first, min(info.samples, math.ceil((end_s - info.start_s) * info.rate_hz) + 1))
    if stop - first <= FEW * columns:
        values = recording.values(name, first, stop)
        return said | {"form": "samples", "start_s": info.time_of(first), "step_s": 1.0 / info.rate_hz,
                       "values": pack.put(values)}  # fmt: skip
    made = envelope_of(recording, name, first, stop, columns)
    return said | {"form": "columns", "start_s": info.time_of(made.first), "step_s": made.size / info.rate_hz,
                   "low": pack.put(made.extremes[:, 0]), "high": pack.put(made.extremes[:, 1])}  # fmt: skip


def _gaps(info: ChannelInfo, start_s: float, end_s: float) -> list[list[float]]:
    """[start, end] of the gaps that lie in the window; the longest where they are many."""
    inside = [g for g in info.gaps if g.end_s >= start_s and g.start_s <= end_s]
    inside = sorted(inside, key=lambda g: g.start_s - g.end_s)[:200]
    return [[g.start_s, g.end_s] for g in sorted(inside, key=lambda g: g.start_s)]


def _changes(
    kept: Changes, info: ChannelInfo, start_s: float, end_s: float, columns: int, pack: Packing
) -> dict[str, Any]:
    levels = kept.level.astype(np.float64) * info.gain + info.offset
    first = max(0, int(np.searchsorted(kept.time_s, start_s, side="right")) - 1)
    stop = int(np.searchsorted(kept.time_s, end_s, side="right"))
    if stop - first > FEW * columns:
        return _stepped(kept.time_s, levels, max(start_s, info.start_s), min(end_s, kept.end_s), columns, pack)
    return {"form": "changes", "end_s": kept.end_s, "times": pack.put(kept.time_s[first:stop], "f8"),
            "values": pack.put(levels[first:stop])}  # fmt: skip


def _stepped(
    time_s: NDArray[np.float64], levels: NDArray[np.float64], start_s: float, end_s: float, columns: int, pack: Packing
) -> dict[str, Any]:
    """Extremes of columns: the level a column begins with and all it changes to."""
    borders = np.linspace(start_s, end_s, columns + 1)
    at = np.searchsorted(time_s, borders, side="right")
    before = levels[np.maximum(at[:-1] - 1, 0)]
    low, high = before.copy(), before.copy()
    moves = np.flatnonzero(at[1:] > at[:-1])
    if len(moves):
        inside = levels[: at[-1]]
        low[moves] = np.minimum(low[moves], np.minimum.reduceat(inside, at[moves]))
        high[moves] = np.maximum(high[moves], np.maximum.reduceat(inside, at[moves]))
    step_s = (end_s - start_s) / columns
    return {"form": "columns", "start_s": start_s, "step_s": step_s, "low": pack.put(low), "high": pack.put(high)}


def read_at(recording: Recording, info: ChannelInfo, t_s: float) -> dict[str, Any]:
    """The sample of a line nearest before a time (its number, its own time, its value), or why there is none.

    Numbers begin at 0. On a change list the sample is the change that holds then.
    """
    said: dict[str, Any] = {"name": info.name, "unit": info.unit, "sample": None, "t_s": None, "value": None}
    first_s, last_s = recording.recorded(info.name)
    if info.rate_hz is None:
        kept = recording.changes(info.name)
        number = int(np.searchsorted(kept.time_s, t_s, side="right")) - 1
        if number < 0 or t_s > last_s:
            return said | {"reason": _outside(t_s, first_s, last_s)}
        own_s = float(kept.time_s[number])
        value = float(kept.level[number]) * info.gain + info.offset
    else:
        exact = (t_s - info.start_s) * info.rate_hz
        number = round(exact) if abs(exact - round(exact)) < NEARLY else math.floor(exact)
        if not 0 <= number < info.samples:
            return said | {"reason": _outside(t_s, first_s, last_s)}
        own_s = info.time_of(number)
        value = float(recording.values(info.name, number, number + 1)[0])
    if not math.isfinite(value):
        return said | {"sample": number, "t_s": own_s, "reason": "a gap of the recording"}
    return said | {"sample": number, "t_s": own_s, "value": value}


def _outside(t_s: float, first_s: float, last_s: float) -> str:
    if t_s < first_s:
        return f"its recording begins at {first_s:.6g} s"
    return f"its recording ends at {last_s:.6g} s"
