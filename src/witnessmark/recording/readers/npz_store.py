"""The arrays inside an NPZ (a ZIP of .npy files), mapped or unpacked on demand, also where the archive was cut short.

Formats: PKWARE APPNOTE (local headers, ZIP64) and NumPy's .npy description (NEP 1); from memory, checked in the tests
against numpy.savez.
"""

from __future__ import annotations

import io
import os
import struct
import zipfile
import zlib
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, BinaryIO

import numpy as np
from numpy.lib import format as npy
from numpy.typing import NDArray

from witnessmark.recording.trouble import refuse, shorten

MAX_UNPACKED = 1 << 30  # bytes of one compressed array; larger ones must be stored uncompressed, which is mapped
_LOCAL = struct.Struct("<4sHHHHHIIIHH")
_HEADER_BYTES = 1 << 16


@dataclass(frozen=True, slots=True)
class Member:
    """An array: ``count`` whole elements are there, ``lost`` more were cut off."""

    name: str
    dtype: np.dtype[Any]
    shape: tuple[int, ...]
    count: int
    lost: int
    fetch: Callable[[int, int], NDArray[Any]]


@dataclass(frozen=True, slots=True)
class _Entry:
    name: str
    at: int  # first byte of the stored data
    stored: int  # bytes stored
    size: int  # bytes unpacked
    deflated: bool


def open_members(path: str) -> tuple[list[Member], str]:
    """The arrays, and a caution where the file was cut short ("" otherwise)."""
    with open(path, "rb") as file:
        if file.read(4) != b"PK\x03\x04":
            raise refuse(path, "is not an NPZ file", "expected what numpy.savez writes; check that the suffix is right")
        try:
            entries, whole = _directory(file), True
        except (zipfile.BadZipFile, NotImplementedError, ValueError, OverflowError):
            entries, whole = _walk(file), False
        members = [m for e in entries if (m := _member(path, file, e, whole)) is not None]
    if whole:
        return members, ""
    if not members:
        raise refuse(path, "is cut short or damaged, nothing whole is left", "expected a whole NPZ file; save it again")
    return members, "The file was cut short: it was read as far as it is whole; arrays behind the cut are lost."


def _directory(file: BinaryIO) -> list[_Entry]:
    entries = []
    with zipfile.ZipFile(file) as archive:
        for info in archive.infolist():
            if not info.filename.endswith(".npy"):
                continue
            if info.flag_bits & 1 or info.compress_type not in (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED):
                raise ValueError("encrypted or of an unusual compression")
            file.seek(info.header_offset)
            fields = _LOCAL.unpack(file.read(_LOCAL.size))
            at = info.header_offset + _LOCAL.size + fields[9] + fields[10]
            deflated = info.compress_type == zipfile.ZIP_DEFLATED
            entries.append(_Entry(info.filename[:-4], at, info.compress_size, info.file_size, deflated))
    return entries


def _walk(file: BinaryIO) -> list[_Entry]:
    """Entries by their local headers, for an archive whose directory (at its end) is gone."""
    size, at, entries = file.seek(0, io.SEEK_END), 0, []
    while at + _LOCAL.size <= size:
        file.seek(at)
        sig, _, flags, method, _, _, _, stored, unpacked, name_len, extra_len = _LOCAL.unpack(file.read(_LOCAL.size))
        if sig != b"PK\x03\x04" or flags & 1 or method not in (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED):
            break
        name = file.read(name_len).decode("utf-8", errors="replace")
        extra = file.read(extra_len)
        unpacked, stored = _long_sizes(extra, unpacked, stored)
        data = at + _LOCAL.size + name_len + extra_len
        if data >= size:
            break
        if stored == 0:  # sizes are filled in when a writer is done with the array: this is where it stopped
            stored = unpacked = size - data
        if name.endswith(".npy"):
            entries.append(_Entry(name[:-4], data, min(stored, size - data), unpacked, method == zipfile.ZIP_DEFLATED))
        at = data + stored
    return entries


def _long_sizes(extra: bytes, unpacked: int, stored: int) -> tuple[int, int]:
    """Sizes from the ZIP64 field where the short ones are full."""
    if unpacked == stored == 0xFFFFFFFF:
        at = 0
        while at + 4 <= len(extra):
            kind, length = struct.unpack_from("<HH", extra, at)
            if kind == 1 and length >= 16 and at + 20 <= len(extra):
                a, b = struct.unpack_from("<QQ", extra, at + 4)
                return a, b
            at += 4 + length
    return unpacked, stored


def _member(path: str, file: BinaryIO, entry: _Entry, whole: bool) -> Member | None:
    head = io.BytesIO(_unpack_head(file, entry))
    try:
        version = npy.read_magic(head)
        shape, _, dtype = (npy.read_array_header_1_0 if version == (1, 0) else npy.read_array_header_2_0)(head)
    except Exception:  # numpy raises what its header parser happens to trip over
        if not whole:
            return None
        raise refuse(
            path, f"array {shorten(entry.name)} is damaged", "expected an .npy array; save the file again"
        ) from None
    if dtype.hasobject:
        raise refuse(
            path,
            f"array {shorten(entry.name)} holds Python objects",
            "expected numbers, objects are never loaded; save the samples as numbers",
        )
    count = 1
    for n in shape:
        count *= int(n)
    return _checked(path, entry, whole, dtype, tuple(int(n) for n in shape), count, head.tell())


def _checked(
    path: str, entry: _Entry, whole: bool, dtype: np.dtype[Any], shape: tuple[int, ...], count: int, header: int
) -> Member | None:
    width = max(1, dtype.itemsize)
    there = (entry.stored if not entry.deflated else entry.size) - header
    if count < 0 or (whole and (entry.size - header != count * dtype.itemsize or there < count * dtype.itemsize)):
        raise refuse(
            path,
            f"array {shorten(entry.name)} claims {count} samples, {max(0, there) // width} are there",
            "expected a whole NPZ file; save it again",
        )
    usable = min(count, max(0, there) // width)
    if not entry.deflated:
        if entry.at + header + usable * width > os.path.getsize(path):
            raise refuse(
                path, f"array {shorten(entry.name)} lies beyond the file", "expected a whole NPZ; save it again"
            )
        return Member(entry.name, dtype, shape, usable, count - usable, _mapped(path, entry.at + header, dtype, usable))
    if count * width > MAX_UNPACKED:
        raise refuse(
            path,
            f"array {shorten(entry.name)} unpacks to {count * width >> 20} MB",
            f"expected at most {MAX_UNPACKED >> 20} MB compressed; save it uncompressed by numpy.savez",
        )
    unpacked = _Unpacked(path, entry, header, dtype, count, whole)
    if not whole:
        usable = len(unpacked.all())
    return Member(entry.name, dtype, shape, usable, count - usable, unpacked.fetch)


def _mapped(path: str, at: int, dtype: np.dtype[Any], count: int) -> Callable[[int, int], NDArray[Any]]:
    mapped: list[NDArray[Any]] = []  # opened at the first read

    def fetch(start: int, stop: int) -> NDArray[Any]:
        if not mapped:
            shape = (count,)
            mapped.append(
                np.memmap(path, dtype=dtype, mode="r", offset=at, shape=shape) if count else np.empty(0, dtype)
            )
        return np.asarray(mapped[0][start:stop])

    return fetch


def _unpack_head(file: BinaryIO, entry: _Entry) -> bytes:
    file.seek(entry.at)
    raw = file.read(min(entry.stored, _HEADER_BYTES))
    if not entry.deflated:
        return raw
    try:
        return zlib.decompressobj(-15).decompress(raw, _HEADER_BYTES)
    except zlib.error:
        return b""


class _Unpacked:
    """A compressed array: unpacked when first read, never beyond the size its header claims."""

    def __init__(self, path: str, entry: _Entry, header: int, dtype: np.dtype[Any], count: int, whole: bool):
        self._path, self._entry, self._header = path, entry, header
        self._dtype, self._count, self._whole = dtype, count, whole
        self._values: NDArray[Any] | None = None

    def fetch(self, start: int, stop: int) -> NDArray[Any]:
        return self.all()[start:stop]

    def all(self) -> NDArray[Any]:
        if self._values is None:
            data = self._inflate(self._header + self._count * self._dtype.itemsize)[self._header :]
            width = max(1, self._dtype.itemsize)
            if self._whole and len(data) != self._count * width:
                raise refuse(
                    self._path,
                    f"array {shorten(self._entry.name)} is damaged",
                    "expected a whole NPZ file; save it again",
                )
            self._values = np.frombuffer(data, dtype=self._dtype, count=len(data) // width)
        return self._values

    def _inflate(self, limit: int) -> bytes:
        engine, out = zlib.decompressobj(-15), bytearray()
        with open(self._path, "rb") as file:
            file.seek(self._entry.at)
            left = self._entry.stored
            while left > 0 and len(out) < limit and not engine.eof:
                raw = file.read(min(left, 1 << 20))
                if not raw:
                    break
                left -= len(raw)
                try:
                    out += engine.decompress(raw, limit - len(out))
                    while engine.unconsumed_tail and len(out) < limit:
                        out += engine.decompress(engine.unconsumed_tail, limit - len(out))
                except zlib.error:
                    break
        return bytes(out)
