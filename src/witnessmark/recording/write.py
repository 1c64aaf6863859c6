"""Write samples that are in memory as a recording: the simulator's way out. A file is there whole or not at all."""

from __future__ import annotations

import os
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from witnessmark.recording.assemble import GridSource
from witnessmark.recording.clock import even_clock
from witnessmark.recording.columns import Column
from witnessmark.recording.export import WRITERS, write_whole
from witnessmark.recording.model import ChannelInfo, Recording

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
    simulated: bool = False,
) -> None:
    """Write equally long channels sampled at ``rate_hz`` in the format of the suffix, as :mod:`.export` does.

    value = sample * gain + offset in ``units``. NPZ, HDF5 and Zarr keep native samples with gain and offset beside
    them; Parquet, Arrow and text hold values where a gain or offset is given. WAV holds the native samples as they are
    (float samples should lie within -1..+1) and cannot hold names, units, gains or a start.
    Only NPZ says that it is ``simulated``.

    Raises ValueError for an unknown suffix, channels of unequal length or a rate the format cannot hold.
    """
    target = Path(path)
    if target.suffix.lower() not in WRITERS:
        suffix = target.suffix or "without a suffix"
        raise ValueError(f"{target.name}: cannot write {suffix}; use one of {' '.join(WRITERS)}")
    if not channels or len({len(v) for v in channels.values()}) != 1:
        raise ValueError(f"{target.name}: needs at least one channel, all of the same length")
    units, gains, offsets = units or {}, gains or {}, offsets or {}
    infos, columns = [], []
    for k, (name, samples) in enumerate(channels.items(), start=1):
        array = np.asarray(samples)
        scale = gains.get(name, 1.0), offsets.get(name, 0.0)
        infos.append(ChannelInfo(name, k, "sampled", len(array), rate_hz, start_s, *scale, units.get(name, "")))
        columns.append(Column(name, k, array.dtype, len(array), lambda a, b, array=array: array[a:b]))
    end_s = start_s + len(array) / rate_hz
    source = GridSource(columns, [even_clock(len(array), rate_hz, start_s)] * len(columns))
    head = Recording(os.fspath(path), tuple(infos), source, end_s, simulated=simulated)
    write_whole(os.fspath(path), head, lambda _: None)
