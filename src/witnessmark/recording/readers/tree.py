"""Named arrays in groups (HDF5, Zarr) become channels, each with the clock nearest to it.

The clock of a data set is its own attribute ``rate_hz``, or else what the nearest group above it has: a data set that
calls itself time, a ``rate_hz`` (attribute or single number). So groups can hold lines of different rates. Attributes
``gain``, ``offset``, ``unit`` (or ``units``) and ``start_s`` are understood. This program's own files also say ``name``
(where the path cannot hold it), and ``kind`` "changes" with ``end_s`` of levels with a time for each change.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from witnessmark.recording.assemble import Draft, from_changes, from_rate, from_time
from witnessmark.recording.columns import Column, Fetch
from witnessmark.recording.join import join_readable
from witnessmark.recording.model import Recording
from witnessmark.recording.naming import time_scale, unique_names
from witnessmark.recording.trouble import refuse, shorten

_COMPANIONS = ("gain__", "offset__", "unit__")
_CUT = "The file was cut short: it was read as far as it is whole."
_UNWRITTEN = "The file has room for more samples at its end than were ever written to it."


@dataclass(frozen=True, slots=True)
class Data:
    """An array of a file: ``count`` samples, ``lost`` more at the end that the file does not hold.

    single: one number, no channel. text: it holds this text instead of numbers. name: of the channel, where it is not
    that of the array. changes_end_s: end of the record of a list of changes that says it is one.
    """

    count: int
    dtype: np.dtype[Any]
    fetch: Fetch
    single: bool
    lost: int = 0
    rate_hz: float | None = None
    start_s: float | None = None
    gain: float = 1.0
    offset: float = 0.0
    unit: str = ""
    text: str | None = None
    name: str = ""
    changes_end_s: float | None = None


def one_number(path: str, what: str, raw: Any) -> float | None:
    """An attribute that must be one finite number, where it is there at all."""
    if raw is None:
        return None
    try:
        value = float(np.asarray(raw).reshape(-1)[0]) if np.size(raw) == 1 else np.nan
    except (ValueError, TypeError):
        value = np.nan
    if not np.isfinite(value):
        raise refuse(path, f"{what} is not one finite number", "expected one; correct the attribute")
    return value


@dataclass(frozen=True, slots=True)
class _Clock:
    """Of a group or data set: a data set of times, or a rate."""

    time: str | None
    rate_hz: float
    start_s: float


def from_tree(
    path: str,
    format_name: str,
    everything: dict[str, Data],
    left_out: Sequence[str],
    said: Callable[[str, str], float | None],
    cut: bool = False,
    named: bool = False,
) -> Recording:
    """A recording of arrays by their paths in the file; ``said(group, key)`` is a number among a group's attributes.

    left_out: paths of what holds no samples. cut: the file was cut short. named: the arrays say what they are called.
    """
    everything = _vectors_of(everything)
    singles = {n: d for n, d in everything.items() if d.single}
    vectors = {n: d for n, d in everything.items() if not d.single}
    times = {n: s for n, d in vectors.items() if (s := _time_scale(n, d)) is not None}
    channels = [n for n in vectors if n not in times and not _is_companion(n, vectors)]
    parts, clockless = _by_clock(channels, vectors, times, singles, said)
    if not channels:
        what = "is cut short, nothing whole is left" if cut else "no one-dimensional data set of numbers"
        raise refuse(path, what, "expected a data set a channel; save the samples so")
    if not parts:
        raise refuse(
            path, "neither rate_hz nor time", "expected an attribute rate_hz or a data set named time; add one"
        )
    names = _short(channels, vectors if named else {})
    cautions = [f"{shorten(n)} is no row of numbers: it is left out." for n in left_out]
    cautions += [f"Data set {shorten(n)} has neither rate_hz nor time: it is left out." for n in clockless]

    def maker(clock: _Clock, members: list[tuple[int, str, Data]], k: int) -> Callable[[], Recording]:
        columns = tuple(_column(names[p], p + 1, d, n, singles, vectors) for p, n, d in members)
        lost = max(d.lost for _, _, d in members)
        draft = Draft(
            path,
            format_name,
            columns,
            tuple(cautions) if k == 0 else (),
            (*left_out, *clockless) if k == 0 else (),
            _CUT if cut and (lost or clock.time) else _UNWRITTEN if lost else "",
            lost,
        )
        ends = [d.changes_end_s for _, _, d in members]
        return lambda: _part(draft, clock, vectors, times, None if None in ends else max(e or 0.0 for e in ends))

    made = [(f"What {names[m[0][0]]} belongs to", maker(clock, m, k)) for k, (clock, m) in enumerate(parts.items())]
    recording = join_readable(path, made, [[p for p, _, _ in m] for m in parts.values()])
    if cut and _CUT not in recording.cautions:
        recording = replace(recording, cautions=(*recording.cautions, _CUT))
    return recording


def _by_clock(
    channels: Sequence[str],
    vectors: dict[str, Data],
    times: dict[str, float],
    singles: dict[str, Data],
    said: Callable[[str, str], float | None],
) -> tuple[dict[_Clock, list[tuple[int, str, Data]]], list[str]]:
    """Channels (place, path, data) by the clock they run on, and those without one."""
    parts: dict[_Clock, list[tuple[int, str, Data]]] = {}
    clockless = []
    for place, name in enumerate(channels):
        clock = _clock(said, name, vectors[name], times, singles)
        if clock is None:
            clockless.append(name)
        else:
            parts.setdefault(clock, []).append((place, name, vectors[name]))
    return parts, clockless


def _vectors_of(found: dict[str, Data]) -> dict[str, Data]:
    """A single number is one sample where there is nothing longer."""
    if any(not d.single for d in found.values()):
        return found
    return {
        n: d if n.rpartition("/")[2] == "rate_hz" or d.text is not None else replace(d, single=False)
        for n, d in found.items()
    }


def _time_scale(name: str, data: Data) -> float | None:
    return None if data.text is not None else time_scale(name.rpartition("/")[2], data.unit)


def _is_companion(name: str, vectors: dict[str, Data]) -> bool:
    group, _, own = name.rpartition("/")
    return any(own.startswith(p) and f"{group}/{own[len(p) :]}".lstrip("/") in vectors for p in _COMPANIONS)


def _clock(
    said: Callable[[str, str], float | None],
    name: str,
    data: Data,
    times: dict[str, float],
    singles: dict[str, Data],
) -> _Clock | None:
    start = data.start_s
    if data.rate_hz is not None:
        return _Clock(None, data.rate_hz, start or 0.0)
    group = name.rpartition("/")[0]
    while True:
        here = f"{group}/" if group else ""
        for time in times:
            if time.startswith(here) and "/" not in time[len(here) :]:
                return _Clock(time, 0.0, 0.0)
        start = said(group, "start_s") if start is None else start
        rate = said(group, "rate_hz")
        if rate is None and here + "rate_hz" in singles:
            rate = float(singles[here + "rate_hz"].fetch(0, 1)[0])
        if rate is not None:
            return _Clock(None, rate, start or 0.0)
        if not group:
            return None
        group = group.rpartition("/")[0]


def _short(names: Sequence[str], named: dict[str, Data]) -> list[str]:
    """Without their groups where that leaves them different; as those say it that say what they are called."""
    short = [n.rpartition("/")[2] for n in names]
    own = [s if short.count(s) == 1 else n for s, n in zip(short, names, strict=True)]
    return unique_names([named[n].name or o for n, o in zip(names, own, strict=True)]) if named else own


def _column(
    name: str, position: int, data: Data, where: str, singles: dict[str, Data], vectors: dict[str, Data]
) -> Column:
    group, _, own = where.rpartition("/")
    here = f"{group}/" if group else ""

    def beside(prefix: str, said: Any) -> Any:
        found = singles.get(f"{here}{prefix}{own}") or vectors.get(f"{here}{prefix}{own}")
        if found is None or found.count < 1:
            return said
        return found.text if prefix == "unit__" else float(found.fetch(0, 1)[0])

    gain, offset = beside("gain__", data.gain), beside("offset__", data.offset)
    unit = beside("unit__", data.unit) or ""
    return Column(name, position, data.dtype, data.count, data.fetch, unit, gain, offset)


def _part(
    draft: Draft, clock: _Clock, vectors: dict[str, Data], times: dict[str, float], end_s: float | None
) -> Recording:
    if clock.time is None:
        return from_rate(draft, clock.rate_hz, clock.start_s)
    times_of = vectors[clock.time]
    lengths = {c.name: c.samples for c in draft.columns}
    rows = min([times_of.count, *lengths.values()])
    for name, length in lengths.items():
        if length != times_of.count and not draft.cut:
            raise refuse(
                draft.path,
                f"data set {shorten(name)} has {length} samples, {shorten(clock.time)} has {times_of.count}",
                "expected the same number; save them again",
            )
    time_s: NDArray[np.float64] = times_of.fetch(0, rows).astype(np.float64) * times[clock.time]
    columns = tuple(Column(c.name, c.position, c.dtype, rows, c.fetch, c.unit, c.gain, c.offset) for c in draft.columns)
    draft = replace(draft, columns=columns)
    return from_time(draft, time_s) if end_s is None else from_changes(draft, time_s, end_s)
