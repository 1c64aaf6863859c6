"""One one-dimensional array of a Zarr version 3 folder: where its chunks are, and their numbers on demand.

Chunks may lie in shards: files of several chunks with an index of where each is. Source as in zarr_codecs.py.
"""

from __future__ import annotations

import math
import os
import re
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from witnessmark.recording.readers.zarr_codecs import Codec, Undecodable, chain, check, decode

MAX_CHUNK = 256 << 20  # bytes of a chunk: it is unpacked whole
MAX_UNWRITTEN = 1 << 30  # bytes that an array may claim beyond its chunks
TYPES = {
    "bool",
    "int8",
    "int16",
    "int32",
    "int64",
    "uint8",
    "uint16",
    "uint32",
    "uint64",
    "float16",
    "float32",
    "float64",
}
_NOWHERE = 2**64 - 1
_PLACE = re.compile(r"(?:c[/.])?(\d{1,15})")
_CACHED = 2
_FILLS = {"NaN": math.nan, "Infinity": math.inf, "-Infinity": -math.inf}


@dataclass(frozen=True, slots=True)
class _Shards:
    """Shards of ``chunks`` chunks each."""

    chunks: int
    index: tuple[Codec, ...]
    at_start: bool


class ChunkedArray:
    """``shape`` is () or (n,). ``there``: the numbers of the chunks that are stored, in order."""

    def __init__(self, folder: Path, meta: dict[str, Any]):
        """Raises Undecodable (or what odd metadata trip over: TypeError, KeyError, ValueError, OverflowError)."""
        self._folder = folder
        self.shape = tuple(_whole(n) for n in meta["shape"])
        self.dtype = np.dtype(meta["data_type"] if meta["data_type"] in TYPES else "V0")
        self.fill = _fill(meta["fill_value"], self.dtype)
        if meta["chunk_grid"]["name"] != "regular" or meta.get("storage_transformers"):
            raise Undecodable("its chunks are not regular")
        grid = [_whole(n) for n in meta["chunk_grid"]["configuration"]["chunk_shape"]]
        if len(grid) != len(self.shape) or 0 in grid:
            raise Undecodable("its chunks have another shape than it")
        outer = math.prod(grid)
        self._codecs, self._shards, self.rows = _layout(chain(meta["codecs"]), outer)
        if self.rows * max(1, self.dtype.itemsize) > MAX_CHUNK:
            raise Undecodable(f"chunks of {self.rows * self.dtype.itemsize >> 20} MB")
        check(self._codecs)
        self.count = self.shape[0] if self.shape else 1
        self._files = self._find() if len(self.shape) <= 1 else {}
        self._places: dict[int, tuple[int, int, int]] = {}  # chunk: (file, first byte, bytes)
        self._locate()
        self.there = sorted(self._places)
        self._decoded: dict[int, NDArray[Any]] = {}

    @property
    def chunks(self) -> int:
        """How many chunks it should have."""
        return -(-self.count // self.rows)

    def _find(self) -> dict[int, Path]:
        """Files of chunks (or shards) by number."""
        per_file = self.rows * (self._shards.chunks if self._shards else 1)
        files = -(-self.count // per_file)
        if not self.shape:
            single = [self._folder / "c", self._folder / "0"]
            return dict(enumerate([p for p in single if p.is_file()][:1]))
        found: dict[int, Path] = {}
        for base in (self._folder, self._folder / "c"):
            lead = "" if base == self._folder else "c/"
            for entry in os.scandir(base) if base.is_dir() else ():
                match = _PLACE.fullmatch(lead + entry.name)
                if match and entry.is_file() and int(match[1]) < files:
                    found[int(match[1])] = Path(entry.path)
        return found

    def _locate(self) -> None:
        for k, path in self._files.items():
            size = path.stat().st_size
            if self._shards is None:
                self._places[k] = (k, 0, size)
                continue
            first = k * self._shards.chunks
            for i, (at, length) in enumerate(self._index(path, size).tolist()):
                if at == length == _NOWHERE or first + i >= self.chunks:
                    continue
                if at + length > size:
                    raise Undecodable("the index of a shard leads beyond it")
                self._places[first + i] = (k, at, length)

    def _index(self, path: Path, size: int) -> NDArray[np.uint64]:
        shards = self._shards
        assert shards is not None
        plain = 16 * shards.chunks
        length = plain + 4 * sum(c.name == "crc32c" for c in shards.index)
        if length > size:
            raise Undecodable("a shard is cut short")
        with open(path, "rb") as file:
            file.seek(0 if shards.at_start else size - length)
            raw = file.read(length)
        return decode(shards.index, raw, np.dtype(np.uint64), 2 * shards.chunks).reshape(-1, 2)

    def read(self, start: int, stop: int) -> NDArray[Any]:
        """Numbers [start, stop); the fill value where no chunk is stored. Raises Undecodable or OSError."""
        stop = min(stop, self.count)
        out = np.full(max(0, stop - start), self.fill, self.dtype)
        for k in range(start // self.rows, -(-stop // self.rows) if stop > start else 0):
            if k in self._places:
                first = k * self.rows
                a, b = max(start, first), min(stop, first + self.rows)
                out[a - start : b - start] = self._chunk(k)[a - first : b - first]
        return out

    def _chunk(self, k: int) -> NDArray[Any]:
        if k not in self._decoded:
            file, at, length = self._places[k]
            with open(self._files[file], "rb") as raw:
                raw.seek(at)
                values = decode(self._codecs, raw.read(length), self.dtype, self.rows)
            while len(self._decoded) >= _CACHED:
                del self._decoded[next(iter(self._decoded))]
            self._decoded[k] = values
        return self._decoded[k]


def _whole(raw: Any) -> int:
    if not isinstance(raw, int) or isinstance(raw, bool) or not 0 <= raw < 2**62:
        raise Undecodable("a size that is no whole number")
    return raw


def _fill(raw: Any, dtype: np.dtype[Any]) -> Any:
    value = _FILLS.get(raw, 0) if isinstance(raw, str) else raw
    if dtype.kind == "V":
        return None
    return np.array(value).astype(dtype)[()] if isinstance(value, (int, float)) else np.zeros((), dtype)[()]


def _layout(codecs: tuple[Codec, ...], outer: int) -> tuple[tuple[Codec, ...], _Shards | None, int]:
    """(codecs of a chunk, its shards, numbers in a chunk)."""
    if codecs[0].name != "sharding_indexed":
        return codecs, None, outer
    if len(codecs) > 1:
        raise Undecodable("shards within other codecs are not read")
    said = codecs[0].said
    rows = math.prod(_whole(n) for n in said["chunk_shape"])
    index = chain(said["index_codecs"])
    check(index)
    if not rows or outer % rows or outer // rows > 1 << 20 or any(c.name not in ("bytes", "crc32c") for c in index):
        raise Undecodable("its shards are not read")
    inner = chain(said["codecs"])
    return inner, _Shards(outer // rows, index, said.get("index_location", "end") == "start"), rows
