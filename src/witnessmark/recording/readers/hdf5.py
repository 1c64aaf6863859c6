"""HDF5 (and MATLAB 7.3, which is HDF5): one-dimensional data sets are channels."""

from __future__ import annotations

from typing import Any

from witnessmark.recording.model import Recording
from witnessmark.recording.readers.hdf5_data import data_of, number, text
from witnessmark.recording.readers.hdf5_file import datasets, open_file, user_block
from witnessmark.recording.readers.told import ATTRIBUTE, as_told, parse_told
from witnessmark.recording.readers.tree import Data, from_tree

__all__ = ["read", "user_block"]


def read(path: str, format_name: str = "HDF5") -> Recording:
    """Read the structure now, samples on demand (memory-mapped where they lie in one piece)."""
    file, cut = open_file(path, format_name)
    try:
        return _read(path, format_name, file, cut)
    except BaseException:
        file.close()  # what is refused is not kept open
        raise


def _read(path: str, format_name: str, file: Any, cut: bool) -> Recording:
    found: dict[str, Data] = {}
    left_out = []
    for name, dataset in datasets(file):
        data = data_of(path, name, dataset)
        if data is None:
            left_out.append(name)
        else:
            found[name] = data

    def said(group: str, key: str) -> float | None:
        return number(path, file[group] if group else file, key)

    told = parse_told(text(file, ATTRIBUTE))
    return as_told(from_tree(path, format_name, found, left_out, said, cut, told is not None), told)
