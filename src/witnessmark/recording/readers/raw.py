"""RAW: a line of JSON, then interleaved little-endian samples (raw_head.py), memory-mapped."""

from __future__ import annotations

import os
from collections.abc import Callable
from typing import Any

import numpy as np
from numpy.typing import NDArray

from witnessmark.recording.assemble import Draft, from_rate
from witnessmark.recording.columns import Column, Fetch, finite
from witnessmark.recording.model import Recording
from witnessmark.recording.naming import unique_names
from witnessmark.recording.readers.raw_head import HEAD_BYTES, RawHead, parse_head
from witnessmark.recording.trouble import count, refuse

FORMAT = "raw samples"
CUT = "The file was cut short within its last sample; it was read up to there."
Frames = Callable[[int, int], NDArray[Any]]
"""Frames [start, stop) as an array [frame, channel] of the head's type."""


def read(path: str) -> Recording:
    """Channels as the head names them, samples of the file's own type."""
    with open(path, "rb") as file:
        head = parse_head(path, file.read(HEAD_BYTES))
    if head is None:
        raise refuse(path, "ends within its head", "expected a line of JSON and samples behind it; record it again")
    body = os.path.getsize(path) - head.size
    return recording_of(path, head, mapped(path, head), body // head.frame_bytes, body % head.frame_bytes > 0)


def mapped(path: str, head: RawHead, first: int = 0) -> Frames:
    """Frames of a file from frame ``first`` on; the file may grow behind what is fetched."""

    def frames(start: int, stop: int) -> NDArray[Any]:
        shape = (stop - start, len(head.channels))
        at = head.size + (first + start) * head.frame_bytes
        return np.memmap(path, dtype=head.dtype, mode="r", offset=at, shape=shape)

    return frames


def recording_of(path: str, head: RawHead, frames: Frames, number: int, is_cut: bool, first: int = 0) -> Recording:
    """A recording of ``number`` frames, of which the first is frame ``first`` of its stream."""
    if number < 2:
        raise refuse(
            path, f"holds {count(number, 'sample')} a channel", "expected at least two to judge; record for longer"
        )
    names = unique_names([c.name for c in head.channels])
    native = head.dtype.newbyteorder("=")
    columns = tuple(
        Column(name, i + 1, native, number, _fetcher(frames, i, native, number), c.unit, c.gain, c.offset)
        for i, (name, c) in enumerate(zip(names, head.channels, strict=True))
    )
    start_s = head.start_s + first / head.rate_hz if head.rate_hz > 0 else head.start_s
    return from_rate(Draft(path, FORMAT, columns, cut=CUT if is_cut else "", lost=int(is_cut)), head.rate_hz, start_s)


def _fetcher(frames: Frames, channel: int, native: np.dtype[Any], number: int) -> Fetch:
    def fetch(start: int, stop: int) -> NDArray[Any]:
        start, stop = max(0, start), min(stop, number)
        if stop <= start:
            return np.empty(0, native)
        values = frames(start, stop)[:, channel].astype(native, copy=False)
        return finite(np.require(values, requirements=["C", "A"]))  # behind a head of any length

    return fetch
