"""Which reader opens which suffix: the project's own, and those that other packages bring.

Another package names a :class:`Reader` under the entry point group ``witnessmark.readers``:

    [project.entry-points."witnessmark.readers"]
    mylog = "mypackage.mylog:READER"          # READER = Reader("My log", (".mylog",), "mypackage.mylog")

They are looked for only when a file has a suffix that the project itself does not read.
"""

from __future__ import annotations

import importlib
import os
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, cast

from witnessmark.recording.model import Recording
from witnessmark.recording.trouble import shorten

if TYPE_CHECKING:
    from importlib.metadata import EntryPoint

_OWN = "witnessmark.recording.readers"
ReadFunction = Callable[..., Recording]


@dataclass(frozen=True, slots=True)
class Reader:
    """A file format. ``module`` holds ``read(path) -> Recording`` and is imported only when a file needs it.

    folder: a recording of this format is a folder, not a file. spools: ``read(path, spool)`` is understood too; it puts
    the samples into that :class:`~witnessmark.recording.spool.Spool` instead of into memory.
    """

    name: str
    suffixes: tuple[str, ...]
    module: str
    folder: bool = False
    spools: bool = False

    @property
    def is_own(self) -> bool:
        """Whether it is the project's own."""
        return self.module.startswith(f"{_OWN}.")

    def load(self) -> ReadFunction:
        """The read function."""
        return cast(ReadFunction, importlib.import_module(self.module).read)


_READERS: dict[str, Reader] = {}
_PLUGINS = "witnessmark.readers"  # the group of entry points in which other packages name a Reader
_broken: list[str] | None = None  # None: not looked for yet


def register(reader: Reader) -> None:
    """Make a reader known for its suffixes (lower case, with the dot); a suffix has one reader."""
    for suffix in reader.suffixes:
        if suffix in _READERS:
            raise ValueError(f"{suffix} is read by {_READERS[suffix].name} already")
    _READERS.update(dict.fromkeys(reader.suffixes, reader))


def reader_for(suffix: str) -> Reader | None:
    """The reader of a suffix, upper or lower case; other packages are asked where the project has none of its own."""
    suffix = suffix.lower()
    if suffix not in _READERS:
        plugin_troubles()
    return _READERS.get(suffix)


def reader_of(path: str) -> Reader | None:
    """The reader of a file or folder: by its suffix, a working store by its recording.json."""
    return STORE if os.path.isfile(os.path.join(path, STORE_FILE)) else reader_for(Path(path).suffix)


def suffixes() -> tuple[str, ...]:
    """All known suffixes, those of other packages too."""
    plugin_troubles()
    return tuple(_READERS)


def plugin_troubles() -> tuple[str, ...]:
    """Registers the readers that other packages bring (once), and says which of them could not be had, and why.

    A broken one is never more than a caution: the others and the project's own go on reading.
    """
    global _broken
    if _broken is None:
        from importlib.metadata import entry_points  # takes longer to import than most files to read

        _broken = [trouble for point in entry_points(group=_PLUGINS) if (trouble := _plug_in(point))]
    return tuple(_broken)


def forget_plugins() -> None:
    """Unregister what other packages brought; they are looked for again when next needed."""
    global _broken
    _broken = None
    for suffix in [s for s, reader in _READERS.items() if not reader.is_own]:
        del _READERS[suffix]


def _plug_in(point: EntryPoint) -> str:
    """ "" where it is registered, else what is wrong with it."""
    try:
        reader = point.load()
        if not isinstance(reader, Reader):
            raise TypeError(f"{point.value} is no Reader")
        if not reader.suffixes or not all(s.startswith(".") and s == s.lower() for s in reader.suffixes):
            raise ValueError("suffixes must be lower case and begin with a dot")
        register(reader)
    except Exception as exc:  # whatever another package raises must not end this program
        said = shorten(str(exc) or type(exc).__name__, 120)
        return f"The reader {shorten(point.name)} of another package could not be used ({said})."
    return ""


def _register_all(readers: Iterable[tuple[str, tuple[str, ...], str]]) -> None:
    for name, known, module in readers:
        register(Reader(name, known, f"{_OWN}.{module}"))


STORE_FILE = "recording.json"
STORE = Reader("working store", (), f"{_OWN}.store", folder=True)
register(Reader("text table", (".csv", ".tsv", ".txt"), f"{_OWN}.csv_table", spools=True))
_register_all(
    [
        ("WAV", (".wav",), "wav"),
        ("raw samples", (".raw",), "raw"),
        ("Parquet", (".parquet",), "parquet"),
        ("Arrow", (".arrow", ".feather"), "arrow"),
        ("NPZ", (".npz",), "npz"),
        ("HDF5", (".h5", ".hdf5"), "hdf5"),
        ("MATLAB", (".mat",), "mat"),
        ("MDF", (".mf4",), "mdf"),
        ("VCD", (".vcd",), "vcd"),
    ]
)
register(Reader("Zarr", (".zarr",), f"{_OWN}.zarr_folder", folder=True))
