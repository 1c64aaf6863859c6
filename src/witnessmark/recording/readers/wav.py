"""WAV: PCM 8/16/24/32 bit and float, any number of channels, memory-mapped."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from witnessmark.recording.assemble import Draft, from_rate
from witnessmark.recording.columns import Column, Fetch, finite
from witnessmark.recording.model import Recording
from witnessmark.recording.readers.riff import FLOAT, Wave, read_header
from witnessmark.recording.trouble import count, refuse


def read(path: str) -> Recording:
    """Channels "1", "2", ...; native integers with the gain that makes full scale -1..+1 (8 bit is offset by 128)."""
    return from_wave(path, read_header(path))


def from_wave(path: str, wave: Wave, start_s: float = 0.0) -> Recording:
    """The recording of the samples that ``wave`` describes; ``start_s``: time in s of the first of them."""
    if wave.frames < 2:
        raise refuse(
            path, f"holds {count(wave.frames, 'sample')} a channel", "expected at least two to judge; record for longer"
        )
    frames = _map(path, wave)
    dtype, gain, offset = _native(wave)
    columns = tuple(
        Column(str(i + 1), i + 1, dtype, wave.frames, _fetcher(frames, wave, i), gain=gain, offset=offset)
        for i in range(wave.channels)
    )
    lost = max(0, (wave.declared or 0) - wave.frames)
    cut = f"The file was cut short: {lost} of {wave.declared} samples a channel are missing at its end." if lost else ""
    return from_rate(Draft(path, "WAV", columns, cut=cut, lost=lost), float(wave.rate_hz), start_s)


def _native(wave: Wave) -> tuple[np.dtype[Any], float, float]:
    """Type handed out, gain and offset."""
    if wave.tag == FLOAT:
        return np.dtype(np.float32 if wave.bits == 32 else np.float64), 1.0, 0.0
    if wave.bits == 8:
        return np.dtype(np.uint8), 1 / 128, -1.0
    return np.dtype(np.int16 if wave.bits == 16 else np.int32), 2.0 ** (1 - wave.bits), 0.0


def _map(path: str, wave: Wave) -> NDArray[Any]:
    """The frames [frame, channel] (24 bit: [frame, channel, byte]) as they lie in the file."""
    if wave.bits == 24:
        shape: tuple[int, ...] = (wave.frames, wave.channels, 3)
        return np.memmap(path, dtype=np.uint8, mode="r", offset=wave.data_at, shape=shape)
    kind = "f" if wave.tag == FLOAT else "u" if wave.bits == 8 else "i"
    dtype = np.dtype(f"<{kind}{wave.bits // 8}")
    return np.memmap(path, dtype=dtype, mode="r", offset=wave.data_at, shape=(wave.frames, wave.channels))


def _fetcher(frames: NDArray[Any], wave: Wave, channel: int) -> Fetch:
    def fetch(start: int, stop: int) -> NDArray[Any]:
        return finite(np.ascontiguousarray(frames[start:stop, channel]))

    def fetch_24(start: int, stop: int) -> NDArray[Any]:
        raw = np.asarray(frames[start:stop, channel])
        wide = np.zeros((len(raw), 4), dtype=np.uint8)
        wide[:, 1:] = raw  # the three bytes on top of an int32, then shifted down with their sign
        return wide.view("<i4")[:, 0] >> 8

    return fetch_24 if wave.bits == 24 else fetch
