"""Zarr version 3, a folder: one-dimensional arrays are channels; chunks are read when their samples are asked for.

Zarr leaves out chunks that hold nothing but the fill value; a copy that broke off looks the same. An absent chunk is
therefore a level only where the samples on both sides of it stand at that level too, else a gap; an array without a
single chunk is left out. A group's attribute ``channels`` (a list of names, this program's own extension) gives the
order of the channels; without it they go by name.
"""

from __future__ import annotations

import json
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from witnessmark.recording.columns import Fetch, finite
from witnessmark.recording.model import Recording
from witnessmark.recording.readers.told import ATTRIBUTE, as_told, parse_told
from witnessmark.recording.readers.tree import Data, from_tree, one_number
from witnessmark.recording.readers.zarr_array import MAX_UNWRITTEN, ChunkedArray
from witnessmark.recording.readers.zarr_codecs import Undecodable
from witnessmark.recording.trouble import refuse, shorten

FORMAT = "Zarr"
IDLE_SAMPLES = 16  # at the fill value on either side of an absent chunk: the line rests there (working choice)
MOST_HOLES = 256  # that are looked at: each costs the unpacking of two chunks
_MOST, _DEEPEST = 4096, 8
_AGAIN = "expected a whole Zarr folder; copy or export it again"


def read(path: str) -> Recording:
    """Read the metadata now, chunks on demand."""
    root = Path(path)
    found: dict[str, Data] = {}
    left_out: list[str] = []
    attributes: dict[str, dict[str, Any]] = {}
    for name, folder, meta in _nodes(path, root):
        if meta.get("node_type") == "group":
            attributes[name] = _attributes(meta)
            continue
        data = _array(path, name, folder, meta)
        if data is None:
            left_out.append(name)
        else:
            found[name] = data

    def said(group: str, key: str) -> float | None:
        return one_number(path, f"{key} of {shorten(group or 'the folder')}", attributes.get(group, {}).get(key))

    told = parse_told(attributes.get("", {}).get(ATTRIBUTE))
    return as_told(from_tree(path, FORMAT, found, left_out, said, named=told is not None), told)


def _attributes(meta: dict[str, Any]) -> dict[str, Any]:
    said = meta.get("attributes")
    return said if isinstance(said, dict) else {}


def _nodes(path: str, root: Path) -> list[tuple[str, Path, dict[str, Any]]]:
    """(name, folder, metadata) of all groups and arrays; groups before what is in them."""
    meta = _meta(path, root)
    if meta is None:
        if any((root / old).exists() for old in (".zgroup", ".zarray", ".zmetadata")):
            raise refuse(path, "is Zarr version 2", "expected version 3; convert it")
        raise refuse(path, "is not a Zarr folder (no zarr.json)", "expected Zarr version 3; check that it is whole")
    if meta.get("node_type") == "array":
        return [(root.stem, root, meta)]
    out = [("", root, meta)]
    _below(path, root, "", meta, out)
    return out


def _below(
    path: str, folder: Path, name: str, meta: dict[str, Any], out: list[tuple[str, Path, dict[str, Any]]]
) -> None:
    if name.count("/") >= _DEEPEST:
        return
    wanted = _attributes(meta).get("channels")
    order = {n: i for i, n in enumerate(wanted) if isinstance(n, str)} if isinstance(wanted, list) else {}
    there = sorted(p.name for p in folder.iterdir() if p.is_dir() and not p.is_symlink())
    for child in sorted(there, key=lambda n: order.get(n, len(order))):
        own = _meta(path, folder / child)
        if own is None:
            continue
        full = f"{name}/{child}" if name else child
        out.append((full, folder / child, own))
        if len(out) > _MOST:
            raise refuse(path, f"holds more than {_MOST} arrays", "expected a recording; check the folder")
        if own.get("node_type") == "group":
            _below(path, folder / child, full, own, out)


def _meta(path: str, folder: Path) -> dict[str, Any] | None:
    """What zarr.json says; None where there is none."""
    try:
        raw = (folder / "zarr.json").read_bytes()
    except FileNotFoundError:
        return None
    try:
        meta = json.loads(raw)
    except (ValueError, RecursionError):
        meta = None
    if not isinstance(meta, dict) or meta.get("zarr_format") != 3 or meta.get("node_type") not in ("group", "array"):
        raise refuse(path, f"zarr.json of {shorten(folder.name)} is damaged or not of version 3", _AGAIN)
    return meta


def _array(path: str, name: str, folder: Path, meta: dict[str, Any]) -> Data | None:
    """The samples of an array; None where it is no row of numbers, or where no chunk of it was ever stored."""
    try:
        array = ChunkedArray(folder, meta)
    except (Undecodable, TypeError, KeyError, ValueError, OverflowError, AttributeError) as exc:
        said = shorten(str(exc) or type(exc).__name__, 120)
        raise refuse(path, f"array {shorten(name)} cannot be read ({said})", _AGAIN) from None
    dtype, count, rows = array.dtype, array.count, array.rows
    if dtype.kind not in "biuf" or len(array.shape) > 1:
        return None
    if count and not array.there:
        return None
    absent = array.chunks - len(array.there)
    if absent * rows * dtype.itemsize > MAX_UNWRITTEN:
        raise refuse(path, f"array {shorten(name)} claims {count} samples, {len(array.there) * rows} are there", _AGAIN)
    holes = [] if not absent else _holes(array.there, rows, count)
    if len(holes) <= MOST_HOLES:
        holes = [hole for hole in holes if not _idle(path, name, array, hole)]
    own = np.dtype(np.uint8) if dtype.kind == "b" else dtype
    own = np.dtype(np.float64) if holes else np.dtype(np.float32) if own == np.float16 else own
    attributes = _attributes(meta)

    def number(key: str) -> float | None:
        return one_number(path, f"{key} of {shorten(name)}", attributes.get(key))

    gain, offset, unit = number("gain"), number("offset"), attributes.get("unit", attributes.get("units", ""))
    return Data(
        count,
        own,
        _fetcher(path, name, array, own, holes),
        single=not array.shape,
        rate_hz=number("rate_hz"),
        start_s=number("start_s"),
        gain=1.0 if gain is None else gain,
        offset=0.0 if offset is None else offset,
        unit=unit if isinstance(unit, str) else "",
        name=name_said if isinstance(name_said := attributes.get("name"), str) else "",
        changes_end_s=number("end_s") if attributes.get("kind") == "changes" else None,
    )


def _holes(there: list[int], rows: int, count: int) -> list[tuple[int, int]]:
    """Samples [first, stop) of the chunks that are not stored."""
    edges = [-1, *there, -(-count // rows)]
    return [((a + 1) * rows, min(b * rows, count)) for a, b in pairwise(edges) if b > a + 1]


def _idle(path: str, name: str, array: ChunkedArray, hole: tuple[int, int]) -> bool:
    """Whether the line stands at the fill value right before and right after a hole (one side, at an end)."""
    fetch = _fetcher(path, name, array, array.dtype, [])
    before, after = fetch(max(0, hole[0] - IDLE_SAMPLES), hole[0]), fetch(hole[1], hole[1] + IDLE_SAMPLES)
    return bool((np.concatenate((before, after)) == array.fill).all())


def _fetcher(path: str, name: str, array: Any, own: np.dtype[Any], holes: list[tuple[int, int]]) -> Fetch:
    def fetch(start: int, stop: int) -> NDArray[Any]:
        if stop <= start:
            return np.empty(0, own)
        try:
            raw = array.read(start, stop)
        except (Undecodable, OSError) as exc:
            said = shorten(str(exc) or type(exc).__name__, 120)
            raise refuse(path, f"a chunk of array {shorten(name)} is damaged ({said})", _AGAIN) from None
        values = finite(raw.astype(own, copy=False))
        for a, b in holes:
            if a < stop and b > start:
                values[max(0, a - start) : b - start] = np.nan
        return values

    return fetch
