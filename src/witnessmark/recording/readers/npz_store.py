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
from dataclasses import dataclass
from typing import Any, BinaryIO

import numpy as np
from numpy.lib import format as npy

from witnessmark.recording.readers.members import MAX_UNPACKED, Member, Unpacked, mapped
from witnessmark.recording.trouble import refuse, shorten

_LOCAL = struct.Struct("<4sHHHHHIIIHH")
_HEADER_BYTES = 1 << 16


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
        return Member(entry.name, dtype, shape, usable, count - usable, mapped(path, entry.at + header, dtype, usable))
    if count * width > MAX_UNPACKED:
        raise refuse(
            path,
            f"array {shorten(entry.name)} unpacks to {count * width >> 20} MB",
            f"expected at most {MAX_UNPACKED >> 20} MB compressed; save it uncompressed by numpy.savez",
        )
    unpacked = Unpacked(path, entry.name, (entry.at, entry.stored), header, dtype, count, whole, -15)
    if not whole:
        usable = len(unpacked.all())
    return Member(entry.name, dtype, shape, usable, count - usable, unpacked.fetch)


def _unpack_head(file: BinaryIO, entry: _Entry) -> bytes:
    file.seek(entry.at)
    raw = file.read(min(entry.stored, _HEADER_BYTES))
    if not entry.deflated:
        return raw
    try:
        return zlib.decompressobj(-15).decompress(raw, _HEADER_BYTES)
    except zlib.error:
        return b""
