"""Change lists: irregular times, columns of 0 and 1, a row at each change, as logic analysers write them."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from witnessmark.recording.columns import CHUNK, Column
from witnessmark.recording.model import Changes, ChannelInfo
from witnessmark.spans import Span

NO_VALUE = "no value in the file"


def all_two_level(columns: Sequence[Column]) -> bool:
    """Whether every column holds nothing but 0 and 1 (and gaps); stops at the first value that is neither."""
    return (
        bool(columns) and all(_two_level(c, 4096) for c in columns) and all(_two_level(c, c.samples) for c in columns)
    )


def _two_level(column: Column, rows: int) -> bool:
    seen = 0
    for start in range(0, min(rows, column.samples), CHUNK):
        values = column.fetch(start, min(start + CHUNK, rows, column.samples))
        if values.dtype.kind == "f":
            values = values[~np.isnan(values)]
        seen += len(values)
        if not ((values == 0) | (values == 1)).all():
            return False
    return seen > 0 or rows < column.samples


def change_share(columns: Sequence[Column], rows: int = CHUNK) -> float:
    """Share of the first ``rows`` rows (after the first) in which some column differs from the row before."""
    rows = min([rows, *(c.samples for c in columns)])
    if rows < 2:
        return 0.0
    changed = np.zeros(rows - 1, dtype=np.bool_)
    for column in columns:
        values = column.fetch(0, rows)
        differs = values[1:] != values[:-1]
        if values.dtype.kind == "f":
            differs &= ~(np.isnan(values[1:]) & np.isnan(values[:-1]))
        changed |= differs
    return float(changed.mean())


def build_changes(column: Column, time_s: NDArray[np.float64], end_s: float) -> tuple[ChannelInfo, Changes, int]:
    """The channel, its changes, and how many zero-width pulses (two changes at one time) were left out.

    Rows in which the channel does not change are dropped; rows without a value are gaps, and a level that differs
    after a gap is a change at the first row that has a value again.
    """
    values = column.fetch(0, column.samples)
    known = ~np.isnan(values) if values.dtype.kind == "f" else np.ones(len(values), dtype=np.bool_)
    gaps = _gaps(known, time_s, end_s)
    times, level = time_s[known], values[known].astype(np.uint8)
    last = np.append(np.diff(times) > 0, True)  # of several rows at one time the last one holds
    raw_changes = int(np.count_nonzero(np.diff(level)))
    times, level = times[last], level[last]
    keep = np.concatenate(([True], level[1:] != level[:-1])) if len(level) else np.zeros(0, dtype=np.bool_)
    times, level = times[keep], level[keep]
    lost = (raw_changes - max(len(times) - 1, 0)) // 2
    info = ChannelInfo(
        name=column.name,
        position=column.position,
        kind="changes",
        samples=len(times),
        rate_hz=None,
        start_s=float(time_s[0]),
        gain=column.gain,
        offset=column.offset,
        unit=column.unit,
        gaps=gaps,
    )
    return info, Changes(times, level, end_s), lost


def _gaps(known: NDArray[np.bool_], time_s: NDArray[np.float64], end_s: float) -> tuple[Span, ...]:
    if known.all():
        return ()
    edges = np.flatnonzero(np.diff(np.concatenate(([False], ~known, [False])).view(np.int8))).reshape(-1, 2)
    ends = np.append(time_s, end_s)
    return tuple(Span(float(time_s[a]), float(ends[b]), NO_VALUE) for a, b in edges.tolist())
