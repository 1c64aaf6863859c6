"""MDF 4 files put together by hand, laid out as a recorder writes them: what describes the samples first, then they."""

from __future__ import annotations

import struct
import zlib
from collections.abc import Sequence
from dataclasses import dataclass, field

UINT, UINT_BE, INT, INT_BE, FLOAT, FLOAT_BE, TEXT = 0, 1, 2, 3, 4, 5, 6


@dataclass
class Channel:
    """A channel of a record: kind 0 a value, 2 the clock (sync 1: time), 3 a virtual clock."""

    name: str
    byte: int
    bits: int
    data_type: int = UINT
    bit: int = 0
    kind: int = 0
    sync: int = 0
    conversion: tuple[int, Sequence[float]] | None = None
    unit: str = ""
    invalid_bit: int | None = None


@dataclass
class Group:
    """A channel group."""

    channels: list[Channel]
    records: int
    data_bytes: int
    invalid_bytes: int = 0
    ident: int = 0
    flags: int = 0


@dataclass
class Data:
    """A data group: its groups and the bytes of its records in ``blocks`` of ("DT" | "DZ" | "DZT", bytes)."""

    groups: list[Group]
    blocks: list[tuple[str, bytes]]
    id_bytes: int = 0
    links: list[int] = field(default_factory=list)


class Writer:
    """Blocks one after the other; links are filled in once their place is known."""

    def __init__(self, finished: bool = True, version: int = 410):
        mark = b"MDF     " if finished else b"UnFinMF "
        self.out = bytearray(mark + b"4.10    simulatd" + bytes(4) + struct.pack("<H", version) + bytes(34))

    def block(self, kind: str, links: Sequence[int], data: bytes) -> int:
        self.out += bytes(-len(self.out) % 8)
        at = len(self.out)
        self.out += b"##" + kind.encode() + struct.pack("<IQQ", 0, 24 + 8 * len(links) + len(data), len(links))
        self.out += struct.pack(f"<{len(links)}Q", *links) + data
        return at

    def link(self, block: int, place: int, to: int) -> None:
        struct.pack_into("<Q", self.out, block + 24 + 8 * place, to)

    def text(self, text: str) -> int:
        return self.block("TX", (), text.encode() + b"\0") if text else 0


def mdf(data: Sequence[Data], finished: bool = True, version: int = 410) -> bytes:
    """The file."""
    w = Writer(finished, version)
    head = w.block("HD", [0] * 6, bytes(32))
    before, place = head, 0
    groups = []
    for d in data:
        at = w.block("DG", [0] * 4, struct.pack("<B7x", d.id_bytes))
        w.link(before, place, at)
        before, place = at, 0
        last, where = at, 1
        for g in d.groups:
            cg = w.block(
                "CG", [0] * 6, struct.pack("<QQHH4xII", g.ident, g.records, g.flags, 0, g.data_bytes, g.invalid_bytes)
            )
            w.link(last, where, cg)
            last, where = cg, 0
            _channels(w, cg, g.channels)
        groups.append((at, d))
    for at, d in groups:
        w.link(at, 2, _blocks(w, d.blocks))
    return bytes(w.out)


def _channels(w: Writer, cg: int, channels: Sequence[Channel]) -> None:
    last, where = cg, 1
    for c in channels:
        conversion = 0
        if c.conversion is not None:
            kind, values = c.conversion
            packed = struct.pack(f"<BBHHHdd{len(values)}d", kind, 0, 0, 0, len(values), 0, 0, *values)
            conversion = w.block("CC", [0] * 4, packed)
        links = [0, 0, w.text(c.name), 0, conversion, 0, w.text(c.unit), 0]
        flags = 0 if c.invalid_bit is None else 2
        packed = struct.pack(
            "<BBBBIIIIBxH6d",
            c.kind,
            c.sync,
            c.data_type,
            c.bit,
            c.byte,
            c.bits,
            flags,
            c.invalid_bit or 0,
            0,
            0,
            *[0] * 6,
        )
        at = w.block("CN", links, packed)
        w.link(last, where, at)
        last, where = at, 0


def _blocks(w: Writer, blocks: Sequence[tuple[str, bytes]]) -> int:
    if len(blocks) == 1:
        return _block(w, *blocks[0])
    packed = any(kind != "DT" for kind, _ in blocks)
    listed = w.block("DL", [0] * (1 + len(blocks)), struct.pack("<B3xI", 0, len(blocks)) + bytes(8 * len(blocks)))
    top = w.block("HL", [listed], struct.pack("<HB5x", 0, 0)) if packed else listed
    for i, (kind, body) in enumerate(blocks):
        w.link(listed, 1 + i, _block(w, kind, body))
    return top


def _block(w: Writer, kind: str, body: bytes, columns: int = 10) -> int:
    if kind == "DT":
        return w.block("DT", (), body)
    size, shape = len(body), (0, 0)
    if kind == "DZT":
        rows = size // columns
        turned = bytes(body[r * columns + c] for c in range(columns) for r in range(rows))
        body, shape = turned + body[rows * columns :], (1, columns)
    stored = zlib.compress(body)
    return w.block("DZ", (), struct.pack("<2sBxIQQ", b"DT", *shape, size, len(stored)) + stored)
