"""A part of a recording, some channels and a stretch of time, as a recording of its own; nothing is copied."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from witnessmark.recording.model import Changes, ChannelInfo, Recording
from witnessmark.recording.trouble import refuse, shorten
from witnessmark.spans import Span

_NEAR = 1e-6  # of a sample: a limit this near to it is on it


def part_of(
    recording: Recording, names: Sequence[str] | None = None, from_s: float | None = None, to_s: float | None = None
) -> Recording:
    """The channels of these names (or places, "1", "2", ...) from ``from_s`` up to, not including, ``to_s``.

    Samples keep their times. A two-level channel begins with the level it has at ``from_s``. Raises BadRecording where
    a name is not there or the stretch holds no samples.
    """
    if names is None and from_s is None and to_s is None:
        return recording
    start_s = recording.start_s if from_s is None else from_s
    end_s = recording.end_s if to_s is None else to_s
    source = _Part(recording)
    channels: list[ChannelInfo] = []
    for k in _chosen(recording, names):
        info = source.add(k, start_s, end_s)
        if info is not None:
            channels.append(replace(info, position=len(channels) + 1) if names is not None else info)
    if not channels:
        whole = f"it lasts from {recording.start_s:.9g} s to {recording.end_s:.9g} s"
        wrong = f"holds no samples from {start_s:.9g} s to {end_s:.9g} s"
        raise refuse(recording.path, wrong, f"{whole}; choose a part of that")
    ends = [source.end_s(i, c) for i, c in enumerate(channels)]
    return replace(recording, channels=tuple(channels), source=source, end_s=max(ends))


def _chosen(recording: Recording, names: Sequence[str] | None) -> list[int]:
    if names is None:
        return list(range(len(recording.channels)))
    out = []
    for name in names:
        found = [k for k, c in enumerate(recording.channels) if c.name == name]
        found = found or [k for k, c in enumerate(recording.channels) if str(c.position) == name]
        if not found:
            there = ", ".join(shorten(c.name) for c in recording.channels)
            raise refuse(
                recording.path, f"has no channel {shorten(name)}", f"its channels are: {there}; choose of them"
            )
        out.append(found[0])
    return list(dict.fromkeys(out))


class _Part:
    """Samples and changes of a part, by places in the part."""

    def __init__(self, whole: Recording):
        self._whole = whole
        self._places: list[tuple[int, int]] = []  # (channel of the whole, its first sample here)
        self._changes: dict[int, Changes] = {}

    def add(self, index: int, start_s: float, end_s: float) -> ChannelInfo | None:
        """The next channel; None where the stretch holds nothing of it."""
        info = self._whole.channels[index]
        gaps = tuple(
            Span(max(g.start_s, start_s), min(g.end_s, end_s), g.reason)
            for g in info.gaps
            if g.start_s < end_s and g.end_s > start_s
        )
        if info.rate_hz is None:
            return self._add_changes(index, start_s, end_s, gaps)
        first, stop = (math.ceil((t - info.start_s) * info.rate_hz - _NEAR) for t in (start_s, end_s))
        first, stop = max(0, first), min(info.samples, stop)
        if stop <= first:
            return None
        self._places.append((index, first))
        return replace(info, samples=stop - first, start_s=info.time_of(first), gaps=gaps)

    def _add_changes(self, index: int, start_s: float, end_s: float, gaps: tuple[Span, ...]) -> ChannelInfo | None:
        whole = self._whole.source.changes(index)
        last = min(whole.end_s, end_s)
        a, b = np.searchsorted(whole.time_s, [start_s, end_s]).tolist()
        time_s, level = whole.time_s[a:b], whole.level[a:b]
        if a and (b == a or time_s[0] > start_s) and start_s < last:  # the level that holds at the start
            time_s, level = np.append(start_s, time_s), np.append(whole.level[a - 1], level)
        if not len(time_s):
            return None
        self._changes[len(self._places)] = Changes(time_s, level, last)
        self._places.append((index, 0))
        return replace(self._whole.channels[index], samples=len(time_s), start_s=float(time_s[0]), gaps=gaps)

    def end_s(self, index: int, info: ChannelInfo) -> float:
        """End of a channel of the part."""
        return self._changes[index].end_s if info.rate_hz is None else info.start_s + info.samples / info.rate_hz

    def read(self, index: int, start: int, stop: int) -> NDArray[Any]:
        """Native samples of the part."""
        if index in self._changes:
            return self._changes[index].level[start:stop]
        channel, first = self._places[index]
        return self._whole.source.read(channel, first + start, first + stop)

    def changes(self, index: int) -> Changes:
        """Changes of the part."""
        return self._changes[index]
