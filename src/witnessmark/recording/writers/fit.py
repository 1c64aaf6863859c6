"""What a table can hold, and how a recording is brought into one."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from witnessmark.recording.columns import CHUNK
from witnessmark.recording.model import ChannelInfo, Recording
from witnessmark.recording.naming import is_index, time_scale, unique_names
from witnessmark.recording.trouble import shorten

Told = Callable[[float], None]
_SAME_START = 1e-6  # of a sample: starts this near are the same


class Unfit(ValueError):
    """A format that cannot hold a recording; the text says why and what to do."""


@dataclass(frozen=True, slots=True)
class Table:
    """Columns on one clock. rows: of the longest. rate_hz: None for a list of changes, which has a time a row."""

    rate_hz: float | None
    start_s: float
    rows: int


def table_of(recording: Recording) -> Table:
    """The one clock of all channels; Unfit where they have several."""
    infos = recording.channels
    sampled = [c for c in infos if c.rate_hz is not None]
    if not sampled:
        return Table(None, recording.start_s, 0)
    first = sampled[0]
    rate = first.rate_hz or 1.0
    other = next((c for c in infos if c.rate_hz != rate or abs(c.start_s - first.start_s) * rate > _SAME_START), None)
    if other is not None:
        clocks = f"{_clock(first)}, {_clock(other)}"
        raise Unfit(
            f"a table has one clock, the channels have several ({clocks}); choose those of one clock with --channel, "
            "or write .h5 or .zarr, where each keeps its own"
        )
    return Table(rate, first.start_s, max(c.samples for c in infos))


def _clock(info: ChannelInfo) -> str:
    rate = "changes only" if info.rate_hz is None else f"{info.rate_hz:.9g} Hz"
    return f"{shorten(info.name)}: {rate} from {info.start_s:.9g} s"


def in_unit(info: ChannelInfo, native: NDArray[Any]) -> NDArray[Any]:
    """Values in the channel's unit; native samples where they are that already."""
    plain = native.view(np.uint8) if native.dtype == np.bool_ else native
    return plain if info.gain == 1.0 and info.offset == 0.0 else plain.astype(np.float64) * info.gain + info.offset


def row_blocks(recording: Recording, told: Told) -> Iterator[tuple[int, int, list[NDArray[Any]]]]:
    """(first row, stop row, native samples of each channel) of a table; a channel that ends early gives fewer."""
    rows = max(c.samples for c in recording.channels)
    for start in range(0, rows, CHUNK):
        stop = min(start + CHUNK, rows)
        yield (
            start,
            stop,
            [
                recording.source.read(k, min(start, c.samples), min(stop, c.samples))
                for k, c in enumerate(recording.channels)
            ],
        )
        told(stop / rows)


def changes_table(recording: Recording) -> tuple[NDArray[np.float64], list[NDArray[np.uint8]], list[NDArray[np.bool_]]]:
    """Times, levels, and whether there is a level, of a recording of changes only: a row wherever any line changes.

    The last row is the end of the record, where nothing changes.
    """
    lists = [recording.source.changes(k) for k in range(len(recording.channels))]
    gaps = [[g for g in c.gaps if g.end_s > g.start_s] for c in recording.channels]
    bounds = [t for of_one in gaps for g in of_one for t in (g.start_s, g.end_s)]
    time_s = np.unique(np.concatenate([*(c.time_s for c in lists), [recording.end_s], bounds]))
    time_s = time_s[time_s <= recording.end_s]
    levels, known = [], []
    for own, changes in zip(gaps, lists, strict=True):
        at = np.searchsorted(changes.time_s, time_s, side="right") - 1
        there = at >= 0
        for gap in own:
            there &= (time_s < gap.start_s) | (time_s >= gap.end_s)
        levels.append(changes.level[np.maximum(at, 0)])
        known.append(there)
    return time_s, levels, known


def plain_names(recording: Recording, taken: Sequence[str] = ()) -> tuple[list[str], list[str]]:
    """Names that no reader takes for a column of times, a row counter or one of ``taken``; and what was renamed."""
    wanted = []
    for name in (c.name for c in recording.channels):
        odd = name in taken or is_index(name) or time_scale(name) is not None
        wanted.append(f"line {name}" if odd else name)
    names = unique_names(wanted)
    pairs = zip(recording.channels, names, strict=True)
    return names, [f"Channel {shorten(c.name)} is called {shorten(n)} there." for c, n in pairs if n != c.name]
