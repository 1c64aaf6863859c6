"""Arrow columns as NumPy arrays, straight from their buffers.

The library's own conversion looks for pandas before it begins, and where that is installed its import takes longer than
reading a file of 20 MB.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray


def values_of(rows: pa.ChunkedArray) -> NDArray[Any]:
    """The values of a column of numbers (integers and floats of whole bytes); nulls of floats become NaN.

    A column in one piece without nulls is not copied.
    """
    dtype = np.dtype(rows.type.to_pandas_dtype())
    parts = [_values(chunk, dtype) for chunk in rows.chunks if len(chunk)]
    if len(parts) == 1:
        return parts[0]
    return np.concatenate(parts) if parts else np.empty(0, dtype)


def _values(chunk: pa.Array, dtype: np.dtype[Any]) -> NDArray[Any]:
    valid, data = chunk.buffers()
    values = np.frombuffer(data, dtype, len(chunk), chunk.offset * dtype.itemsize)
    if not chunk.null_count:
        return values
    bits = np.unpackbits(np.frombuffer(valid, np.uint8), bitorder="little")
    return np.where(bits[chunk.offset : chunk.offset + len(chunk)], values, np.nan)
