"""Arrow IPC files (.arrow, .feather version 2) and streams; batches are read when their samples are asked for."""

from __future__ import annotations

import numpy as np
import pyarrow as pa

from witnessmark.recording.model import Recording
from witnessmark.recording.readers.arrow_columns import build
from witnessmark.recording.trouble import refuse

_MAGIC = b"ARROW1"
_CUT = "The file was cut short: it was read as far as its last whole batch."


def read(path: str) -> Recording:
    """Read schema and time column now, channels on demand (memory-mapped where not compressed)."""
    with open(path, "rb") as raw:
        head = raw.read(8)
        if head[:4] == b"FEA1":
            raise refuse(path, "is a Feather version 1 file", "expected Arrow or Feather version 2; save it again")
        raw.seek(-min(6, raw.seek(0, 2)), 2)
        whole = raw.read(6) == _MAGIC
    is_file = head[:6] == _MAGIC
    batches, schema, cut = (*_from_file(path), "") if is_file and whole else _from_stream(path, 8 if is_file else 0)
    if not batches:
        what = "is cut short, no whole batch is left" if is_file else "holds no samples"
        raise refuse(path, what, "expected a whole Arrow file; copy or export it again")
    starts = np.concatenate(([0], np.cumsum([b.num_rows for b in batches], dtype=np.int64)))

    def rows(column: int, start: int, stop: int) -> pa.ChunkedArray:
        first = max(0, int(np.searchsorted(starts, start, side="right")) - 1)
        chunks = []
        for k in range(first, len(batches)):
            low = int(starts[k])
            if low >= stop:
                break
            chunks.append(batches[k].column(column).slice(max(0, start - low), stop - max(start, low)))
        return pa.chunked_array(chunks, type=schema.field(column).type)

    def has_nulls(column: int) -> bool:
        return any(b.column(column).null_count for b in batches)

    return build(path, "Arrow", schema, int(starts[-1]), rows, has_nulls, cut)


def _from_file(path: str) -> tuple[list[pa.RecordBatch], pa.Schema]:
    reader = pa.ipc.open_file(pa.memory_map(path, "r"))
    return [_valid(reader.get_batch(i)) for i in range(reader.num_record_batches)], reader.schema


def _from_stream(path: str, skip: int) -> tuple[list[pa.RecordBatch], pa.Schema, str]:
    """Batches up to the first damaged one; a file without its footer is such a stream behind 8 bytes."""
    source = pa.memory_map(path, "r")
    source.seek(skip)
    try:
        reader = pa.ipc.open_stream(source)
    except (pa.ArrowInvalid, OSError):
        raise refuse(
            path, "is not an Arrow file, or cut short before its first sample", "check the suffix or export it again"
        ) from None
    batches: list[pa.RecordBatch] = []
    try:
        while True:
            batches.append(_valid(reader.read_next_batch()))
    except StopIteration:
        return batches, reader.schema, _CUT if skip else ""
    except (pa.ArrowInvalid, OSError):
        return batches, reader.schema, _CUT


def _valid(batch: pa.RecordBatch) -> pa.RecordBatch:
    """A damaged file can describe buffers that are not there: checked before anything touches them."""
    batch.validate(full=True)
    return batch
