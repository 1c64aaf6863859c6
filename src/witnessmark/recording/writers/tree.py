"""What HDF5 and Zarr share: an array a channel with its own clock and scale, and what is said of the whole."""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Any

from witnessmark.recording.columns import CHUNK
from witnessmark.recording.model import ChannelInfo, Recording
from witnessmark.recording.readers.told import ATTRIBUTE, told_text
from witnessmark.recording.writers.fit import Told

__all__ = ["ATTRIBUTE", "attributes", "changes_attributes", "paths", "pieces", "told_text"]


def paths(recording: Recording) -> list[str]:
    """A name for each channel that any file system can hold, different also where case does not matter."""
    out: list[str] = []
    for info in recording.channels:
        base = re.sub(r"[^\w +()\[\]-]", "_", info.name)[:80].strip() or f"channel {info.position}"
        name, n = base, 2
        while name.casefold() in {o.casefold() for o in out} or name.casefold() in ("c", "owner", "nul", "con", "aux"):
            name, n = f"{base} ({n})", n + 1
        out.append(name)
    return out


def attributes(info: ChannelInfo) -> dict[str, Any]:
    """Of the array of a sampled channel."""
    return {"name": info.name, "rate_hz": info.rate_hz, "start_s": info.start_s, **_scale(info)}


def changes_attributes(info: ChannelInfo, end_s: float) -> dict[str, Any]:
    """Of the array of levels of a two-level channel, which has its times beside it."""
    return {"name": info.name, "kind": "changes", "end_s": end_s, **_scale(info)}


def _scale(info: ChannelInfo) -> dict[str, Any]:
    return {"gain": info.gain, "offset": info.offset, "unit": info.unit}


def pieces(recording: Recording, index: int, told: Told) -> Iterator[tuple[int, Any]]:
    """(first sample, native samples) of a channel; tells how much of all channels that makes."""
    before = sum(c.samples for c in recording.channels[:index])
    total = sum(c.samples for c in recording.channels)
    samples = recording.channels[index].samples
    for start in range(0, samples, CHUNK):
        stop = min(start + CHUNK, samples)
        yield start, recording.source.read(index, start, stop)
        told((before + stop) / total)
