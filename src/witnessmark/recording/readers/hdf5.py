"""HDF5 (and MATLAB 7.3, which is HDF5): one-dimensional data sets are channels, each with the clock nearest to it.

The clock of a data set is its own attribute ``rate_hz``, or else what the nearest group above it has: a data set that
calls itself time, a ``rate_hz`` (attribute or single number). So groups can hold lines of different rates. Attributes
``gain``, ``offset``, ``unit`` (or ``units``) and ``start_s`` are understood.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import h5py
import numpy as np
from numpy.typing import NDArray

from witnessmark.recording.assemble import Draft, from_rate, from_time
from witnessmark.recording.columns import Column
from witnessmark.recording.join import join_readable
from witnessmark.recording.model import Recording
from witnessmark.recording.naming import time_scale
from witnessmark.recording.readers.hdf5_data import Data, attribute, data_of, number, text
from witnessmark.recording.readers.hdf5_file import datasets, open_file, user_block
from witnessmark.recording.trouble import refuse, shorten

__all__ = ["read", "user_block"]
_COMPANIONS = ("gain__", "offset__", "unit__")
_CUT = "The file was cut short: it was read as far as it is whole."


@dataclass(frozen=True, slots=True)
class _Clock:
    """Of a group or data set: a data set of times, or a rate."""

    time: str | None
    rate_hz: float
    start_s: float


def read(path: str, format_name: str = "HDF5") -> Recording:
    """Read the structure now, samples on demand (memory-mapped where they lie in one piece)."""
    file, cut = open_file(path, format_name)
    everything, left_out = _all(path, file)
    singles = {n: d for n, d in everything.items() if d.single}
    vectors = {n: d for n, d in everything.items() if not d.single}
    times = {n: s for n, d in vectors.items() if (s := _time_scale(n, d)) is not None}
    parts: dict[_Clock, list[tuple[int, str, Data]]] = {}
    clockless = []
    channels = [n for n in vectors if n not in times and not _is_companion(n, vectors)]
    for place, name in enumerate(channels):
        clock = _clock(path, file, name, vectors[name], times, singles)
        if clock is None:
            clockless.append(name)
        else:
            parts.setdefault(clock, []).append((place, name, vectors[name]))
    if not channels:
        what = "is cut short, nothing whole is left" if cut else "no one-dimensional data set of numbers"
        raise refuse(path, what, "expected a data set a channel; save the samples so")
    if not parts:
        raise refuse(
            path, "neither rate_hz nor time", "expected an attribute rate_hz or a data set named time; add one"
        )
    names = _short(channels)
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
            _CUT if cut and (lost or clock.time) else "",
            lost,
        )
        return lambda: _part(draft, clock, vectors, times)

    made = [
        (f"What {names[m[0][0]]} belongs to", maker(clock, m, k)) for k, (clock, m) in enumerate(parts.items())
    ]
    recording = join_readable(path, made, [[p for p, _, _ in m] for m in parts.values()])
    if cut and _CUT not in recording.cautions:
        recording = Recording(
            recording.path,
            recording.channels,
            recording.source,
            recording.end_s,
            (*recording.cautions, _CUT),
            recording.format,
            recording.left_out,
        )
    return recording


def _all(path: str, file: h5py.File) -> tuple[dict[str, Data], list[str]]:
    """What holds numbers, by its path in the file; and what does not."""
    found: dict[str, Data] = {}
    left_out = []
    for name, dataset in datasets(file):
        data = data_of(path, name, dataset)
        if data is None:
            left_out.append(name)
        else:
            found[name] = data
    if not any(not d.single for d in found.values()):  # a single number is one sample where there is nothing longer
        found = {n: d if n.rpartition("/")[2] == "rate_hz" else d.as_vector() for n, d in found.items()}
    return found, left_out


def _time_scale(name: str, data: Data) -> float | None:
    return None if data.text is not None else time_scale(name.rpartition("/")[2], data.unit)


def _is_companion(name: str, vectors: dict[str, Data]) -> bool:
    group, _, own = name.rpartition("/")
    return any(own.startswith(p) and f"{group}/{own[len(p) :]}".lstrip("/") in vectors for p in _COMPANIONS)


def _clock(
    path: str, file: h5py.File, name: str, data: Data, times: dict[str, float], singles: dict[str, Data]
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
        owner = file[group] if group else file
        start = number(path, owner, "start_s") if start is None else start
        rate = number(path, owner, "rate_hz")
        if rate is None and here + "rate_hz" in singles:
            rate = float(singles[here + "rate_hz"].fetch(0, 1)[0])
        if rate is not None:
            return _Clock(None, rate, start or 0.0)
        if not group:
            return None
        group = group.rpartition("/")[0]


def _short(names: Sequence[str]) -> list[str]:
    """Without their groups where that leaves them different."""
    short = [n.rpartition("/")[2] for n in names]
    return [s if short.count(s) == 1 else n for s, n in zip(short, names, strict=True)]


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


def _part(draft: Draft, clock: _Clock, vectors: dict[str, Data], times: dict[str, float]) -> Recording:
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
    return from_time(
        Draft(draft.path, draft.format, columns, draft.cautions, draft.left_out, draft.cut, draft.lost), time_s
    )
