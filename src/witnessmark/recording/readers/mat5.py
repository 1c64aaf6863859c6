"""The vectors of a MATLAB level 5 file, mapped where they lie in the file, unpacked on demand where compressed.

Format: MAT-File Format, level 5, as published by its maker; from memory, checked in the tests against scipy.io.savemat.
Cells, structures, sparse arrays and objects are no samples: they are passed over unread.
"""

from __future__ import annotations

import io
import math
import struct
import zlib
from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Any, BinaryIO

import numpy as np
from numpy.typing import NDArray

from witnessmark.recording.readers.members import MAX_UNPACKED, Member, Unpacked, mapped
from witnessmark.recording.trouble import refuse, shorten

_STORED = {
    1: "i1",
    2: "u1",
    3: "i2",
    4: "u2",
    5: "i4",
    6: "u4",
    7: "f4",
    9: "f8",
    12: "i8",
    13: "u8",
    16: "u1",
    17: "u2",
}
_CLASSES = {6: "f8", 7: "f4", 8: "i1", 9: "u1", 10: "i2", 11: "u2", 12: "i4", 13: "u4", 14: "i8", 15: "u8"}
_CHAR, _MATRIX, _COMPRESSED = 4, 14, 15
_COMPLEX, _LOGICAL = 0x08, 0x02
_HEAD = 1 << 14  # bytes that hold the flags, dimensions and name of an array
_CUT = "The file was cut short: it was read as far as it is whole; arrays behind the cut are lost."
_AGAIN = "expected a whole MATLAB file; save it again"


@dataclass(frozen=True, slots=True)
class _Array:
    """Header of one array: ``at`` is where its numbers begin in the (unpacked) element, ``size`` their bytes."""

    name: str
    kind: int
    flags: int
    shape: tuple[int, ...]
    stored: np.dtype[Any]
    at: int
    size: int


def open_members(path: str) -> tuple[list[Member], str]:
    """The numeric arrays in the file's order, and a caution where the file was cut short ("" otherwise)."""
    members: list[Member] = []
    with open(path, "rb") as file:
        order = _order(path, file)
        size = file.seek(0, io.SEEK_END)
        cut = ""
        for kind, at, length in _elements(file, order, size):
            whole = at + length <= size
            cut = cut if whole else _CUT
            there = min(length, size - at)
            if kind == _COMPRESSED:
                member = _packed(path, file, order, at, there, whole)
            elif kind == _MATRIX:
                member = _plain(path, file, order, at, there, whole)
            else:
                continue
            if member is not None:
                members.append(member)
    if not members:
        what = "is cut short, nothing whole is left" if cut else "no array of numbers"
        raise refuse(path, what, _AGAIN if cut else "expected a vector a channel; save the samples as vectors")
    return _as_vectors(members), cut


def _order(path: str, file: BinaryIO) -> str:
    head = file.read(128)
    order = {b"IM": "<", b"MI": ">"}.get(head[126:128])
    if order is None or struct.unpack(order + "H", head[124:126])[0] >> 8 != 1:
        raise refuse(
            path, "is not a MATLAB level 5 or 7.3 file", "expected one of these; check the suffix or save it again"
        )
    return order


def _elements(file: BinaryIO, order: str, size: int) -> Iterator[tuple[int, int, int]]:
    """(kind, first byte, bytes) of the elements of the file; the last may reach beyond its end."""
    at = 128
    while at + 8 <= size:
        file.seek(at)
        kind, length = struct.unpack(order + "II", file.read(8))
        if kind not in (_MATRIX, _COMPRESSED) and kind not in _STORED:
            return
        yield kind, at + 8, length
        at += 8 + length + (-length % 8 if kind != _COMPRESSED else 0)


def _tag(raw: bytes, at: int, order: str) -> tuple[int, int, int, int]:
    """(kind, first byte, bytes, next tag) of a part of an array; short parts lie in their own tag."""
    kind, length = struct.unpack_from(order + "II", raw, at)
    if kind >> 16:
        return kind & 0xFFFF, at + 4, kind >> 16, at + 8
    return kind, at + 8, length, at + 8 + length + -length % 8


def _header(raw: bytes, order: str) -> _Array | None:
    """What the beginning of an array's element says; None where it is none of numbers or text."""
    kind, at, length, after = _tag(raw, 0, order)
    if kind != 6 or length != 8:
        raise ValueError("no flags")
    word = struct.unpack_from(order + "I", raw, at)[0]
    cls, flags = word & 0xFF, word >> 8 & 0xFF
    if cls not in _CLASSES and cls != _CHAR:
        return None
    kind, at, length, after = _tag(raw, after, order)
    if kind != 5 or length > 1024 or length % 4:
        raise ValueError("no dimensions")
    shape = struct.unpack_from(f"{order}{length // 4}i", raw, at)
    kind, at, length, after = _tag(raw, after, order)
    if at + length > len(raw):
        raise ValueError("no name")
    name = raw[at : at + length].decode("utf-8", errors="replace")
    if min(shape, default=-1) < 0:
        raise ValueError("negative dimensions")
    if math.prod(shape) == 0:
        return _Array(name, cls, flags, shape, np.dtype("u1"), after, 0)
    kind, at, length, _ = _tag(raw, after, order)
    if kind not in _STORED:
        raise ValueError("unknown type of number")
    return _Array(name, cls, flags, shape, np.dtype(order + _STORED[kind]), at, length)


def _checked(path: str, raw: bytes, order: str, whole: bool) -> _Array | None:
    """The header, refused where it is damaged or claims more than is there; None where the array is of no use."""
    try:
        array = _header(raw, order)
    except (ValueError, struct.error):
        if not whole:
            return None
        raise refuse(path, "an array in it is damaged", _AGAIN) from None
    if array is None or not array.name or array.flags & _COMPLEX:
        return None
    count = math.prod(array.shape)
    if count * array.stored.itemsize != array.size:
        raise refuse(
            path,
            f"array {shorten(array.name)} claims {count} samples, {array.size // array.stored.itemsize} are there",
            _AGAIN,
        )
    return array


def _plain(path: str, file: BinaryIO, order: str, at: int, there: int, whole: bool) -> Member | None:
    file.seek(at)
    array = _checked(path, file.read(min(there, _HEAD)), order, whole)
    if array is None:
        return None
    if whole and array.at + array.size > there:
        raise refuse(path, f"array {shorten(array.name)} lies beyond its place in the file", _AGAIN)
    usable = max(0, min(array.size, there - array.at)) // array.stored.itemsize
    return _member(array, usable, mapped(path, at + array.at, array.stored, usable))


def _packed(path: str, file: BinaryIO, order: str, at: int, there: int, whole: bool) -> Member | None:
    file.seek(at)
    try:
        head = zlib.decompressobj().decompress(file.read(min(there, _HEAD)), _HEAD)
    except zlib.error:
        head = b""
    if len(head) < 8 or struct.unpack_from(order + "I", head)[0] != _MATRIX:
        if not whole:
            return None
        raise refuse(path, "an array in it is damaged", _AGAIN)
    array = _checked(path, head[8:], order, whole)
    if array is None:
        return None
    if array.size > MAX_UNPACKED:
        raise refuse(
            path,
            f"array {shorten(array.name)} unpacks to {array.size >> 20} MB",
            f"expected at most {MAX_UNPACKED >> 20} MB compressed; save it uncompressed",
        )
    count = array.size // array.stored.itemsize
    unpacked = Unpacked(path, array.name, (at, there), array.at + 8, array.stored, count, whole, 15)
    return _member(array, count if whole else len(unpacked.all()), unpacked.fetch)


def _member(array: _Array, usable: int, fetch: Any) -> Member:
    """As the class says: MATLAB stores whole doubles as the smallest integers that hold them."""
    count = math.prod(array.shape)
    if array.kind == _CHAR:
        text = "".join(map(chr, fetch(0, min(usable, 256)).tolist()))
        return Member(array.name, np.dtype("U"), (1,), 1, 0, lambda start, stop: np.array([text])[start:stop])
    dtype = np.dtype(bool) if array.flags & _LOGICAL else np.dtype(_CLASSES[array.kind])

    def native(start: int, stop: int) -> NDArray[Any]:
        values: NDArray[Any] = fetch(start, stop)
        return values.astype(dtype, copy=False)

    return Member(array.name, dtype, array.shape, usable, count - usable, native)


def _as_vectors(members: list[Member]) -> list[Member]:
    """Rows and columns as vectors; single numbers, texts and empty arrays are no channels where there are vectors."""

    def shape(m: Member) -> tuple[int, ...]:
        return tuple(n for n in m.shape if n != 1)

    some = any(len(shape(m)) == 1 and 0 not in m.shape for m in members)
    out = []
    for m in members:
        long = shape(m)
        if 0 in m.shape:
            if not some:
                out.append(replace(m, shape=(0,)))
        elif long or m.dtype.kind == "U":
            out.append(replace(m, shape=long if m.dtype.kind != "U" else ()))
        else:
            out.append(replace(m, shape=() if some or m.name == "rate_hz" else (1,)))
    return out
