"""Raw samples behind a line of JSON: native samples with names, units, scales and the start."""

from __future__ import annotations

import functools

import numpy as np

from witnessmark.recording.model import Recording
from witnessmark.recording.readers.raw_head import SAMPLES, RawChannel, head_line
from witnessmark.recording.writers.fit import Told, Unfit, row_blocks, table_of

# the narrowest of the types that raw samples have, for those that they have not
_HELD = {"bool": "uint8", "uint32": "float64", "int64": "float64", "uint64": "float64", "float16": "float32"}


def write(path: str, recording: Recording, told: Told) -> list[str]:
    """Channels of one rate, begin and length; of several types, the one that holds them all."""
    table = table_of(recording)
    if table.rate_hz is None:
        raise Unfit("raw samples have a rate, changes have none; write .csv, .h5 or .zarr")
    if len({c.samples for c in recording.channels}) > 1:
        whole = min(c.start_s + c.samples / table.rate_hz for c in recording.channels)
        raise Unfit(f"raw samples are of one length; choose a part with --to {whole:.9g}, or --channel")
    types = [recording.source.read(k, 0, 0).dtype for k in range(len(recording.channels))]
    dtype = functools.reduce(np.promote_types, [np.dtype(_HELD.get(t.name, t.name)) for t in types])
    sample = _HELD.get(dtype.name, dtype.name)
    said = [RawChannel(c.name, c.unit, c.gain, c.offset) for c in recording.channels]
    with open(path, "wb") as file:
        file.write(head_line(table.rate_hz, sample, said, table.start_s))
        for _, _, native in row_blocks(recording, told):
            file.write(np.column_stack([v.astype(SAMPLES[sample], copy=False) for v in native]).tobytes())
    return []
