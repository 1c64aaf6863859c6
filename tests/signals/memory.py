"""A recording held in memory: a dict of arrays as channels, for tests that need no file."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from witnessmark.recording.model import Changes, ChannelInfo, Recording
from witnessmark.spans import Span


class MemorySource:
    """Arrays (sampled) and Changes by place; counts the samples read and remembers the longest read."""

    def __init__(self, channels: list[NDArray[Any] | Changes]) -> None:
        self._channels = channels
        self.longest = 0
        self.total = 0

    def read(self, index: int, start: int, stop: int) -> NDArray[Any]:
        found = self._channels[index]
        assert isinstance(found, np.ndarray)
        out = found[start:stop]
        self.longest = max(self.longest, len(out))
        self.total += len(out)
        return out

    def changes(self, index: int) -> Changes:
        found = self._channels[index]
        assert isinstance(found, Changes)
        return found


def record(
    channels: dict[str, NDArray[Any] | Changes],
    rate_hz: float = 100_000.0,
    gain: float | dict[str, float] = 1.0,
    offset: float = 0.0,
    start_s: float = 0.0,
    units: dict[str, str] | None = None,
    gaps: tuple[Span, ...] = (),
    fmt: str = "memory",
) -> Recording:
    """A recording of these channels, all with one clock."""
    infos = []
    end_s = start_s
    for position, (name, data) in enumerate(channels.items(), start=1):
        if isinstance(data, Changes):
            infos.append(ChannelInfo(name, position, "changes", len(data.time_s), None, float(data.time_s[0])))
            end_s = max(end_s, data.end_s)
        else:
            own = gain[name] if isinstance(gain, dict) else gain
            unit = (units or {}).get(name, "V")
            infos.append(ChannelInfo(name, position, "sampled", len(data), rate_hz, start_s, own, offset, unit, gaps))
            end_s = max(end_s, start_s + len(data) / rate_hz)
    return Recording("memory", tuple(infos), MemorySource(list(channels.values())), end_s, (), fmt)
