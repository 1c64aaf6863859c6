"""Parquet and Arrow: a column a channel in its unit, rate and start as metadata of the schema."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pyarrow as pa

from witnessmark.recording.columns import CHUNK
from witnessmark.recording.model import Recording
from witnessmark.recording.writers.fit import Told, changes_table, in_unit, plain_names, row_blocks, table_of
from witnessmark.recording.writers.text import cells

_TIME = "time"


def write(path: str, recording: Recording, told: Told) -> list[str]:
    """Integers stay integers where they have no scale; values of scaled ones are float64."""
    table = table_of(recording)
    names, notes = plain_names(recording)
    fields = [
        pa.field(n, _kind(recording, k), metadata={"unit": c.unit} if c.unit else None)
        for k, (n, c) in enumerate(zip(names, recording.channels, strict=True))
    ]
    if table.rate_hz is None:
        time_s, levels, known = changes_table(recording)
        schema = pa.schema([pa.field(_TIME, pa.float64(), metadata={"unit": "s"}), *fields])
        columns = [pa.array(time_s), *(pa.array(v, mask=~k) for v, k in zip(levels, known, strict=True))]
        _write(path, schema, lambda put: put(pa.table(columns, schema=schema)))
        return notes
    said = {"rate_hz": repr(float(table.rate_hz))}
    said |= {"start_s": repr(float(table.start_s))} if table.start_s else {}
    schema = pa.schema(fields, metadata=said)

    def fill(put: Callable[[Any], None]) -> None:
        for start, stop, native in row_blocks(recording, told):
            values = [in_unit(c, v) for c, v in zip(recording.channels, native, strict=True)]
            put(pa.table([cells(v, stop - start) for v in values], schema=schema))

    _write(path, schema, fill)
    return notes


def _kind(recording: Recording, index: int) -> Any:
    if recording.channels[index].kind == "changes":
        return pa.uint8()
    dtype = recording.source.read(index, 0, 0).dtype
    return pa.from_numpy_dtype(in_unit(recording.channels[index], np.empty(0, dtype)).dtype)


def _write(path: str, schema: Any, fill: Callable[[Callable[[Any], None]], None]) -> None:
    if path.lower().endswith(".parquet"):
        import pyarrow.parquet as pq

        with pq.ParquetWriter(path, schema) as file:
            fill(lambda table: file.write_table(table, row_group_size=CHUNK))
        return
    with pa.OSFile(path, "wb") as sink, pa.ipc.new_file(sink, schema) as writer:
        fill(lambda table: writer.write_table(table, max_chunksize=CHUNK))
