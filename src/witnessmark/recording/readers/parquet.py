"""Parquet: a column a channel; row groups are read when their samples are asked for."""

from __future__ import annotations

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from witnessmark.recording.model import Recording
from witnessmark.recording.readers.arrow_columns import build
from witnessmark.recording.trouble import refuse

_CACHED = 2  # row groups kept a column: the one being read and the one before


def read(path: str) -> Recording:
    """Read footer and time column now, channels on demand."""
    with open(path, "rb") as raw:
        head = raw.read(4)
        raw.seek(-min(4, raw.seek(0, 2)), 2)
        tail = raw.read(4)
    if head != b"PAR1":
        raise refuse(path, "is not a Parquet file", "expected PAR1 at its start; check that the suffix is right")
    if tail != b"PAR1":
        raise refuse(path, "is cut short, its footer is gone", "expected a whole Parquet file; copy or export it again")
    file = pq.ParquetFile(path, memory_map=True)
    groups = _Groups(file)
    schema = file.schema_arrow
    return build(path, "Parquet", schema, file.metadata.num_rows, groups.rows, groups.has_nulls)


class _Groups:
    """Row groups of a file, a column at a time."""

    def __init__(self, file: pq.ParquetFile):
        self._file = file
        counts = [file.metadata.row_group(g).num_rows for g in range(file.num_row_groups)]
        self._starts = np.concatenate(([0], np.cumsum(counts, dtype=np.int64)))
        self._cache: dict[tuple[int, int], pa.ChunkedArray] = {}

    def rows(self, column: int, start: int, stop: int) -> pa.ChunkedArray:
        """Rows [start, stop) of a column."""
        name = self._file.schema_arrow.field(column)
        first = int(np.searchsorted(self._starts, start, side="right")) - 1
        chunks: list[pa.Array] = []
        for group in range(max(first, 0), len(self._starts) - 1):
            low = int(self._starts[group])
            if low >= stop:
                break
            part = self._group(column, group).slice(max(0, start - low), stop - max(start, low))
            chunks.extend(part.chunks)
        return pa.chunked_array(chunks, type=name.type)

    def _group(self, column: int, group: int) -> pa.ChunkedArray:
        key = (column, group)
        if key not in self._cache:
            mine = [k for k in self._cache if k[0] == column]
            for old in mine[: max(0, len(mine) - _CACHED + 1)]:
                del self._cache[old]
            leaf = self._leaf(column)
            table = self._file.reader.read_row_group(group, column_indices=[leaf], use_threads=False)
            self._cache[key] = table.column(0)
        return self._cache[key]

    def _leaf(self, column: int) -> int:
        """Place of a flat column among the file's physical columns (nested ones before it take several)."""
        name = self._file.schema_arrow.field(column).name
        paths = [self._file.schema.column(i).path for i in range(len(self._file.schema))]
        if paths.count(name) == 1:
            return paths.index(name)
        return column

    def has_nulls(self, column: int) -> bool:
        """Whether a column has any, by its values (of floats it does not matter: they can say it themselves).

        The file's own statistics would be quicker, but over damaged ones the library ends the process.
        """
        field = self._file.schema_arrow.field(column)
        if not field.nullable or pa.types.is_floating(field.type):
            return False
        return any(self._group(column, g).null_count for g in range(self._file.num_row_groups))
