"""Write a recording: used by the simulator, the working store and the tests. A file is there whole or not at all."""

from __future__ import annotations

import os
import tempfile
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

Channels = Mapping[str, NDArray[Any]]


def write_recording(
    path: str | os.PathLike[str],
    channels: Channels,
    rate_hz: float,
    *,
    units: Mapping[str, str] | None = None,
    gains: Mapping[str, float] | None = None,
    offsets: Mapping[str, float] | None = None,
    start_s: float = 0.0,
) -> None:
    """Write equally long channels sampled at ``rate_hz`` as CSV, TSV, WAV, Parquet, Arrow, NPZ or RAW by suffix.

    value = sample * gain + offset in ``units``. NPZ and RAW keep native samples with gain and offset beside them;
    Parquet, Arrow and text hold values where a gain or offset is given. WAV holds the native samples as they are (float
    samples should lie within -1..+1) and cannot hold names, units or gains. Only text and RAW keep ``start_s``.

    Raises ValueError for an unknown suffix, channels of unequal length or a rate the format cannot hold.
    """
    target = Path(path)
    writer = _WRITERS.get(target.suffix.lower())
    if writer is None:
        raise ValueError(
            f"{target.name}: cannot write {target.suffix or 'without a suffix'}; use one of {' '.join(_WRITERS)}"
        )
    if not channels or len({len(v) for v in channels.values()}) != 1:
        raise ValueError(f"{target.name}: needs at least one channel, all of the same length")
    if start_s and writer not in (_write_text, _write_raw):
        raise ValueError(f"{target.name}: only text tables and raw samples keep a start other than 0")
    units, gains, offsets = dict(units or {}), dict(gains or {}), dict(offsets or {})
    handle, name = tempfile.mkstemp(dir=target.parent, prefix=f".{target.stem}-", suffix=target.suffix)
    os.close(handle)
    try:
        writer(name, channels, rate_hz, units, gains, offsets, start_s)
        os.chmod(name, 0o666 & ~_umask())
        os.replace(name, target)
    except BaseException:
        os.unlink(name)
        raise


def _umask() -> int:
    mask = os.umask(0)
    os.umask(mask)
    return mask


def _values(name: str, samples: NDArray[Any], gains: dict[str, float], offsets: dict[str, float]) -> NDArray[Any]:
    if name not in gains and name not in offsets:
        return samples
    return samples * gains.get(name, 1.0) + offsets.get(name, 0.0)


def _write_text(
    path: str,
    channels: Channels,
    rate_hz: float,
    units: dict[str, str],
    gains: dict[str, float],
    offsets: dict[str, float],
    start_s: float,
) -> None:
    import pyarrow as pa
    import pyarrow.csv as pacsv

    samples = len(next(iter(channels.values())))
    columns: dict[str, Any] = {"Time [s]": start_s + np.arange(samples) / rate_hz}
    columns |= {n: _nulls(_values(n, v, gains, offsets)) for n, v in channels.items()}
    delimiter = "\t" if path.lower().endswith(".tsv") else ","
    with open(path, "wb") as file:
        file.write((delimiter.join(_quoted(n) for n in columns) + "\n").encode())
        if units:
            file.write((delimiter.join(["s", *(_quoted(units.get(n, "")) for n in channels)]) + "\n").encode())
        options = pacsv.WriteOptions(include_header=False, delimiter=delimiter, quoting_style="needed")
        pacsv.write_csv(pa.table(columns), file, options)


def _nulls(values: NDArray[Any]) -> Any:
    """Booleans as 0 and 1, NaN as an empty cell."""
    import pyarrow as pa

    if values.dtype == np.bool_:
        values = values.view(np.uint8)
    return pa.array(values, mask=np.isnan(values)) if values.dtype.kind == "f" else pa.array(values)


def _quoted(cell: str) -> str:
    return '"' + cell.replace('"', '""') + '"' if any(c in cell for c in ',;\t"\r\n') else cell


def _write_wav(
    path: str, channels: Channels, rate_hz: float, units: Any, gains: Any, offsets: Any, start_s: float
) -> None:
    import soundfile

    if rate_hz != round(rate_hz) or not 1 <= rate_hz < 2**31:
        raise ValueError(f"WAV holds whole rates only, not {rate_hz:g} Hz")
    frames = np.column_stack(list(channels.values()))
    if frames.dtype not in _SUBTYPES:
        raise ValueError(f"WAV cannot hold {frames.dtype} samples; use int16, int32, float32 or float64")
    soundfile.write(path, frames, int(rate_hz), subtype=_SUBTYPES[frames.dtype], format="WAV")


_SUBTYPES = {
    np.dtype(np.int16): "PCM_16",
    np.dtype(np.int32): "PCM_32",
    np.dtype(np.float32): "FLOAT",
    np.dtype(np.float64): "DOUBLE",
}


def _arrow_table(
    channels: Channels, rate_hz: float, units: dict[str, str], gains: dict[str, float], offsets: dict[str, float]
) -> Any:
    import pyarrow as pa

    arrays = [pa.array(_values(n, np.asarray(v), gains, offsets)) for n, v in channels.items()]
    fields = [
        pa.field(n, a.type, metadata={"unit": units[n]} if n in units else None)
        for n, a in zip(channels, arrays, strict=True)
    ]
    return pa.table(arrays, schema=pa.schema(fields, metadata={"rate_hz": repr(float(rate_hz))}))


def _write_parquet(
    path: str,
    channels: Channels,
    rate_hz: float,
    units: dict[str, str],
    gains: dict[str, float],
    offsets: dict[str, float],
    start_s: float,
) -> None:
    import pyarrow.parquet as pq

    pq.write_table(_arrow_table(channels, rate_hz, units, gains, offsets), path, row_group_size=1 << 20)


def _write_arrow(
    path: str,
    channels: Channels,
    rate_hz: float,
    units: dict[str, str],
    gains: dict[str, float],
    offsets: dict[str, float],
    start_s: float,
) -> None:
    import pyarrow as pa

    table = _arrow_table(channels, rate_hz, units, gains, offsets)
    with pa.OSFile(path, "wb") as sink, pa.ipc.new_file(sink, table.schema) as writer:
        writer.write_table(table, max_chunksize=1 << 20)


def _write_npz(
    path: str,
    channels: Channels,
    rate_hz: float,
    units: dict[str, str],
    gains: dict[str, float],
    offsets: dict[str, float],
    start_s: float,
) -> None:
    arrays: dict[str, Any] = {"rate_hz": np.float64(rate_hz)}  # first, so that a file cut short still has it
    arrays |= {f"gain__{n}": np.float64(gains[n]) for n in channels if n in gains}
    arrays |= {f"offset__{n}": np.float64(offsets[n]) for n in channels if n in offsets}
    arrays |= {f"unit__{n}": np.str_(units[n]) for n in channels if n in units}
    arrays |= dict(channels)
    with open(path, "wb") as file:
        np.savez(file, **arrays)


def _write_raw(
    path: str,
    channels: Channels,
    rate_hz: float,
    units: dict[str, str],
    gains: dict[str, float],
    offsets: dict[str, float],
    start_s: float,
) -> None:
    from witnessmark.recording.readers.raw_head import SAMPLES, RawChannel, head_line

    frames = np.column_stack([v.view(np.uint8) if v.dtype == np.bool_ else v for v in channels.values()])
    if frames.dtype.name not in SAMPLES:
        raise ValueError(f"raw samples cannot be {frames.dtype}; use one of {' '.join(SAMPLES)}")
    said = [RawChannel(n, units.get(n, ""), gains.get(n, 1.0), offsets.get(n, 0.0)) for n in channels]
    with open(path, "wb") as file:
        file.write(head_line(rate_hz, frames.dtype.name, said, start_s))
        file.write(frames.astype(SAMPLES[frames.dtype.name], copy=False).tobytes())


_Writer = Callable[[str, Channels, float, dict[str, str], dict[str, float], dict[str, float], float], None]
_WRITERS: dict[str, _Writer] = {
    ".csv": _write_text,
    ".tsv": _write_text,
    ".wav": _write_wav,
    ".parquet": _write_parquet,
    ".arrow": _write_arrow,
    ".feather": _write_arrow,
    ".npz": _write_npz,
    ".raw": _write_raw,
}
