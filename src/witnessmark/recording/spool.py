"""Where a reader that must go through a whole file puts its samples: onto the disk, so that no memory is too small."""

from __future__ import annotations

from collections.abc import Collection
from pathlib import Path
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray


class SpooledColumn(Protocol):
    """A column that grows."""

    def append(self, samples: NDArray[Any]) -> object:
        """More of it."""
        ...

    def mapped(self) -> NDArray[Any]:
        """All of it so far, mapped from disk."""
        ...


class Spool(Protocol):
    """A place for the columns of one file."""

    def begin(self, columns: int, aside: Collection[int]) -> list[SpooledColumn]:
        """Columns of float64 to be filled; what an earlier ``begin`` made is thrown away. aside: those of times."""
        ...

    def reached(self, share: float) -> None:
        """How much of the file has been gone through."""
        ...


def scale_file(column: NDArray[np.float64], factor: float) -> NDArray[np.float64]:
    """``column * factor``; where it is mapped from a file, in that file and part by part."""
    if not isinstance(column, np.memmap) or column.filename is None:
        return column * factor
    path, at, rows = Path(column.filename), column.offset, len(column)
    with open(path, "r+b") as file:
        for first in range(0, rows, 1 << 20):
            file.seek(at + first * column.itemsize)
            file.write((column[first : first + (1 << 20)] * factor).data)
    return column
