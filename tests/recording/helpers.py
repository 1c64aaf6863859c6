"""The same small recording in every format, written by other libraries than the project's own writer."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import asammdf
import h5py
import numpy as np
import pyarrow as pa
import pyarrow.feather
import pyarrow.parquet
import scipy.io
import soundfile
import vcd
import zarr
from numpy.typing import NDArray

from witnessmark.errors import BadRecording
from witnessmark.recording.open import open_recording
from witnessmark.recording.readers import npz
from witnessmark.recording.store_import import fill
from witnessmark.recording.store_write import StoreWriter

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
    ascii: bool = False  # names are letters and digits of ASCII only

    def names_of(self, channels: dict[str, Any]) -> list[str]:
        """The channels' names as this format gives them back."""
        if not self.names:
            return [str(i + 1) for i in range(len(channels))]
        return [n if n.isascii() or not self.ascii else "cam" for n in channels]

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


def _h5(**options: Any) -> Write:
    def write(path: Path, channels: dict[str, NDArray[Any]]) -> None:
        n = len(next(iter(channels.values())))
        with h5py.File(path, "w") as file:
            for name, values in channels.items():
                chunks = {"chunks": (min(700, n),)} if n and options else {}
                file.create_dataset(name, data=values, **({**options, **chunks} if n else {}))
            file.attrs["rate_hz"] = RATE_HZ

    return write


def _h5_timed(path: Path, channels: dict[str, NDArray[Any]]) -> None:
    n = len(next(iter(channels.values())))
    with h5py.File(path, "w", track_order=True) as file:
        group = file.create_group("van", track_order=True)
        group["time"] = np.arange(n) / RATE_HZ
        for name, values in channels.items():
            group[name] = values


def _raw(path: Path, channels: dict[str, NDArray[Any]]) -> None:
    """Written by hand: json and bytes, nothing of the project's."""
    frames = np.column_stack(list(channels.values()))
    head = {"rate_hz": RATE_HZ, "sample": frames.dtype.name, "channels": [{"name": name} for name in channels]}
    path.write_bytes(json.dumps(head).encode() + b"\n" + frames.astype(frames.dtype.newbyteorder("<")).tobytes())


def _mat5(packed: bool) -> Write:
    def write(path: Path, channels: dict[str, NDArray[Any]]) -> None:
        n = len(next(iter(channels.values())))
        clock = {"time": np.arange(n) / RATE_HZ} if packed else {"rate_hz": float(RATE_HZ)}
        renamed = {n if n.isascii() else "cam": v for n, v in channels.items()}
        scipy.io.savemat(path, {**clock, **renamed}, do_compression=packed, oned_as="row" if packed else "column")

    return write


def _mat73(path: Path, channels: dict[str, NDArray[Any]]) -> None:
    """As MATLAB lays out its 7.3 files: HDF5 behind a block of 512 bytes, everything two-dimensional."""
    with h5py.File(path, "w", userblock_size=512) as file:
        for name, values in {"rate_hz": np.array([float(RATE_HZ)]), **channels}.items():
            name = name if name.isascii() else "cam"
            file[name] = values[np.newaxis, :]
            kind = "double" if values.dtype == np.float64 else str(values.dtype)
            file[name].attrs["MATLAB_class"] = np.bytes_(kind)
    head = b"MATLAB 7.3 MAT-file, simulated".ljust(124) + b"\x00\x02IM"
    with open(path, "r+b") as raw:
        raw.write(head)


def _mdf(version: str, compression: int) -> Write:
    def write(path: Path, channels: dict[str, NDArray[Any]]) -> None:
        n = len(next(iter(channels.values())))
        with asammdf.MDF(version=version) as mdf:
            time_s = np.arange(n) / RATE_HZ
            mdf.append([asammdf.Signal(v, time_s, name=name) for name, v in channels.items()])
            written = mdf.save(path, overwrite=True, compression=compression)
        if Path(written) != path:
            Path(written).rename(path)

    return write


def _zarr(shards: bool) -> Write:
    def write(path: Path, channels: dict[str, NDArray[Any]]) -> None:
        n = len(next(iter(channels.values())))
        root = zarr.create_group(store=path, overwrite=True, zarr_format=3)
        root.attrs.update({"rate_hz": RATE_HZ, "channels": list(channels)})
        codec = zarr.codecs.BloscCodec(cname="lz4", shuffle="bitshuffle")
        options: dict[str, Any] = {"shards": (1400,), "compressors": codec} if shards else {}
        for name, values in channels.items():
            array = root.create_array(
                name, shape=(n,), chunks=(700,), dtype=values.dtype, config={"write_empty_chunks": True}, **options
            )
            array[:] = values

    return write


def _store(path: Path, channels: dict[str, NDArray[Any]]) -> None:
    """Written by this program, there is no other; test_store.py reads its files with numpy and json alone."""
    loose = path.with_name("loose.npz")
    _npz(loose, channels)
    recording = npz.read(str(loose))  # not open_recording: a bad one must be refused when the store is opened
    with StoreWriter(path) as writer:
        fill(writer, recording, lambda _: None)
        writer.finish(recording)
    loose.unlink()


def _vcd(path: Path, channels: dict[str, NDArray[Any]]) -> None:
    """A change list in ticks of 1 us of the lines' signs."""
    with (
        open(path, "w", encoding="utf-8") as file,
        vcd.VCDWriter(file, timescale="1 us", date="simulated", check_values=False) as writer,
    ):
        lines = {
            n: writer.register_var("van", n, "wire", size=1, init=int(values[0] > 0)) for n, values in channels.items()
        }
        for i in range(1, len(next(iter(channels.values())))):
            for name, values in channels.items():
                if (values[i] > 0) != (values[i - 1] > 0):
                    writer.change(lines[name], i * 1_000_000 // RATE_HZ, int(values[i] > 0))


FORMATS = {
    "csv": Format(".csv", _text(",", "."), ints=False),
    "csv decimal comma": Format(".CSV", _text(";", ","), ints=False),
    "tsv": Format(".tsv", _text("\t", "."), ints=False),
    "txt decimal comma": Format(".txt", _text("\t", ","), ints=False),
    "wav": Format(".wav", _wav, names=False, gain=1 / 32768),
    "raw": Format(".raw", _raw),
    "parquet": Format(".parquet", _parquet),
    "arrow": Format(".arrow", _arrow),
    "feather": Format(".feather", _feather),
    "npz": Format(".npz", _npz),
    "npz compressed": Format(".npz", _npz_packed),
    "h5": Format(".h5", _h5()),
    "hdf5 compressed": Format(".hdf5", _h5(compression="gzip", shuffle=True)),
    "h5 timed": Format(".h5", _h5_timed),
    "mat": Format(".mat", _mat5(False), ascii=True),
    "mat compressed": Format(".mat", _mat5(True), ascii=True),
    "mat 7.3": Format(".MAT", _mat73, ascii=True),
    "mf4": Format(".mf4", _mdf("4.10", 0)),
    "mf4 compressed": Format(".MF4", _mdf("4.20", 2)),
    "zarr": Format(".zarr", _zarr(False)),
    "zarr sharded": Format(".zarr", _zarr(True)),
    "store": Format("", _store),
}
CHANGES = {"vcd": Format(".vcd", _vcd)}  # can hold two-level lines only


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


def contents(path: Path) -> dict[str, bytes]:
    """Everything in a file or folder."""
    files = [path] if path.is_file() else [p for p in path.rglob("*") if p.is_file()]
    return {str(p): p.read_bytes() for p in files}
