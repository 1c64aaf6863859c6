"""The codecs of a Zarr version 3 chunk, undone within bounds: a damaged chunk must not be unpacked beyond its size.

Format: Zarr core specification 3 and the codecs registered with it (bytes, transpose, gzip, zstd, blosc, crc32c); from
memory, checked in the tests against the zarr library as writer. Own code, since the usual decoder of blosc believes the
sizes in a chunk's header: a damaged one makes it read beyond the chunk, and that ends the process.
"""

from __future__ import annotations

import struct
import zlib
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

_CRC = 4


class Undecodable(ValueError):
    """A chunk that is damaged, or a codec that is not read; the text says which."""


@dataclass(frozen=True, slots=True)
class Codec:
    """One step of a chain: its name and what its configuration says."""

    name: str
    said: dict[str, Any]


def chain(raw: Any) -> tuple[Codec, ...]:
    """The codecs of an array, in the order in which they were applied."""
    if not isinstance(raw, list) or not raw or len(raw) > 8:
        raise Undecodable("no codecs")
    out = []
    for step in raw:
        step = {"name": step} if isinstance(step, str) else step
        said = step.get("configuration", {}) if isinstance(step, dict) else None
        if not isinstance(said, dict) or not isinstance(step.get("name"), str):
            raise Undecodable("codecs that are none")
        out.append(Codec(step["name"], said))
    return tuple(out)


def decode(codecs: Sequence[Codec], raw: bytes, dtype: np.dtype[Any], count: int) -> NDArray[Any]:
    """``count`` numbers of a chunk; raises Undecodable."""
    for codec in reversed(codecs):
        if codec.name == "bytes":
            if len(raw) != count * dtype.itemsize:
                raise Undecodable(f"holds {len(raw)} bytes instead of {count * dtype.itemsize}")
            return np.frombuffer(raw, dtype.newbyteorder(">" if codec.said.get("endian") == "big" else "<"))
        raw = _undone(codec, raw, count * dtype.itemsize)
    raise Undecodable("no codec that gives bytes")


def check(codecs: Sequence[Codec]) -> None:
    """Raises Undecodable where a step is none that is read."""
    for codec in codecs:
        if codec.name not in ("bytes", "transpose", "gzip", "zstd", "blosc", "crc32c"):
            raise Undecodable(f"codec {codec.name} is not read")
    if [c.name for c in codecs].count("bytes") != 1:
        raise Undecodable("no codec that gives bytes")


def _undone(codec: Codec, raw: bytes, size: int) -> bytes:
    """``raw`` before this step; ``size``: the bytes of the numbers, which a few bytes of checksums may follow."""
    most = size + 8 * _CRC
    if codec.name == "gzip":
        engine = zlib.decompressobj(31)
        try:
            return engine.decompress(raw, most)
        except zlib.error as exc:
            raise Undecodable(str(exc)) from None
    if codec.name == "zstd":
        return _zstd(raw, most)
    if codec.name == "blosc":
        return _blosc(raw, most)
    if codec.name == "crc32c":
        return _checked(raw)
    raise Undecodable(f"codec {codec.name} is not read")


def _zstd(raw: bytes, most: int) -> bytes:
    import pyarrow as pa

    try:
        with pa.CompressedInputStream(pa.BufferReader(raw), "zstd") as stream:
            return bytes(stream.read(most))
    except (OSError, pa.ArrowInvalid) as exc:
        raise Undecodable(str(exc)) from None


def _blosc(raw: bytes, most: int) -> bytes:
    if len(raw) < 16:
        raise Undecodable("cut short")
    size, block, stored = struct.unpack_from("<III", raw, 4)
    if stored != len(raw) or size > most or (size and not 0 < block <= size):
        raise Undecodable("the sizes in its header are not those of the chunk")
    from numcodecs import blosc

    try:
        return bytes(blosc.decompress(raw))
    except (RuntimeError, ValueError) as exc:
        raise Undecodable(str(exc)) from None


def _table() -> tuple[int, ...]:
    """Remainders of the Castagnoli polynomial, reflected (RFC 3720)."""
    out = []
    for n in range(256):
        for _ in range(8):
            n = n >> 1 ^ (0x82F63B78 if n & 1 else 0)
        out.append(n)
    return tuple(out)


_TABLE = _table()
_CHECKED = 1 << 16  # bytes up to which a checksum is worth the time it takes here


def crc32c(raw: bytes) -> int:
    """The CRC-32C of some bytes."""
    value = 0xFFFFFFFF
    for byte in raw:
        value = _TABLE[(value ^ byte) & 0xFF] ^ value >> 8
    return value ^ 0xFFFFFFFF


def _checked(raw: bytes) -> bytes:
    """Without the checksum at the end, which must be right (looked at where it is quick to tell)."""
    if len(raw) < _CRC:
        raise Undecodable("cut short")
    body = raw[:-_CRC]
    if len(body) <= _CHECKED and crc32c(body) != int.from_bytes(raw[-_CRC:], "little"):
        raise Undecodable("its checksum is wrong")
    return body
