"""The crossings of one sampled channel under given thresholds: drives the scan over chunks, exact for every size."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from witnessmark.recording.model import ChannelInfo, Recording
from witnessmark.signals import kernels
from witnessmark.signals.kernels import BLOCK, LONG_BLOCK
from witnessmark.signals.summary import Summary, gap_ranges, native


@dataclass(frozen=True)
class Thresholds:
    """Flip and timing levels in native units, one per window of ``window`` blocks (one for all: a single entry).

    A high line turns low below ``down``, a low one high above ``up``; the edge is timed at ``mid``.
    """

    down: NDArray[np.float64]
    mid: NDArray[np.float64]
    up: NDArray[np.float64]
    window: int

    @staticmethod
    def fixed(down: float, mid: float, up: float) -> Thresholds:
        """The same thresholds over the whole channel."""
        return Thresholds(np.array([down]), np.array([mid]), np.array([up]), 1 << 60)

    def mid_at(self, sample: NDArray[np.int64], shift: int) -> NDArray[np.float64]:
        """Timing level at these samples, for blocks of 2 ** ``shift`` samples."""
        return self.mid[(sample >> shift) // self.window] if len(self.mid) > 1 else np.full(len(sample), self.mid[0])


@dataclass(frozen=True)
class Crossings:
    """n crossings in order. The crossing lies between ``sample`` and the next one at ``fraction`` (0 <= f < 1).

    peak_before, peak_after [n]: largest distance from mid in the half waves before and after, native units.
    step [n]: size of the difference of the two samples around the crossing. first [n]: first after a gap or the start.
    """

    sample: NDArray[np.int64]
    fraction: NDArray[np.float64]
    rising: NDArray[np.bool_]
    first: NDArray[np.bool_]
    peak_before: NDArray[np.float64]
    peak_after: NDArray[np.float64]
    step: NDArray[np.float64]

    def __len__(self) -> int:
        """Number of crossings."""
        return len(self.sample)


class Scanner:
    """Feeds samples to the scan in order and keeps its state; ``feed`` may cut them anywhere."""

    def __init__(self, recording: Recording, info: ChannelInfo, summary: Summary, thresholds: Thresholds) -> None:
        """Start before the first sample, the level not known."""
        self._recording, self._info, self._summary, self._thresholds = recording, info, summary, thresholds
        self._state = np.array([0, 1], dtype=np.int64)
        self._peak = np.array([0.0, -1.0])
        size = min(1 << 12, info.samples) + LONG_BLOCK
        self._out = (
            np.empty(size, np.int64),
            np.empty((size, 2)),
            np.empty(size),
            np.empty(size),
            np.empty(size, np.uint8),
        )
        self._parts: list[tuple[NDArray[Any], ...]] = []

    def reset(self) -> None:
        """A gap: the level is unknown after it."""
        if self._state[0] != 0 and self._peak[1] < 0:
            self._peak[1] = self._peak[0]
        self._state[:] = (0, 1)
        self._peak[0] = 0.0

    def quiet(self, start: int, stop: int) -> bool:
        """True when no sample of [start, stop) can flip the line or end a gap: it need not be read."""
        s, t = self._summary, self._thresholds
        if len(t.mid) > 1 or self._state[0] == 0 or s.gaps:
            return False
        a, b = start // s.block // BLOCK, -(-stop // s.block // BLOCK)
        low, high = float(s.coarse[0][a:b].min()), float(s.coarse[1][a:b].max())
        if (low < t.down[0]) if self._state[0] > 0 else (high > t.up[0]):
            return False
        self._peak[0] = max(self._peak[0], high - t.mid[0] if self._state[0] > 0 else t.mid[0] - low)
        return True

    def feed(self, x: NDArray[Any], start: int) -> None:
        """Scan samples [start, start + len(x)) of the channel."""
        s, t = self._summary, self._thresholds
        pos = 0
        while pos < len(x):
            pos, k = kernels.scan(
                x, start, pos, s.shift, s.lo, s.hi, *s.coarse, s.flagged, s.gaps, t.down, t.mid, t.up, t.window,
                self._state, self._peak, *self._out,
            )  # fmt: skip
            if not k:
                continue
            sample, value, peak, tail, kind = (v[:k].copy() for v in self._out)
            part = sample, value, peak, kind, tail
            if sample.min() < 0:
                for i in np.flatnonzero(sample < 0):
                    self._look_back(part, int(i))
            self._parts.append(part)

    def _look_back(self, part: tuple[NDArray[Any], ...], i: int) -> None:
        """The crossing lies before the samples at hand: find its block in the summary and read it again."""
        s, t = self._summary, self._thresholds
        flip = -1 - int(part[0][i])
        rising = bool(part[3][i] & 1)
        stop = flip
        while stop > 0:
            b = (stop - 1) // s.block
            mid = t.mid[b // t.window]
            if s.flagged[b] or (s.lo[b] <= mid if rising else s.hi[b] >= mid):
                x = self._recording.read(self._info.name, b * s.block, flip + 1)
                near = x[: stop - b * s.block].astype(np.float64)
                found = np.flatnonzero(near <= mid if rising else near >= mid)
                if len(found):
                    j = int(found[-1])
                    part[0][i] = b * s.block + j
                    part[1][i] = float(x[j]), float(x[j + 1])
                    return
            stop = b * s.block
        raise AssertionError("a flip without a crossing before it")

    def result(self) -> Crossings:
        """All crossings fed so far."""
        empty = (np.empty(0, np.int64), np.empty((0, 2)), np.empty(0), np.empty(0, np.uint8), np.empty(0))
        sample, value, peak, kind, tail = (np.concatenate(p) for p in zip(*(self._parts or [empty]), strict=True))
        shift, mid_at = self._summary.shift, self._thresholds.mid_at
        d0 = value[:, 0] - mid_at(sample, shift)
        d1 = value[:, 1] - mid_at(sample + 1, shift)
        with np.errstate(invalid="ignore", divide="ignore"):
            fraction = np.where(d0 == d1, 0.0, d0 / (d0 - d1))
        last = self._peak[1] if self._peak[1] >= 0 else self._peak[0]
        after = np.append(np.where(tail[1:] >= 0, tail[1:], peak[1:]), last)[: len(peak)]
        below_one = np.nextafter(1.0, 0.0)
        return Crossings(
            sample,
            np.clip(fraction, 0.0, below_one),
            (kind & 1).astype(np.bool_),
            (kind & 2).astype(np.bool_),
            peak,
            after,
            np.abs(value[:, 1] - value[:, 0]),
        )


def find_crossings(
    recording: Recording, info: ChannelInfo, summary: Summary, thresholds: Thresholds, chunk: int
) -> Crossings:
    """Crossings of one sampled channel, ``chunk`` samples at a time; gaps reset the level."""
    scanner = Scanner(recording, info, summary, thresholds)
    at = 0
    for gap_start, gap_stop in [*gap_ranges(info), (info.samples, info.samples)]:
        for start in range(at, gap_start, chunk):
            stop = min(start + chunk, gap_start)
            if not scanner.quiet(start, stop):
                scanner.feed(native(recording.read(info.name, start, stop)), start)
        if gap_stop < info.samples:
            scanner.reset()
        at = gap_stop
    return scanner.result()
