"""Which reader opens which suffix. Built-in readers only so far; :func:`register` is where others would enter."""

from __future__ import annotations

import importlib
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import cast

from witnessmark.recording.model import Recording

ReadFunction = Callable[[str], Recording]


@dataclass(frozen=True, slots=True)
class Reader:
    """A file format. ``module`` holds ``read(path) -> Recording`` and is imported only when a file needs it.

    folder: a recording of this format is a folder, not a file.
    """

    name: str
    suffixes: tuple[str, ...]
    module: str
    folder: bool = False

    def load(self) -> ReadFunction:
        """The read function."""
        return cast(ReadFunction, importlib.import_module(self.module).read)


_READERS: dict[str, Reader] = {}


def register(reader: Reader) -> None:
    """Make a reader known for its suffixes (lower case, with the dot); a suffix has one reader."""
    for suffix in reader.suffixes:
        if suffix in _READERS:
            raise ValueError(f"{suffix} is read by {_READERS[suffix].name} already")
    _READERS.update(dict.fromkeys(reader.suffixes, reader))


def reader_for(suffix: str) -> Reader | None:
    """The reader of a suffix, upper or lower case."""
    return _READERS.get(suffix.lower())


def suffixes() -> tuple[str, ...]:
    """All known suffixes."""
    return tuple(_READERS)


def _register_all(readers: Iterable[tuple[str, tuple[str, ...], str]]) -> None:
    for name, known, module in readers:
        register(Reader(name, known, f"witnessmark.recording.readers.{module}"))


_register_all(
    [
        ("text table", (".csv", ".tsv", ".txt"), "csv_table"),
        ("WAV", (".wav",), "wav"),
        ("Parquet", (".parquet",), "parquet"),
        ("Arrow", (".arrow", ".feather"), "arrow"),
        ("NPZ", (".npz",), "npz"),
        ("HDF5", (".h5", ".hdf5"), "hdf5"),
        ("MATLAB", (".mat",), "mat"),
        ("MDF", (".mf4",), "mdf"),
        ("VCD", (".vcd",), "vcd"),
    ]
)
register(Reader("Zarr", (".zarr",), "witnessmark.recording.readers.zarr_folder", folder=True))
