"""WAV: the native samples as they are; names, units, scales and the start are not kept."""

from __future__ import annotations

import functools

import numpy as np

from witnessmark.recording.model import Recording
from witnessmark.recording.writers.fit import Told, Unfit, row_blocks, table_of

_SUBTYPES = {"int16": "PCM_16", "int32": "PCM_32", "float32": "FLOAT", "float64": "DOUBLE"}
# the narrowest of these that holds every value of a type
_HELD = {"bool": "int16", "int8": "int16", "uint8": "int16", "uint16": "int32", "uint32": "float64", "int64": "float64"}
_HELD |= {"uint64": "float64", "float16": "float32"}
_LARGEST = 4_000_000_000  # bytes a plain WAV can say it has; beyond, RF64


def write(path: str, recording: Recording, told: Told) -> list[str]:
    """Channels of one rate, begin and length; of several types, the one that holds them all."""
    import soundfile

    table = table_of(recording)
    if table.rate_hz is None:
        raise Unfit("WAV holds samples, not changes; write .csv, .h5 or .zarr")
    if table.rate_hz != round(table.rate_hz) or not 1 <= table.rate_hz < 2**31:
        raise Unfit(f"WAV holds whole rates only, not {table.rate_hz:g} Hz; write another format")
    if len({c.samples for c in recording.channels}) > 1:
        whole = min(c.start_s + c.samples / table.rate_hz for c in recording.channels)
        raise Unfit(f"WAV holds channels of one length only; choose a part with --to {whole:.9g}, or --channel")
    types = [recording.source.read(k, 0, 0).dtype for k in range(len(recording.channels))]
    dtype = functools.reduce(np.promote_types, [np.dtype(_HELD.get(t.name, t.name)) for t in types])
    size = dtype.itemsize * len(types) * table.rows
    with soundfile.SoundFile(
        path,
        "w",
        int(table.rate_hz),
        len(types),
        _SUBTYPES[dtype.name],
        format="WAV" if size < _LARGEST else "RF64",
    ) as file:
        for _, _, native in row_blocks(recording, told):
            file.write(np.column_stack([v.astype(dtype, copy=False) for v in native]))
    lost = 'Names, units, scales and the start are not kept in WAV: give the setup name = "1", "2", ... by place.'
    return [lost]
