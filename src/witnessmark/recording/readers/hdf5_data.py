"""One data set of an HDF5 file as samples: its type, what of it was ever written, what its attributes say."""

from __future__ import annotations

import math
import os
from collections.abc import Callable
from typing import Any

import h5py
import numpy as np
from numpy.typing import NDArray

from witnessmark.recording.columns import finite
from witnessmark.recording.readers.members import mapped
from witnessmark.recording.readers.tree import Data, one_number
from witnessmark.recording.trouble import refuse, shorten

MAX_CHUNK = 256 << 20  # bytes of a chunk: it is unpacked whole
MAX_UNWRITTEN = 1 << 30  # bytes that a data set may claim beyond what is in the file
_AGAIN = "expected a whole file; copy or export it again"
_TROUBLE = (OSError, RuntimeError, ValueError, KeyError, TypeError, UnicodeError)


def attribute(owner: Any, name: str) -> Any:
    """An attribute, None where there is none or it cannot be read."""
    try:
        if name not in owner.attrs or math.prod(owner.attrs.get_id(name).shape or ()) > 256:
            return None
        return owner.attrs[name]
    except _TROUBLE:
        return None


def number(path: str, owner: Any, name: str) -> float | None:
    """An attribute that is one finite number."""
    return one_number(path, f"{name} of {shorten(owner.name)}", attribute(owner, name))


def text(owner: Any, *names: str) -> str:
    """The first of these attributes that is text."""
    for name in names:
        raw = attribute(owner, name)
        raw = raw.reshape(-1)[0] if isinstance(raw, np.ndarray) and raw.size == 1 else raw
        if isinstance(raw, bytes):
            raw = raw.decode("utf-8", errors="replace")
        if isinstance(raw, str):
            return raw.strip()
    return ""


def data_of(path: str, name: str, dataset: h5py.Dataset) -> Data | None:
    """The samples of a data set; None where it is no row or column of numbers."""
    try:
        shape, dtype, virtual = dataset.shape, dataset.dtype, dataset.is_virtual or bool(dataset.external)
    except _TROUBLE:
        return None
    kind = text(dataset, "MATLAB_class")
    if shape is None or virtual or attribute(dataset, "MATLAB_empty") or kind in ("cell", "struct", "function_handle"):
        return None
    long = [n for n in shape if n != 1]
    if dtype.kind not in "biuf" or dtype.itemsize > 8 or len(shape) > 2 or len(long) > 1:
        return None
    count = math.prod(shape)
    written, lost, holes = _written(path, name, dataset, count)
    whole = _fetcher(path, dataset, dtype, lost, bool(holes))
    if kind == "char":
        letters = "".join(map(chr, whole(0, min(count, 256)).tolist()))
        return Data(1, np.dtype("U"), lambda start, stop: np.array([letters])[start:stop], True, text=letters)
    logical = kind == "logical" or dtype.kind == "b"
    own = np.dtype(np.uint8) if logical else dtype.newbyteorder("=")
    own = np.dtype(np.float64) if holes else np.dtype(np.float32) if own == np.float16 else own

    def fetch(start: int, stop: int) -> NDArray[Any]:
        stop = min(stop, written)
        if stop <= start:
            return np.empty(0, own)
        values = finite(whole(start, stop).astype(own, copy=False))
        for a, b in holes:
            if a < stop and b > start:
                values[max(0, a - start) : b - start] = np.nan
        return values

    gain, offset = number(path, dataset, "gain"), number(path, dataset, "offset")
    return Data(
        written,
        own,
        fetch,
        single=len(shape) == 0 or (len(shape) == 2 and count == 1),
        lost=lost,
        rate_hz=number(path, dataset, "rate_hz"),
        start_s=number(path, dataset, "start_s"),
        gain=1.0 if gain is None else gain,
        offset=0.0 if offset is None else offset,
        unit=text(dataset, "unit", "units"),
        name=text(dataset, "name"),
        changes_end_s=number(path, dataset, "end_s") if text(dataset, "kind") == "changes" else None,
    )


def _written(path: str, name: str, dataset: h5py.Dataset, count: int) -> tuple[int, int, list[tuple[int, int]]]:
    """(samples to the last one that is there, samples lost behind it, holes before it that were never written)."""
    width, size = dataset.dtype.itemsize, os.path.getsize(path)
    if dataset.chunks is not None:
        return _written_chunks(path, name, dataset, count, size)
    try:
        at, stored = dataset.id.get_offset(), dataset.id.get_storage_size()
    except _TROUBLE:
        raise refuse(path, f"data set {shorten(name)} is damaged", _AGAIN) from None
    if at is None:  # compact: within the header; or never written at all
        there = count if stored >= count * width and count * width <= 1 << 16 else 0
    else:
        there = min(count, max(0, min(size - at, stored)) // width)
    if count > there and (count - there) * width > max(MAX_UNWRITTEN, 64 * size):
        raise refuse(path, f"data set {shorten(name)} claims {count} samples, {there} are there", _AGAIN)
    return there, count - there, []


def _written_chunks(
    path: str, name: str, dataset: h5py.Dataset, count: int, size: int
) -> tuple[int, int, list[tuple[int, int]]]:
    """The same of a data set in chunks: one that is absent, or lies beyond the end of the file, holds nothing."""
    rows, width = math.prod(dataset.chunks), dataset.dtype.itemsize
    if rows * width > MAX_CHUNK:
        raise refuse(
            path,
            f"data set {shorten(name)} has chunks of {rows * width >> 20} MB",
            f"expected at most {MAX_CHUNK >> 20} MB; save it in smaller chunks",
        )
    there: set[int] = set()

    def note(info: Any) -> None:
        if info.byte_offset + info.size <= size and info.size > 0:
            there.add(max(info.chunk_offset) // rows)

    try:
        dataset.id.chunk_iter(note)
    except _TROUBLE:
        raise refuse(path, f"data set {shorten(name)} is damaged", _AGAIN) from None
    chunks = -(-count // rows)
    there = {k for k in there if k < chunks}
    if (chunks - len(there)) * rows * width > MAX_UNWRITTEN:
        raise refuse(
            path, f"data set {shorten(name)} claims {count} samples, {len(there) * rows} are there at most", _AGAIN
        )
    if len(there) == chunks:
        return count, 0, []
    last = max(there, default=-1)
    holes = [(k * rows, (k + 1) * rows) for k in range(last + 1) if k not in there]
    written = min(count, (last + 1) * rows)
    return written, count - written, holes


def _fetcher(
    path: str, dataset: h5py.Dataset, dtype: np.dtype[Any], lost: int, holes: bool
) -> Callable[[int, int], NDArray[Any]]:
    """Mapped where the numbers lie in one piece in a type of NumPy's, else through the library."""
    at = None if dataset.chunks is not None else dataset.id.get_offset()
    if at is not None and dtype.kind != "b" and dataset.id.get_type().equal(h5py.h5t.py_create(dtype)):
        return mapped(path, at, dtype, math.prod(dataset.shape) - lost)
    across = len(dataset.shape) == 2 and dataset.shape[0] == 1

    def fetch(start: int, stop: int) -> NDArray[Any]:
        if dataset.shape == ():
            values = np.atleast_1d(dataset[()])[start:stop]
        elif len(dataset.shape) == 2:
            values = dataset[0, start:stop] if across else dataset[start:stop, 0]
        else:
            values = dataset[start:stop]
        return np.asarray(values)

    return fetch
