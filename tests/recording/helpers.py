"""The same small recording in every format, written by other libraries than the project's own writer."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.feather
import pyarrow.parquet
import soundfile
from numpy.typing import NDArray

from witnessmark.errors import BadRecording
from witnessmark.recording.open import open_recording

RATE_HZ = 20_000
SAMPLES = 3_000


def simulated(samples: int = SAMPLES) -> dict[str, NDArray[np.int16]]:
    """Simulated lines of a bakery's delivery van: a toothed-wheel voltage and a two-level cam line, as int16 counts."""
    t = np.arange(samples) / RATE_HZ
    rng = np.random.default_rng(7)
    crank = 9000 * np.sin(2 * np.pi * 150 * t) + rng.normal(0, 200, samples)
    cam = np.where((t * 40).astype(int) % 2, 12000, -12000)
    return {"crank": crank.astype(np.int16), "Nockenwelle β": cam.astype(np.int16)}


Write = Callable[[Path, dict[str, NDArray[Any]]], None]


@dataclass(frozen=True)
class Format:
    """How a format is written, and what it can hold."""

    suffix: str
    write: Write
    names: bool = True
    ints: bool = True  # keeps integers as integers
    nulls: bool = True  # can hold "no value" beside floats
    gain: float = 1.0

    def __str__(self) -> str:
        return self.suffix


def _text(delimiter: str, decimal: str) -> Write:
    def write(path: Path, channels: dict[str, NDArray[Any]]) -> None:
        def cell(x: Any) -> str:
            return "" if x != x else repr(x.item()).replace(".", decimal)

        lines = [delimiter.join(["Time [s]", *channels])]
        for i, row in enumerate(zip(*channels.values(), strict=True)):
            lines.append(delimiter.join([f"{i / RATE_HZ:.6f}".replace(".", decimal), *(cell(x) for x in row)]))
        path.write_text("\n".join(lines) + "\n", encoding="utf-8")

    return write


def _wav(path: Path, channels: dict[str, NDArray[Any]]) -> None:
    frames = np.column_stack(list(channels.values()))
    subtype = {"i": "PCM_16", "f": "DOUBLE"}[frames.dtype.kind]
    soundfile.write(path, frames, RATE_HZ, subtype=subtype, format="WAV")


def _table(channels: dict[str, NDArray[Any]], metadata: dict[str, str] | None = None, time: bool = True) -> pa.Table:
    n = len(next(iter(channels.values())))
    columns: dict[str, Any] = {"time": pa.array(np.arange(n) / RATE_HZ)} if time else {}
    for name, values in channels.items():
        columns[name] = pa.array(values, mask=np.isnan(values) if values.dtype.kind == "f" else None)
    table = pa.table(columns)
    return table.replace_schema_metadata(metadata) if metadata else table


def _parquet(path: Path, channels: dict[str, NDArray[Any]]) -> None:
    pa.parquet.write_table(_table(channels), path, row_group_size=700)


def _arrow(path: Path, channels: dict[str, NDArray[Any]]) -> None:
    table = _table(channels, {"rate_hz": str(RATE_HZ)}, time=False)
    with pa.OSFile(str(path), "wb") as sink, pa.ipc.new_file(sink, table.schema) as writer:
        writer.write_table(table, max_chunksize=700)


def _feather(path: Path, channels: dict[str, NDArray[Any]]) -> None:
    pa.feather.write_feather(_table(channels), str(path), compression="lz4", chunksize=700)


def _npz(path: Path, channels: dict[str, NDArray[Any]]) -> None:
    np.savez(path, rate_hz=RATE_HZ, **channels)


def _npz_packed(path: Path, channels: dict[str, NDArray[Any]]) -> None:
    n = len(next(iter(channels.values())))
    np.savez_compressed(path, time=np.arange(n) / RATE_HZ, **channels)


FORMATS = {
    "csv": Format(".csv", _text(",", "."), ints=False),
    "csv decimal comma": Format(".CSV", _text(";", ","), ints=False),
    "tsv": Format(".tsv", _text("\t", "."), ints=False),
    "txt decimal comma": Format(".txt", _text("\t", ","), ints=False),
    "wav": Format(".wav", _wav, names=False, gain=1 / 32768),
    "parquet": Format(".parquet", _parquet),
    "arrow": Format(".arrow", _arrow),
    "feather": Format(".feather", _feather),
    "npz": Format(".npz", _npz),
    "npz compressed": Format(".npz", _npz_packed),
}


def read_or_refused(path: Path) -> None:
    """Open a file that may be anything and read what it holds: it is read or refused in one line, nothing else."""
    try:
        recording = open_recording(path)
        for channel in recording.channels:
            if channel.kind == "sampled":
                values = recording.read(channel.name, 0, min(channel.samples, 100_000))
                assert values.dtype.kind in "iuf"
                assert np.isfinite(channel.rate_hz)
            else:
                assert (np.diff(recording.changes(channel.name).time_s) > 0).all()
            for gap in channel.gaps:
                assert gap.end_s >= gap.start_s
        assert recording.duration_s >= 0
    except BadRecording as exc:
        text = str(exc)
        assert text.isprintable()
        assert text.startswith(str(path))
