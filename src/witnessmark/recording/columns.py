"""One column of a file, read on demand."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

CHUNK = 1 << 20


class Fetch(Protocol):
    """How a column's native samples are fetched."""

    def __call__(self, start: int, stop: int) -> NDArray[Any]:
        """Native samples [start, stop); NaN where there is none on float columns."""
        ...


@dataclass(frozen=True, slots=True)
class Column:
    """A channel's samples in the file, before its clock is known. value = native * gain + offset.

    position: 1-based place in the file, the time column not counted. dtype: of what ``fetch`` returns (a bool is
    handed out as uint8). Only float columns can hold gaps.
    """

    name: str
    position: int
    dtype: np.dtype[Any]
    samples: int
    fetch: Fetch
    unit: str = ""
    gain: float = 1.0
    offset: float = 0.0
    complete: bool = False  # known to have a value in every row

    @property
    def may_have_gaps(self) -> bool:
        """Whether native samples can be missing."""
        return self.dtype.kind == "f" and not self.complete

    def chunks(self, size: int = CHUNK) -> Iterator[tuple[int, NDArray[Any]]]:
        """(first row, native samples) in order."""
        for start in range(0, self.samples, size):
            yield start, self.fetch(start, min(start + size, self.samples))


def array_column(name: str, position: int, values: NDArray[Any], unit: str = "", complete: bool = False) -> Column:
    """A column that is in memory already; what it hands out are views that cannot be written to."""
    tidy = finite(values)
    native, complete = tidy.view(), complete and tidy is values
    native.flags.writeable = False

    def fetch(start: int, stop: int) -> NDArray[Any]:
        return native[start:stop]

    return Column(name, position, native.dtype, len(native), fetch, unit, complete=complete)


def finite(values: NDArray[Any]) -> NDArray[Any]:
    """Infinities as NaN: neither is a sample."""
    parts = range(0, len(values), CHUNK)  # of a long array, no second one as long
    if values.dtype.kind != "f" or not any(np.isinf(values[at : at + CHUNK]).any() for at in parts):
        return values
    return np.where(np.isinf(values), values.dtype.type(np.nan), values)


def missing_runs(column: Column) -> list[tuple[int, int]]:
    """Runs [first, stop) of rows without a sample, in order."""
    if not column.may_have_gaps:
        return []
    runs: list[tuple[int, int]] = []
    for start, values in column.chunks():
        gone = np.isnan(values)
        if not gone.any():
            continue
        edges = np.flatnonzero(np.diff(np.concatenate(([False], gone, [False])).view(np.int8)))
        for first, stop in (edges.reshape(-1, 2) + start).tolist():
            if runs and runs[-1][1] == first:
                runs[-1] = (runs[-1][0], stop)
            else:
                runs.append((first, stop))
    return runs
