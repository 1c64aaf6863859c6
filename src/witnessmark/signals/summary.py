"""One pass over a channel: the extremes of every block of 64 samples, and a spread of sampled blocks for statistics.

The summary holds 1/32 of the channel; thresholds, level maps and the choice of blocks worth a look come from it.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from witnessmark.recording.model import ChannelInfo, Recording
from witnessmark.signals import kernels
from witnessmark.signals.kernels import BLOCK

SAMPLED_BLOCKS = 1024
"""Blocks kept whole for noise and level statistics: 65,536 samples put 1 % quantiles within 0.04 % of their place."""


@dataclass(frozen=True)
class Summary:
    """Block extremes of one sampled channel, native units.

    lo, hi [blocks] native type; flagged [blocks]: the block holds NaN or touches a gap. sampled [m, 64] float64:
    whole blocks at even distances (NaN where gaps). samples: length of the channel.
    """

    lo: NDArray[Any]
    hi: NDArray[Any]
    flagged: NDArray[np.bool_]
    sampled: NDArray[np.float64]
    samples: int
    rate_hz: float

    @cached_property
    def window(self) -> int:
        """Blocks in a window of about 20 ms: some teeth at cranking speed, short beside any drift of the levels."""
        return max(4, round(0.02 * self.rate_hz / BLOCK))

    @cached_property
    def window_lo(self) -> NDArray[np.float64]:
        """Minimum of each window, NaN where the window holds gaps only."""
        return self._windows(self.lo, np.minimum, np.inf)

    @cached_property
    def window_hi(self) -> NDArray[np.float64]:
        """Maximum of each window, NaN where the window holds gaps only."""
        return self._windows(self.hi, np.maximum, -np.inf)

    def _windows(self, values: NDArray[Any], ufunc: np.ufunc, empty: float) -> NDArray[np.float64]:
        starts = np.arange(0, len(values), self.window)
        if not self.flagged.any():
            return np.asarray(ufunc.reduceat(values, starts), dtype=np.float64)
        out = np.asarray(ufunc.reduceat(np.where(self.flagged, empty, values), starts), dtype=np.float64)
        return np.where(np.isfinite(out), out, np.nan)

    @cached_property
    def values(self) -> NDArray[np.float64]:
        """The sampled blocks' finite samples, one row."""
        flat = self.sampled.ravel()
        return flat[np.isfinite(flat)]


def gap_ranges(info: ChannelInfo) -> list[tuple[int, int]]:
    """The channel's gaps as sample ranges [start, stop), in order."""
    assert info.rate_hz is not None
    out = []
    for gap in sorted(info.gaps, key=lambda s: s.start_s):
        a = int(np.ceil((gap.start_s - info.start_s) * info.rate_hz - 1e-6))
        b = int(np.ceil((gap.end_s - info.start_s) * info.rate_hz - 1e-6))
        a, b = max(a, 0), min(max(b, 0), info.samples)
        if b > a:
            out.append((a, b))
    return out


def native(x: NDArray[Any]) -> NDArray[Any]:
    """The samples as a contiguous array of a type the kernels know (no copy where it already is)."""
    if x.dtype.kind == "b":
        x = x.view(np.uint8)
    elif x.dtype.kind == "f" and x.dtype.itemsize not in (4, 8):
        x = x.astype(np.float32 if x.dtype.itemsize < 4 else np.float64)
    if not x.dtype.isnative:
        x = x.astype(x.dtype.newbyteorder("="))
    return np.ascontiguousarray(x)


def whole_blocks(chunk: int) -> int:
    """The chunk size rounded up to whole blocks."""
    return max(BLOCK, -(-chunk // BLOCK) * BLOCK)


def summarise(recording: Recording, info: ChannelInfo, chunk: int) -> Summary:
    """Read the channel once, ``chunk`` samples at a time (rounded up to whole blocks)."""
    assert info.rate_hz is not None
    blocks = -(-info.samples // BLOCK)
    stride = max(1, blocks // SAMPLED_BLOCKS)
    kept = np.arange(0, max(1, info.samples // BLOCK), stride) if info.samples >= BLOCK else np.arange(0)
    sampled = np.full((max(1, len(kept)), BLOCK), np.nan)
    flagged = np.zeros(blocks, dtype=np.bool_)
    lo = hi = np.empty(0)
    for start, raw in recording.chunks(info.name, whole_blocks(chunk)):
        x = native(raw)
        if start == 0:
            lo, hi = np.empty(blocks, x.dtype), np.empty(blocks, x.dtype)
        a = start // BLOCK
        b = a - (-len(x) // BLOCK)
        kernels.block_extremes(x, lo[a:b], hi[a:b], flagged[a:b])
        inside = np.flatnonzero((kept >= a) & (kept < b))
        places = ((kept[inside] - a) * BLOCK)[:, None] + np.arange(BLOCK)
        if len(kept):
            sampled[inside] = x[places]
        else:
            sampled[0, : len(x)] = x
    for a, b in gap_ranges(info):
        flagged[a // BLOCK : -(-b // BLOCK)] = True
        sampled[np.flatnonzero((kept >= a // BLOCK) & (kept < -(-b // BLOCK)))] = np.nan
    return Summary(lo, hi, flagged, sampled, info.samples, info.rate_hz)
