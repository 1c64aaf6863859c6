"""Channels of an MDF 4 channel group: where a number lies in the record, and what it means."""

from __future__ import annotations

import struct
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from witnessmark.recording.columns import finite
from witnessmark.recording.readers.mdf_blocks import Block, Cut, File

_FIXED, _MASTER, _VIRTUAL_MASTER, _SYNC, _MAX_LENGTH, _VIRTUAL = 0, 2, 3, 4, 5, 6
_TIME = 1
_DEEPEST = 8
Bytes = NDArray[np.uint8]  # [record, byte]


@dataclass(frozen=True, slots=True)
class Conversion:
    """value = raw * gain + offset, then ``further`` (None: nothing more)."""

    gain: float = 1.0
    offset: float = 0.0
    further: Callable[[NDArray[np.float64]], NDArray[np.float64]] | None = None


@dataclass(frozen=True, slots=True)
class Field:
    """One channel. kind, sync: as the format numbers them; bits [bit, bit + bits) from ``byte`` on."""

    name: str
    unit: str
    kind: int
    sync: int
    data_type: int
    bit: int
    byte: int
    bits: int
    invalid_bit: int | None
    conversion: Conversion | None  # None: one that is not read

    @property
    def is_time(self) -> bool:
        """Whether it is the clock of its group, in seconds."""
        return self.kind in (_MASTER, _VIRTUAL_MASTER) and self.sync == _TIME

    @property
    def is_master(self) -> bool:
        """Whether the group is ordered by it."""
        return self.kind in (_MASTER, _VIRTUAL_MASTER)

    @property
    def virtual(self) -> bool:
        """Whether its raw value is the number of the record."""
        return self.kind in (_VIRTUAL_MASTER, _VIRTUAL)

    @property
    def readable(self) -> bool:
        """Whether it is a number that this reader understands."""
        if self.conversion is None or self.kind not in (_FIXED, _MASTER, _VIRTUAL_MASTER, _SYNC, _VIRTUAL):
            return False
        if self.virtual:
            return True
        if self.data_type in (4, 5):
            return self.bit == 0 and self.bits in (16, 32, 64)
        return self.data_type in (0, 1, 2, 3) and 1 <= self.bits <= 64 and self.bit < 8 and self.bit + self.bits <= 64

    @property
    def last_byte(self) -> int:
        """The first byte behind it."""
        return self.byte + (self.bit + self.bits + 7) // 8

    @property
    def dtype(self) -> np.dtype[Any]:
        """The type its raw values are handed out in, before gaps or a conversion make it a float."""
        if self.virtual:
            return np.dtype(np.int64)
        width = next(w for w in (1, 2, 4, 8) if 8 * w >= self.bits)
        kind = "f" if self.data_type in (4, 5) else "u" if self.data_type in (0, 1) else "i"
        return np.dtype(f"{kind}{width}")


def fields(file: File, group: Block) -> list[Field]:
    """All channels of a group; a chain that is cut ends it."""
    found: list[Field] = []
    _collect(file, group.links[1] if len(group.links) > 1 else 0, found, 0)
    return found


def _collect(file: File, at: int, found: list[Field], depth: int) -> None:
    for block in file.chain(at, "CN"):
        if len(block.links) < 8 or len(found) > 4096:
            raise Cut
        part = block.links[1]
        if part and depth < _DEEPEST and _is(file, part, "CN"):
            _collect(file, part, found, depth + 1)
            continue
        if part:  # an array: no line
            continue
        found.append(_field(file, block))


def _is(file: File, at: int, kind: str) -> bool:
    return at + 4 <= file.size and file.raw[at : at + 4] == b"##" + kind.encode()


def _field(file: File, block: Block) -> Field:
    kind, sync, data_type, bit, byte, bits, flags, invalid = file.unpack("<BBBBIIII", block)
    conversion, unit = _conversion(file, block.links[4])
    return Field(
        name=file.text(block.links[2]),
        unit=file.text(block.links[6]) or unit,
        kind=kind,
        sync=sync,
        data_type=data_type,
        bit=bit,
        byte=byte,
        bits=bits,
        invalid_bit=invalid if flags & 2 else None,
        conversion=conversion,
    )


def _conversion(file: File, at: int) -> tuple[Conversion | None, str]:
    """The conversion (None: not read) and the unit it names."""
    if not at:
        return Conversion(), ""
    block = file.block(at, "CC")
    kind, _, _, _, count = file.unpack("<BBHHH", block)
    values = np.array(file.unpack(f"<{count}d", block, 24)) if count else np.empty(0)
    unit = file.text(block.links[1]) if len(block.links) > 1 else ""
    if kind in (0, 7, 8, 9, 10):  # as it is; or a text for each number, which stays a number
        return Conversion(), unit
    if kind == 1 and count >= 2 and np.isfinite(values[:2]).all():
        return Conversion(float(values[1]), float(values[0])), unit
    if kind == 2 and count >= 6:
        return Conversion(further=lambda x: np.polyval(values[:3], x) / np.polyval(values[3:6], x)), unit
    if kind in (4, 5) and count >= 4 and count % 2 == 0 and (np.diff(values[::2]) > 0).all():
        return Conversion(further=_table(values[::2], values[1::2], kind == 4)), unit
    return None, unit


def _table(
    keys: NDArray[np.float64], values: NDArray[np.float64], between: bool
) -> Callable[[NDArray[np.float64]], NDArray[np.float64]]:
    if between:
        return lambda x: np.where(np.isnan(x), np.nan, np.interp(x, keys, values))

    def nearest(x: NDArray[np.float64]) -> NDArray[np.float64]:
        right = np.clip(np.searchsorted(keys, x), 1, len(keys) - 1)
        lower = x - keys[right - 1] <= keys[right] - x
        return np.asarray(values[np.where(lower, right - 1, right)])

    return nearest


def numbers(field: Field, records: Bytes, first: int) -> NDArray[Any]:
    """Raw values of a channel in these records, the first of which is record ``first``."""
    if field.virtual:
        return np.arange(first, first + len(records), dtype=np.int64)
    big = field.data_type in (1, 3, 5)
    if field.bit == 0 and field.bits in (8, 16, 32, 64) and len(records):
        order: Literal[">", "<"] = ">" if big else "<"
        stored = field.dtype.newbyteorder(order)
        values: NDArray[Any] = np.ndarray((len(records),), stored, records, field.byte, (records.shape[1],))
        return values.astype(np.float32 if field.bits == 16 and field.dtype.kind == "f" else field.dtype)
    raw = records[:, field.byte : field.last_byte]
    wide = np.zeros((len(raw), 8), dtype=np.uint8)
    wide[:, : raw.shape[1]] = raw[:, ::-1] if big else raw
    number = wide.view("<u8")[:, 0] >> np.uint64(field.bit)
    left = np.uint64(64 - field.bits)
    number = number << left
    if field.dtype.kind == "i":
        return (number.view(np.int64) >> np.int64(left)).astype(field.dtype)
    return (number >> left).astype(field.dtype)


def values(field: Field, records: Bytes, first: int, dtype: np.dtype[Any], data_bytes: int) -> NDArray[Any]:
    """Samples as a channel hands them out: raw, or converted; NaN where the record says that it is invalid."""
    out = numbers(field, records, first)
    assert field.conversion is not None
    if field.conversion.further is not None:
        out = field.conversion.further(out.astype(np.float64))
    out = finite(out.astype(dtype, copy=False))
    if field.invalid_bit is not None:
        byte = data_bytes + field.invalid_bit // 8
        out = np.where(records[:, byte] >> np.uint8(field.invalid_bit % 8) & 1, dtype.type(np.nan), out)
    return out


def group_head(file: File, group: Block) -> tuple[int, int, int, int, int]:
    """(record id, records, flags, bytes of data, bytes of invalidation bits) of a channel group."""
    ident, records, flags, _, data_bytes, invalid_bytes = struct.unpack(
        "<QQHH4xII", file.raw[group.at : group.at + 32].ljust(32, b"\0")
    )
    return ident, records, flags, data_bytes, invalid_bytes
