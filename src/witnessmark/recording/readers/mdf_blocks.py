"""Blocks of an ASAM MDF 4 file: their headers, links, texts, and the bytes of the records behind a data group.

Format: ASAM MDF 4.1 and 4.2 (measurement data format, an open standard); from memory, checked in the tests against an
independent library as writer. Links are followed only within the file and never in circles.
"""

from __future__ import annotations

import mmap
import os
import re
import struct
import zlib
from bisect import bisect_right
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np

from witnessmark.recording.trouble import refuse

HEAD_AT = 64
MAX_BLOCK = 256 << 20  # bytes that one compressed block may unpack to
_MOST = 1 << 20  # blocks of one kind in a row
_CACHED = 2
_TEXT = re.compile(r"<TX>(.*?)</TX>", re.DOTALL)


class Cut(Exception):
    """A block that is not there, or not whole: the file ends before it does, or it is damaged."""


@dataclass(frozen=True, slots=True)
class Block:
    """A block: its kind ("DG"), its links, where its data begin and how many bytes they have."""

    kind: str
    links: tuple[int, ...]
    at: int
    size: int


class File:
    """An MDF 4 file, mapped."""

    def __init__(self, path: str):
        """Raises BadRecording for what is none."""
        self.path = path
        with open(path, "rb") as file:
            head = file.read(64)
            if head[:8] not in (b"MDF     ", b"UnFinMF "):
                raise refuse(path, "is not an MDF file", "expected ASAM MDF 4; check that the suffix is right")
            if len(head) < 64:
                raise refuse(path, "is cut short, nothing whole is left", "expected a whole MDF 4 file; copy it again")
            version = struct.unpack_from("<H", head, 28)[0]
            if not 400 <= version < 500:
                raise refuse(path, f"is MDF {version / 100:.2f}", "expected MDF 4; convert or export it as MDF 4")
            self.unfinished = head[:8] == b"UnFinMF "
            self.raw = mmap.mmap(file.fileno(), 0, access=mmap.ACCESS_READ)
        self.size = os.path.getsize(path)

    def block(self, at: int, *kinds: str, whole: bool = True) -> Block:
        """The block at a place, of one of these kinds; ``whole``: all its bytes must be there."""
        if at < HEAD_AT or at + 24 > self.size:
            raise Cut
        mark, _, length, count = struct.unpack_from("<4sIQQ", self.raw, at)
        kind = mark[2:].decode("latin-1")
        if mark[:2] != b"##" or kind not in kinds or count > 1 << 16 or length < 24 + 8 * count:
            raise Cut
        data = at + 24 + 8 * count
        there = min(length - 24 - 8 * count, self.size - data)
        if there < 0 or (whole and at + length > self.size):
            raise Cut
        return Block(kind, struct.unpack_from(f"<{count}Q", self.raw, at + 24), data, there)

    def chain(self, at: int, kind: str) -> Iterator[Block]:
        """Blocks linked by their first link; Cut where one of them is not there or was there before."""
        seen: set[int] = set()
        while at:
            if at in seen or len(seen) > _MOST:
                raise Cut
            seen.add(at)
            block = self.block(at, kind)
            yield block
            at = block.links[0] if block.links else 0

    def text(self, at: int) -> str:
        """What a text block says ("" where there is none)."""
        try:
            block = self.block(at, "TX", "MD")
        except Cut:
            return ""
        said = self.raw[block.at : block.at + min(block.size, 1 << 16)].split(b"\0")[0].decode("utf-8", "replace")
        if block.kind == "MD":
            match = _TEXT.search(said)
            said = match[1] if match else ""
        return said.strip()

    def unpack(self, form: str, block: Block, at: int = 0) -> tuple[Any, ...]:
        """Fields of a block's data from byte ``at`` of them; Cut where it is too short."""
        if at + struct.calcsize(form) > block.size:
            raise Cut
        return struct.unpack_from(form, self.raw, block.at + at)


@dataclass(frozen=True, slots=True)
class _Piece:
    """Part of a stream: ``size`` bytes; packed ones are unpacked by ``zip_type`` (0 deflate, 1 transposed before)."""

    at: int
    stored: int
    size: int
    zip_type: int = -1
    parameter: int = 0


class Stream:
    """The records of a data group as one run of bytes, whatever blocks they lie in."""

    def __init__(self, file: File, at: int):
        """``at``: what the data group links to. ``cut``: some of it is not there."""
        self._file, self.cut, self.lost = file, False, 0
        self._pieces: list[_Piece] = []
        try:
            for where in self._places(at):
                piece = self._piece(where)
                self._pieces.append(piece)
                if self.cut:
                    break
        except Cut:
            self.cut = True
        self._starts, self.size = [], 0
        for piece in self._pieces:
            self._starts.append(self.size)
            self.size += piece.size
        self._unpacked: dict[int, bytes] = {}

    def _places(self, at: int) -> Iterator[int]:
        """Places of the data blocks, in order."""
        if not at:
            return
        block = self._file.block(at, "DT", "DV", "DZ", "DL", "HL", "LD", whole=False)
        if block.kind == "LD":
            raise refuse(
                self._file.path, "its records are stored column by column", "expected rows; export it as MDF 4.1"
            )
        if block.kind == "HL":
            at = block.links[0] if block.links else 0
            block = self._file.block(at, "DL")
        if block.kind != "DL":
            yield at
            return
        for part in self._file.chain(at, "DL"):
            yield from (where for where in part.links[1:] if where)

    def _piece(self, at: int) -> _Piece:
        file = self._file
        block = file.block(at, "DT", "DV", "DZ", whole=False)
        whole = struct.unpack_from("<Q", file.raw, at + 8)[0] - (block.at - at)
        if block.kind != "DZ":
            if whole > block.size:
                self.cut, self.lost = True, whole - block.size
            elif file.unfinished and whole == 0:  # the size is filled in at the end, which never came
                return _Piece(block.at, file.size - block.at, file.size - block.at)
            return _Piece(block.at, block.size, block.size)
        kind, zip_type, parameter, size, stored = file.unpack("<2sBxIQQ", block)
        if stored > block.size - 24 or kind not in (b"DT", b"DV"):
            raise Cut
        if zip_type not in (0, 1):
            raise refuse(
                file.path, f"compression {zip_type} is not read", "expected deflate; export it with deflate or without"
            )
        if size > MAX_BLOCK:
            raise refuse(
                file.path,
                f"a block in it unpacks to {size >> 20} MB",
                f"expected at most {MAX_BLOCK >> 20} MB; export it in smaller blocks",
            )
        return _Piece(block.at + 24, stored, size, zip_type, parameter)

    def read(self, start: int, stop: int) -> bytes:
        """Bytes [start, stop)."""
        stop, out = min(stop, self.size), bytearray()
        k = max(0, bisect_right(self._starts, start) - 1)
        while start < stop and k < len(self._pieces):
            piece, first = self._pieces[k], start - self._starts[k]
            last = min(piece.size, stop - self._starts[k])
            if piece.zip_type < 0:
                out += self._file.raw[piece.at + first : piece.at + last]
            else:
                out += self._whole(k)[first:last]
            start, k = self._starts[k] + last, k + 1
        return bytes(out)

    def plain(self) -> int | None:
        """Where the bytes lie in the file, when they lie there in one piece."""
        return self._pieces[0].at if len(self._pieces) == 1 and self._pieces[0].zip_type < 0 else None

    def _whole(self, k: int) -> bytes:
        if k not in self._unpacked:
            while len(self._unpacked) >= _CACHED:
                del self._unpacked[next(iter(self._unpacked))]
            self._unpacked[k] = self._inflate(self._pieces[k])
        return self._unpacked[k]

    def _inflate(self, piece: _Piece) -> bytes:
        try:
            data = zlib.decompressobj().decompress(self._file.raw[piece.at : piece.at + piece.stored], piece.size)
        except zlib.error:
            data = b""
        if len(data) != piece.size:
            raise refuse(self._file.path, "a block in it is damaged", "expected a whole MDF 4 file; copy it again")
        if piece.zip_type == 1 and 1 < piece.parameter <= piece.size:  # stored column by column of the records
            rows = piece.size // piece.parameter
            table = np.frombuffer(data, np.uint8, rows * piece.parameter).reshape(piece.parameter, rows)
            data = table.T.tobytes() + data[rows * piece.parameter :]
        return data
