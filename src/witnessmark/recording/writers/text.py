"""Text tables: a time column in s, values in units, a row of units; numbers with all their digits."""

from __future__ import annotations

from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.csv as pacsv
from numpy.typing import NDArray

from witnessmark.recording.model import Recording
from witnessmark.recording.writers.fit import Told, changes_table, in_unit, row_blocks, table_of

TIME = "Time [s]"


def write(path: str, recording: Recording, told: Told) -> list[str]:
    """As CSV or, by the suffix, with tabs."""
    table = table_of(recording)
    names = [c.name for c in recording.channels]
    units = [c.unit for c in recording.channels]
    delimiter = "\t" if path.lower().endswith(".tsv") else ","
    with open(path, "wb") as file:
        file.write((delimiter.join(_quoted(n) for n in (TIME, *names)) + "\n").encode())
        if any(units):
            file.write((delimiter.join(_quoted(u) for u in ("s", *units)) + "\n").encode())
        options = pacsv.WriteOptions(include_header=False, delimiter=delimiter, quoting_style="needed")
        if table.rate_hz is None:
            time_s, levels, known = changes_table(recording)
            columns = [pa.array(v, mask=~k) for v, k in zip(levels, known, strict=True)]
            pacsv.write_csv(_table([pa.array(time_s), *columns]), file, options)
            return []
        for start, stop, native in row_blocks(recording, told):
            time_s = table.start_s + np.arange(start, stop) / table.rate_hz
            values = [_exact(in_unit(c, v)) for c, v in zip(recording.channels, native, strict=True)]
            pacsv.write_csv(_table([pa.array(time_s), *(cells(v, stop - start) for v in values)]), file, options)
    return []


def _exact(values: NDArray[Any]) -> NDArray[Any]:
    """A float32 with the digits of a float64: fewer would do to tell it from its neighbours, but not to be the same."""
    return values.astype(np.float64) if values.dtype.kind == "f" else values


def _table(columns: list[Any]) -> Any:
    return pa.table(columns, names=[str(i) for i in range(len(columns))])


def cells(values: NDArray[Any], rows: int) -> Any:
    """NaN, and rows behind the last, as cells without a value."""
    missing = rows - len(values)
    if missing:
        values = np.concatenate((values, np.zeros(missing, values.dtype)))
    mask = np.isnan(values) if values.dtype.kind == "f" else np.zeros(rows, np.bool_)
    mask[rows - missing :] = True
    return pa.array(values, mask=mask if mask.any() else None)


def _quoted(cell: str) -> str:
    return '"' + cell.replace('"', '""') + '"' if any(c in cell for c in ',;\t"\r\n') else cell
