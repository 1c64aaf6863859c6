"""NPZ: an array of native samples a channel, scale and unit beside it; not compressed, so that it can be mapped."""

from __future__ import annotations

import zipfile
from typing import Any

import numpy as np
from numpy.typing import NDArray

from witnessmark.recording.columns import CHUNK
from witnessmark.recording.model import Recording
from witnessmark.recording.readers.members import SIMULATED
from witnessmark.recording.writers.fit import Told, changes_table, plain_names, table_of


def write(path: str, recording: Recording, told: Told) -> list[str]:
    """Rate and scales first, so that a file cut short still has them."""
    table = table_of(recording)
    names, notes = plain_names(recording, ("rate_hz", "start_s", SIMULATED))
    with zipfile.ZipFile(path, "w", allowZip64=True) as file:
        if table.rate_hz is not None:
            _put(file, "rate_hz", np.float64(table.rate_hz))
            if table.start_s:
                _put(file, "start_s", np.float64(table.start_s))
        if recording.simulated:
            _put(file, SIMULATED, np.bool_(True))
        for name, info in zip(names, recording.channels, strict=True):
            for key, value, usual in (("gain", info.gain, 1.0), ("offset", info.offset, 0.0)):
                if value != usual:
                    _put(file, f"{key}__{name}", np.float64(value))
            if info.unit:
                _put(file, f"unit__{name}", np.str_(info.unit))
        if table.rate_hz is None:
            time_s, levels, known = changes_table(recording)
            _put(file, "time", time_s)
            for name, level, there in zip(names, levels, known, strict=True):
                _put(file, name, level if there.all() else np.where(there, level, np.nan))
            return notes
        _put_channels(file, names, recording, told)
    return notes


def _put_channels(file: zipfile.ZipFile, names: list[str], recording: Recording, told: Told) -> None:
    total, done = sum(c.samples for c in recording.channels), 0
    for k, (name, info) in enumerate(zip(names, recording.channels, strict=True)):
        dtype = recording.source.read(k, 0, 0).dtype
        with file.open(f"{name}.npy", "w", force_zip64=True) as member:
            said = {"descr": np.lib.format.dtype_to_descr(dtype), "fortran_order": False, "shape": (info.samples,)}
            np.lib.format.write_array_header_1_0(member, said)
            for start in range(0, info.samples, CHUNK):
                part = np.ascontiguousarray(recording.source.read(k, start, min(start + CHUNK, info.samples)))
                member.write(part.data)
                done += len(part)
                told(done / total)


def _put(file: zipfile.ZipFile, name: str, value: NDArray[Any] | np.generic) -> None:
    with file.open(f"{name}.npy", "w", force_zip64=True) as member:
        np.lib.format.write_array(member, np.asanyarray(value), allow_pickle=False)
