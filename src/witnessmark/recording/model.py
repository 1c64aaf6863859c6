"""A recording as read: channels with their own clocks, native samples on demand, nothing resampled."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, Literal, Protocol

import numpy as np
from numpy.typing import NDArray

from witnessmark.spans import Span, merge


@dataclass(frozen=True, slots=True)
class ChannelInfo:
    """One line of the recorder. value = native * gain + offset, in ``unit``.

    kind "sampled": ``samples`` native values at start_s + i / rate_hz.
    kind "changes": ``samples`` level changes with exact times (two-level channel); rate_hz is None.
    gaps: stretches without usable samples (native value there is NaN on sampled float channels).
    """

    name: str
    position: int  # 1-based place in the file, time column not counted
    kind: Literal["sampled", "changes"]
    samples: int
    rate_hz: float | None
    start_s: float
    gain: float = 1.0
    offset: float = 0.0
    unit: str = ""
    gaps: tuple[Span, ...] = ()

    def time_of(self, sample: int | float) -> float:
        """Time in s of a (fractional) sample of a sampled channel."""
        if self.rate_hz is None:
            raise ValueError(f"{self.name} is a change list: its changes carry their own times")
        return self.start_s + sample / self.rate_hz


@dataclass(frozen=True, slots=True)
class Changes:
    """A two-level channel as a list of changes: ``level[i]`` (0/1) holds from ``time_s[i]`` to the next.

    Row 0 is the state at the start of the record (no edge); every later row is an edge.
    ``end_s`` is the end of the record.
    """

    time_s: NDArray[np.float64]
    level: NDArray[np.uint8]
    end_s: float


class Source(Protocol):
    """The open file behind a recording (level 2: data on demand)."""

    def read(self, index: int, start: int, stop: int) -> NDArray[Any]:
        """Native samples [start, stop) of channel ``index`` (0-based place in Recording.channels)."""
        ...

    def changes(self, index: int) -> Changes:
        """The changes of a two-level channel."""
        ...


@dataclass(frozen=True)
class Recording:
    """An open recording: the header now, the samples when asked for.

    ``cautions`` are sentences about the file itself (cut short, jittering clock, rows dropped).
    ``left_out``: names of columns that hold no numbers and are no channels. ``simulated``: whether the file says
    that no engine ran for it.
    """

    path: str
    channels: tuple[ChannelInfo, ...]
    source: Source
    end_s: float
    cautions: tuple[str, ...] = ()
    format: str = ""
    left_out: tuple[str, ...] = ()
    simulated: bool = False

    @property
    def start_s(self) -> float:
        """Earliest start of any channel in s."""
        return min(c.start_s for c in self.channels)

    @property
    def duration_s(self) -> float:
        """Time in s from the first to the end of the last sample."""
        return self.end_s - self.start_s

    def index(self, name: str) -> int:
        """0-based place of the channel with this name; KeyError if there is none."""
        for i, channel in enumerate(self.channels):
            if channel.name == name:
                return i
        raise KeyError(name)

    def info(self, name: str) -> ChannelInfo:
        """Header of the channel with this name."""
        return self.channels[self.index(name)]

    def read(self, name: str, start: int, stop: int) -> NDArray[Any]:
        """Native samples [start, stop) of a sampled channel, clipped to the channel's length."""
        i = self.index(name)
        stop = min(stop, self.channels[i].samples)
        return self.source.read(i, max(0, start), max(0, stop))

    def values(self, name: str, start: int, stop: int) -> NDArray[np.float64]:
        """Samples [start, stop) in the channel's unit."""
        info = self.info(name)
        return self.read(name, start, stop).astype(np.float64) * info.gain + info.offset

    def changes(self, name: str) -> Changes:
        """Changes of a two-level channel."""
        return self.source.changes(self.index(name))

    def recorded(self, name: str) -> tuple[float, float]:
        """Time in s from the first to behind the last sample of a channel: channels of one file may begin apart."""
        i = self.index(name)
        info = self.channels[i]
        if info.rate_hz is None:
            return info.start_s, self.source.changes(i).end_s
        return info.start_s, info.start_s + info.samples / info.rate_hz

    def unrecorded_s(self, name: str, start_s: float, end_s: float) -> float:
        """Seconds of a stretch in which a channel was not recorded: before it begins, after it ends, in its gaps."""
        first, last = self.recorded(name)
        missing = [Span(min(start_s, first), first), Span(last, max(end_s, last)), *self.info(name).gaps]
        inside = [Span(max(s.start_s, start_s), min(s.end_s, end_s)) for s in missing]
        return sum(s.end_s - s.start_s for s in merge([s for s in inside if s.end_s > s.start_s]))

    def chunks(self, name: str, size: int = 1 << 20) -> Iterator[tuple[int, NDArray[Any]]]:
        """(first sample, native samples) in order, ``size`` samples at a time."""
        total = self.info(name).samples
        for start in range(0, total, size):
            yield start, self.read(name, start, start + size)
