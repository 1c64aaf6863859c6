"""Parts of one file that run on clocks of their own become one recording; nothing is resampled."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from witnessmark.errors import BadRecording
from witnessmark.recording.model import Changes, ChannelInfo, Recording
from witnessmark.recording.naming import unique_names
from witnessmark.recording.trouble import shorten


class JoinedSource:
    """Channels of several open parts, one after the other."""

    def __init__(self, parts: Sequence[Recording], places: Sequence[tuple[int, int]]):
        """``places``: (part, index within it) of each channel."""
        self._parts, self._places = tuple(parts), tuple(places)

    def read(self, index: int, start: int, stop: int) -> NDArray[Any]:
        """Native samples [start, stop) of a channel."""
        part, own = self._places[index]
        return self._parts[part].source.read(own, start, stop)

    def changes(self, index: int) -> Changes:
        """The changes of a two-level channel."""
        part, own = self._places[index]
        return self._parts[part].source.changes(own)


def joined(parts: Sequence[Recording], order: Sequence[Sequence[int]] | None = None) -> Recording:
    """One recording of the channels of all parts (at least one) of a file.

    order: the place in the file of each part's channels; without it the parts follow one another. Says where channels
    do not begin or end together: a stretch in which only some of them were recorded is no fault of a line.
    """
    if len(parts) == 1:
        return parts[0]
    places = [(p, i) for p, part in enumerate(parts) for i in range(len(part.channels))]
    if order is not None:
        places.sort(key=lambda place: order[place[0]][place[1]])
    names = unique_names([parts[p].channels[i].name for p, i in places])
    channels = tuple(
        replace(parts[p].channels[i], name=name, position=n)
        for n, ((p, i), name) in enumerate(zip(places, names, strict=True), start=1)
    )
    ends = [_end(parts[p], parts[p].channels[i]) for p, i in places]
    cautions = list(dict.fromkeys(c for part in parts for c in part.cautions))
    return Recording(
        parts[0].path,
        channels,
        JoinedSource(parts, places),
        max(part.end_s for part in parts),
        (*cautions, *_apart(channels, ends)),
        parts[0].format,
        tuple(n for part in parts for n in part.left_out),
        any(part.simulated for part in parts),
    )


def _end(part: Recording, channel: ChannelInfo) -> float:
    return part.end_s if channel.rate_hz is None else channel.start_s + channel.samples / channel.rate_hz


def _apart(channels: Sequence[ChannelInfo], ends: Sequence[float]) -> list[str]:
    """What is to be said where channels begin or end more than two samples (of the slowest clock) apart."""
    slack = 2.0 / min((c.rate_hz for c in channels if c.rate_hz), default=np.inf)
    starts = [c.start_s for c in channels]
    out = []
    for what, times, first, verb in (
        ("begin", starts, np.argmin(starts), "later than"),
        ("end", ends, np.argmax(ends), "before"),
    ):
        off = [i for i, t in enumerate(times) if abs(t - times[int(first)]) > slack]
        if off:
            some = ", ".join(f"{shorten(channels[i].name)} at {times[i]:.6g} s" for i in off[:4])
            more = f" and {len(off) - 4} more" if len(off) > 4 else ""
            out.append(
                f"Channels do not {what} together: {some}{more}, {verb} {shorten(channels[int(first)].name)} "
                f"at {times[int(first)]:.6g} s; nothing is said of a line where it was not recorded."
            )
    return out


def join_readable(
    path: str, makers: Sequence[tuple[str, Callable[[], Recording]]], order: Sequence[Sequence[int]] | None = None
) -> Recording:
    """The parts (name, how to open it) that can be judged; the others are left out, and it is said why.

    Raises the first part's BadRecording where none can.
    """
    parts, kept, cautions, first = [], [], [], None
    for k, (name, make) in enumerate(makers):
        try:
            parts.append(make())
            kept.append(k)
        except BadRecording as exc:
            first = first or exc
            cautions.append(f"{shorten(name)} is left out: {str(exc).removeprefix(f'{path}: ')}.")
    if first is not None and not parts:
        raise first
    whole = joined(parts, None if order is None else [order[k] for k in kept])
    return replace(whole, cautions=(*whole.cautions, *cautions))
