"""What Parquet and Arrow files share: which columns are channels, time, units, rate; conversion to native samples."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from witnessmark.recording.assemble import Draft, from_rate, from_time
from witnessmark.recording.columns import Column, finite
from witnessmark.recording.model import Recording
from witnessmark.recording.naming import find_time, is_index, split_unit, unique_names
from witnessmark.recording.readers.arrow_values import values_of
from witnessmark.recording.trouble import refuse, shorten

FetchRows = Callable[[int, int, int], pa.ChunkedArray]  # (column, start, stop) -> the rows


def build(
    path: str,
    format_name: str,
    schema: pa.Schema,
    rows: int,
    fetch: FetchRows,
    has_nulls: Callable[[int], bool],
    cut: str = "",
) -> Recording:
    """A Recording of a table of ``rows`` rows; ``has_nulls`` says whether a column has any."""
    rate, start_s = _said(path, schema, b"rate_hz"), _said(path, schema, b"start_s") or 0.0
    fields = [schema.field(i) for i in range(len(schema))]
    units = [_unit(f) for f in fields]
    timed = find_time([f.name for f in fields], units)
    clocks = [i for i, f in enumerate(fields) if pa.types.is_timestamp(f.type) or pa.types.is_duration(f.type)]
    if clocks and (timed is None or timed[0] in clocks):
        timed = (clocks[0], 1.0)
    places = [i for i in range(len(fields)) if timed is None or i != timed[0]]
    places = [
        i for i in places if not (fields[i].name.startswith("__index_level_") or (rate and is_index(fields[i].name)))
    ]
    names = unique_names([fields[i].name for i in places])
    columns, left_out = [], []
    for position, (i, name) in enumerate(zip(places, names, strict=True), start=1):
        dtype = _native(fields[i].type)
        if dtype is None:
            left_out.append(name)
            continue
        columns.append(_column(name, position, units[i], dtype, rows, i, fetch, has_nulls(i)))
    if not columns:
        raise refuse(
            path, "no numeric column", "expected one column of numbers a channel; export the samples as numbers"
        )
    cautions = tuple(f"Column {shorten(n)} holds no numbers: it is left out." for n in left_out)
    draft = Draft(path, format_name, tuple(columns), cautions, tuple(left_out), cut)
    if timed is not None:
        return from_time(draft, _seconds(path, fields[timed[0]], fetch(timed[0], 0, rows), timed[1]))
    if rate is None:
        raise refuse(path, "no time column and no rate", 'expected a column named "time" or metadata rate_hz; add one')
    return from_rate(draft, rate, start_s)


def _said(path: str, schema: pa.Schema, key: bytes) -> float | None:
    """A number in the schema's metadata."""
    raw = (schema.metadata or {}).get(key)
    if raw is None:
        return None
    try:
        value = float(raw.decode())
    except ValueError:
        value = np.nan
    if not np.isfinite(value):
        what = "samples per second" if key == b"rate_hz" else "seconds"
        raise refuse(path, f"metadata {key.decode()} is not a number", f"expected {what}; correct it") from None
    return value


def _unit(field: pa.Field) -> str:
    raw = (field.metadata or {}).get(b"unit")
    return raw.decode("utf-8", errors="replace") if raw else split_unit(field.name)[1]


def _native(kind: pa.DataType) -> np.dtype[Any] | None:
    """The type handed out; None for columns that are no numbers."""
    if pa.types.is_boolean(kind):
        return np.dtype(np.uint8)
    if pa.types.is_float16(kind):
        return np.dtype(np.float32)
    if pa.types.is_integer(kind) or pa.types.is_floating(kind):
        native: np.dtype[Any] = np.dtype(kind.to_pandas_dtype())
        return native
    return np.dtype(np.float64) if pa.types.is_decimal(kind) else None


def _column(
    name: str, position: int, unit: str, native: np.dtype[Any], rows: int, place: int, fetch: FetchRows, nulls: bool
) -> Column:
    # integers cannot say "no value": with nulls in the column they are handed out as floats
    dtype = np.dtype(np.float64) if nulls and native.kind != "f" else native

    def fetch_native(start: int, stop: int) -> NDArray[Any]:
        return finite(_to_numpy(fetch(place, start, stop), dtype))

    return Column(name, position, dtype, rows, fetch_native, unit)


def _to_numpy(rows: pa.ChunkedArray, dtype: np.dtype[Any]) -> NDArray[Any]:
    if pa.types.is_boolean(rows.type):
        rows = rows.cast(pa.uint8())
    elif pa.types.is_decimal(rows.type) or (rows.null_count and pa.types.is_integer(rows.type)):
        rows = rows.cast(pa.float64(), safe=False)
    if rows.null_count and not pa.types.is_float64(rows.type):
        rows = rows.cast(pa.float64())
    return values_of(rows).astype(dtype, copy=False)


def _seconds(path: str, field: pa.Field, rows: pa.ChunkedArray, scale: float) -> NDArray[np.float64]:
    if pa.types.is_timestamp(field.type) or pa.types.is_duration(field.type):
        scale = {"s": 1.0, "ms": 1e-3, "us": 1e-6, "ns": 1e-9}[field.type.unit]
        ticks = rows.cast(pa.int64())
        first = ticks[0].as_py() if len(ticks) and pa.types.is_timestamp(field.type) else 0
        return _to_numpy(pc.subtract(ticks, first or 0), np.dtype(np.float64)) * scale
    if _native(field.type) is None:
        raise refuse(path, f"the time column {shorten(field.name)} is not numeric", "expected seconds; export it again")
    return _to_numpy(rows, np.dtype(np.float64)) * scale
