"""Named arrays of a file become channels: NPZ and MAT hold them the same way.

A vector is a channel, a scalar ``rate_hz`` or a vector ``time`` is the clock; ``gain__<name>``, ``offset__<name>`` and
``unit__<name>`` are the scale and unit of channel <name>; a scalar ``simulated`` says that no engine ran for them.
"""

from __future__ import annotations

import zlib
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from witnessmark.recording.assemble import Draft, from_rate, from_time
from witnessmark.recording.columns import Column, finite
from witnessmark.recording.model import Recording
from witnessmark.recording.naming import find_time
from witnessmark.recording.trouble import refuse, shorten

MAX_UNPACKED = 3 << 28  # bytes of one compressed array; larger ones must be stored uncompressed, which is mapped
_COMPANIONS = ("gain__", "offset__", "unit__")
SIMULATED = "simulated"  # a scalar that is true: no engine ran for what the file holds


@dataclass(frozen=True, slots=True)
class Member:
    """An array: ``count`` whole elements are there, ``lost`` more were cut off."""

    name: str
    dtype: np.dtype[Any]
    shape: tuple[int, ...]
    count: int
    lost: int
    fetch: Callable[[int, int], NDArray[Any]]


def mapped(path: str, at: int, dtype: np.dtype[Any], count: int) -> Callable[[int, int], NDArray[Any]]:
    """Fetches elements of an array that lies in the file as it is; opened at the first read."""
    opened: list[NDArray[Any]] = []

    def fetch(start: int, stop: int) -> NDArray[Any]:
        if not opened:
            shape = (count,)
            opened.append(
                np.memmap(path, dtype=dtype, mode="r", offset=at, shape=shape) if count else np.empty(0, dtype)
            )
        return np.asarray(opened[0][start:stop])

    return fetch


class Unpacked:
    """A deflated array: unpacked when first read, never beyond the size its header claims."""

    def __init__(
        self,
        path: str,
        name: str,
        place: tuple[int, int],
        header: int,
        dtype: np.dtype[Any],
        count: int,
        whole: bool,
        window: int,
    ):
        """``place``: first byte and bytes stored; ``header``: unpacked bytes before the first of ``count`` elements.

        whole: whether all of them must be there. window: as zlib has it, -15 for a bare stream.
        """
        self._path, self._name, self._place, self._header = path, name, place, header
        self._dtype, self._count, self._whole, self._window = dtype, count, whole, window
        self._values: NDArray[Any] | None = None

    def fetch(self, start: int, stop: int) -> NDArray[Any]:
        """Elements [start, stop)."""
        return self.all()[start:stop]

    def all(self) -> NDArray[Any]:
        """All elements that are whole."""
        if self._values is None:
            width = max(1, self._dtype.itemsize)
            data = self._inflate(self._header + self._count * self._dtype.itemsize)
            there = max(0, len(data) - self._header) // width
            if self._whole and there < self._count:
                raise refuse(
                    self._path, f"array {shorten(self._name)} is damaged", "expected a whole file; save it again"
                )
            self._values = np.frombuffer(data, self._dtype, min(there, self._count), min(self._header, len(data)))
        return self._values

    def _inflate(self, limit: int) -> bytearray:
        engine, out = zlib.decompressobj(self._window), bytearray()
        with open(self._path, "rb") as file:
            file.seek(self._place[0])
            left = self._place[1]
            while len(out) < limit and not engine.eof:
                raw = engine.unconsumed_tail
                if not raw:
                    raw = file.read(min(left, 1 << 20))
                    left -= len(raw)
                if not raw:
                    break
                try:
                    out += engine.decompress(raw, limit - len(out))
                except zlib.error:
                    break
        return out


def from_members(path: str, format_name: str, members: list[Member], cut: str) -> Recording:
    """A recording of named arrays; ``cut`` is the caution of a file cut short, else ""."""
    marked = any(m.name == SIMULATED and not m.shape and m.count == 1 and bool(m.fetch(0, 1)[0]) for m in members)
    recording = _of_members(path, format_name, members, cut)
    return replace(recording, simulated=True) if marked else recording


def _of_members(path: str, format_name: str, members: list[Member], cut: str) -> Recording:
    rate, start_s = _number(path, members, "rate_hz"), _number(path, members, "start_s") or 0.0
    vectors = [m for m in members if len(m.shape) == 1 and m.name != "rate_hz" and not _is_companion(m.name, members)]
    timed = find_time([m.name for m in vectors], [""] * len(vectors))
    left_out = tuple(m.name for m in members if len(m.shape) > 1)
    cautions = tuple(f"Array {shorten(n)} is not one-dimensional: it is left out." for n in left_out)
    channels = [m for i, m in enumerate(vectors) if timed is None or i != timed[0]]
    columns = tuple(_column(path, m, i, members) for i, m in enumerate(channels, start=1))
    if not columns:
        raise refuse(path, "no one-dimensional array of numbers", "expected an array a channel; save the samples so")
    if timed is not None:
        time_s = _time(path, vectors[timed[0]], timed[1])
        columns, time_s, cut = _same_length(path, columns, time_s, cut)
        return from_time(Draft(path, format_name, columns, cautions, left_out, cut), time_s)
    if rate is None:
        raise refuse(path, "neither rate_hz nor time", "expected a scalar rate_hz or an array time; add one")
    lost = max((m.lost for m in channels), default=0)
    return from_rate(Draft(path, format_name, columns, cautions, left_out, cut, lost), rate, start_s)


def _same_length(
    path: str, columns: tuple[Column, ...], time_s: NDArray[np.float64], cut: str
) -> tuple[tuple[Column, ...], NDArray[np.float64], str]:
    lengths = {c.name: c.samples for c in columns}
    rows = min([len(time_s), *lengths.values()])
    for name, length in lengths.items():
        if length != len(time_s) and not cut:
            raise refuse(
                path,
                f"array {shorten(name)} has {length} samples, time has {len(time_s)}",
                "expected the same number; save them again",
            )
    short = tuple(Column(c.name, c.position, c.dtype, rows, c.fetch, c.unit, c.gain, c.offset) for c in columns)
    return short, time_s[:rows], cut


def _is_companion(name: str, members: list[Member]) -> bool:
    return any(name.startswith(p) and any(m.name == name[len(p) :] for m in members) for p in _COMPANIONS)


def _number(path: str, members: list[Member], name: str) -> float | None:
    """rate_hz, in whatever shape; or start_s, which as a vector is a channel."""
    for m in members:
        if m.name == name and (name == "rate_hz" or not m.shape):
            if m.count != 1 or m.dtype.kind not in "iuf":
                raise refuse(path, f"{name} is not one number", "expected one, of Hz or s; save it as a scalar")
            value = float(m.fetch(0, 1)[0])
            if name == "start_s" and not np.isfinite(value):
                raise refuse(path, f"{name} is {value:g}", "expected the time of the first sample in s; correct it")
            return value
    return None


def _time(path: str, member: Member, scale: float) -> NDArray[np.float64]:
    if member.dtype.kind not in "iuf":
        raise refuse(path, f"{shorten(member.name)} is not numeric", "expected seconds; save it as numbers")
    return np.asarray(member.fetch(0, member.count), dtype=np.float64) * scale


def _column(path: str, member: Member, position: int, members: list[Member]) -> Column:
    if member.dtype.kind not in "biuf" or member.dtype.itemsize > 8:
        raise refuse(
            path,
            f"array {shorten(member.name)} holds {member.dtype} instead of numbers",
            "expected integers, floats or booleans; save the samples as numbers",
        )
    dtype = np.dtype(np.uint8) if member.dtype.kind == "b" else member.dtype.newbyteorder("=")
    if dtype == np.dtype(np.float16):
        dtype = np.dtype(np.float32)

    def fetch(start: int, stop: int) -> NDArray[Any]:
        values = member.fetch(start, stop)
        return finite(values.view(np.uint8) if values.dtype.kind == "b" else values.astype(dtype, copy=False))

    said = {p: _companion(path, p, member.name, members) for p in _COMPANIONS}
    gain, offset, unit = said["gain__"], said["offset__"], said["unit__"]
    return Column(
        member.name,
        position,
        dtype,
        member.count,
        fetch,
        str(unit) if unit is not None else "",
        float(gain) if gain is not None else 1.0,
        float(offset) if offset is not None else 0.0,
    )


def _companion(path: str, prefix: str, name: str, members: list[Member]) -> Any:
    for m in members:
        if m.name == prefix + name:
            kinds = "U" if prefix == "unit__" else "iuf"
            value = m.fetch(0, 1)[0] if m.count == 1 and m.dtype.kind in kinds else None
            if value is None or (kinds != "U" and not np.isfinite(value)) or (prefix == "gain__" and value == 0):
                raise refuse(path, f"{shorten(m.name)} is not usable", "expected one finite number (text for the unit)")
            return value
    return None
