"""Thinned reading of slow lines (battery, current): enough samples for statistics, never the whole record at once."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from witnessmark.recording.model import ChannelInfo, Recording

Array = NDArray[np.float64]

# Cranking volts and amperes move with the compression events (some Hz) and the inrush notch (15 ms and more, published:
# ISO 7637-2 pulse 4 as quoted by a programmable-supply manual); 5 kHz puts 75 samples on the notch.
ENOUGH_HZ = 5000.0
_CHUNK = 1 << 20


def thinned(
    recording: Recording, name: str, start_s: float, end_s: float, rate_hz: float = ENOUGH_HZ
) -> tuple[Array, Array]:
    """(time in s, value in the channel's unit) of every n-th sample in [start, end); empty for change lists.

    NaN samples (gaps) are left out.
    """
    taken = _taken(recording.info(name), start_s, end_s, rate_hz)
    time, value, n = np.empty(len(taken)), np.empty(len(taken)), 0
    for when, what in thinned_pieces(recording, name, start_s, end_s, rate_hz):
        time[n : n + len(when)], value[n : n + len(what)] = when, what
        n += len(when)
    return time[:n], value[:n]


def _taken(info: ChannelInfo, start_s: float, end_s: float, rate_hz: float) -> range:
    """The samples that are taken."""
    if info.kind != "sampled" or info.rate_hz is None or end_s <= start_s:
        return range(0)
    first = max(0, int(np.ceil((start_s - info.start_s) * info.rate_hz)))
    last = min(info.samples, int(np.floor((end_s - info.start_s) * info.rate_hz)) + 1)
    return range(first, last, max(1, int(info.rate_hz / rate_hz)))


def thinned_pieces(
    recording: Recording, name: str, start_s: float, end_s: float, rate_hz: float = ENOUGH_HZ
) -> Iterator[tuple[Array, Array]]:
    """The same piece by piece, for what is too much to be held at once."""
    info = recording.info(name)
    taken = _taken(info, start_s, end_s, rate_hz)
    step, last = taken.step, taken.stop
    chunk = max(step, _CHUNK // step * step)
    for at in range(taken.start, last, chunk):
        assert info.rate_hz is not None
        raw = np.asarray(recording.read(name, at, min(at + chunk, last))[::step], dtype=np.float64)
        time = info.start_s + (at + step * np.arange(len(raw))) / info.rate_hz
        value = raw * info.gain + info.offset
        good = np.isfinite(value)
        yield (time, value) if good.all() else (time[good], value[good])


def smooth(value: Array, width: int) -> Array:
    """Centred moving mean over ``width`` samples; the ends use the samples there are."""
    if width <= 1 or len(value) == 0:
        return value
    n, before, after = len(value), width // 2, (width + 1) // 2
    total = np.concatenate(([0.0], np.cumsum(value)))
    out = np.empty(n)
    inner = slice(before, max(before, n - after + 1))
    if n >= width:
        out[inner] = (total[width:] - total[: n - width + 1]) / width
    ends = np.concatenate((np.arange(min(before, n)), np.arange(max(inner.stop, min(before, n)), n)))
    lo, hi = np.maximum(ends - before, 0), np.minimum(ends + after, n)
    out[ends] = (total[hi] - total[lo]) / (hi - lo)
    return out
