"""Thinned reading of slow lines (battery, current): enough samples for statistics, never the whole record at once."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from witnessmark.recording.model import Recording

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
    parts = list(thinned_pieces(recording, name, start_s, end_s, rate_hz))
    if len(parts) == 1:
        return parts[0]
    return tuple(np.concatenate(p) for p in zip(*parts, strict=True)) if parts else (np.empty(0), np.empty(0))  # type: ignore[return-value]


def thinned_pieces(
    recording: Recording, name: str, start_s: float, end_s: float, rate_hz: float = ENOUGH_HZ
) -> Iterator[tuple[Array, Array]]:
    """The same piece by piece, for what is too much to be held at once."""
    info = recording.info(name)
    if info.kind != "sampled" or info.rate_hz is None or end_s <= start_s:
        return
    step = max(1, int(info.rate_hz / rate_hz))
    first = max(0, int(np.ceil((start_s - info.start_s) * info.rate_hz)))
    last = min(info.samples, int(np.floor((end_s - info.start_s) * info.rate_hz)) + 1)
    chunk = max(step, _CHUNK // step * step)
    for at in range(first, last, chunk):
        raw = np.asarray(recording.read(name, at, min(at + chunk, last))[::step], dtype=np.float64)
        time = info.start_s + (at + step * np.arange(len(raw))) / info.rate_hz
        value = raw * info.gain + info.offset
        good = np.isfinite(value)
        yield (time, value) if good.all() else (time[good], value[good])


def smooth(value: Array, width: int) -> Array:
    """Centred moving mean over ``width`` samples; the ends use the samples there are."""
    if width <= 1 or len(value) == 0:
        return value
    total = np.concatenate(([0.0], np.cumsum(value)))
    i = np.arange(len(value))
    lo = np.maximum(i - width // 2, 0)
    hi = np.minimum(i + (width + 1) // 2, len(value))
    return np.asarray((total[hi] - total[lo]) / (hi - lo))
