"""Zarr version 3, the archive of a working store: chunks of 1 M samples, blosc with lz4 and bit shuffle.

Format: Zarr core specification 3 and its codecs "bytes" and "blosc"; from memory, checked in the tests against the zarr
library as reader. Every chunk is stored, also one that holds nothing but zeros: an absent one is a gap.
"""

from __future__ import annotations

import json
import os
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from witnessmark.recording.model import Recording
from witnessmark.recording.store_place import sync
from witnessmark.recording.writers import tree
from witnessmark.recording.writers.fit import Told

CHUNK = 1 << 20
_LEVEL = 5


def write(path: str, recording: Recording, told: Told) -> list[str]:
    """``path`` is an empty folder. Everything is kept, also the reasons of gaps and the cautions."""
    root, names = Path(path), tree.paths(recording)
    for k, (name, info) in enumerate(zip(names, recording.channels, strict=True)):
        if info.kind == "changes":
            changes = recording.source.changes(k)
            _meta(root / name, "group", {})
            _array(root / name / "time", changes.time_s, {})
            _array(root / name / "level", changes.level, tree.changes_attributes(info, changes.end_s))
            continue
        dtype = recording.source.read(k, 0, 0).dtype
        array = _Array(root / name, np.dtype(np.uint8) if dtype == np.bool_ else dtype, info.samples)
        for start, part in tree.pieces(recording, k, told):
            array.chunk(start // CHUNK, part)
        array.finish(tree.attributes(info))
    said = {"channels": names, tree.ATTRIBUTE: json.loads(tree.told_text(recording))}
    _meta(root, "group", said)  # last: without it the folder is no Zarr
    return []


def _array(folder: Path, values: NDArray[Any], attributes: dict[str, Any]) -> None:
    array = _Array(folder, values.dtype, len(values))
    for start in range(0, len(values), CHUNK):
        array.chunk(start // CHUNK, values[start : start + CHUNK])
    array.finish(attributes)


class _Array:
    """One array in the making."""

    def __init__(self, folder: Path, dtype: np.dtype[Any], count: int):
        from numcodecs.blosc import BITSHUFFLE, Blosc

        self._folder, self._dtype, self._count = folder, dtype.newbyteorder("<"), count
        self._rows = max(1, min(CHUNK, count))
        self._codec = Blosc("lz4", _LEVEL, BITSHUFFLE)
        (folder / "c").mkdir(parents=True)

    def chunk(self, number: int, values: NDArray[Any]) -> None:
        whole = np.zeros(self._rows, self._dtype)
        whole[: len(values)] = values
        with open(self._folder / "c" / str(number), "wb") as file:
            file.write(self._codec.encode(whole))
            file.flush()
            os.fsync(file.fileno())

    def finish(self, attributes: dict[str, Any]) -> None:
        size = self._dtype.itemsize
        packed = {"typesize": size, "cname": "lz4", "clevel": _LEVEL, "shuffle": "bitshuffle", "blocksize": 0}
        more = {
            "shape": [self._count],
            "data_type": self._dtype.name,
            "chunk_grid": {"name": "regular", "configuration": {"chunk_shape": [self._rows]}},
            "chunk_key_encoding": {"name": "default", "configuration": {"separator": "/"}},
            "fill_value": 0.0 if self._dtype.kind == "f" else 0,
            "codecs": [
                {"name": "bytes", "configuration": {"endian": "little"}},
                {"name": "blosc", "configuration": packed},
            ],
        }
        _meta(self._folder, "array", attributes, more)
        sync(self._folder / "c")


def _meta(folder: Path, kind: str, attributes: dict[str, Any], more: dict[str, Any] | None = None) -> None:
    folder.mkdir(exist_ok=True)
    said = {"zarr_format": 3, "node_type": kind, **(more or {}), "attributes": attributes}
    (folder / "zarr.json").write_text(json.dumps(said, indent=1, allow_nan=False) + "\n", encoding="utf-8")
    sync(folder / "zarr.json")
