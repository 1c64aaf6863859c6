"""One pass over a channel: the extremes of every block of samples, and a spread of sampled blocks for statistics.

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
from witnessmark.signals.kernels import BLOCK, LONG_BLOCK
from witnessmark.special import quantile

LONG_CHANNEL = 1 << 22
"""Samples from which a channel is summed up in long blocks."""

SAMPLED_BLOCKS = 256
"""Blocks sampled for noise and level statistics: 16,384 samples put 1 % quantiles within 0.08 % of their place."""

COARSE = 16
"""Where fewer steps than this make the whole span, a step may be a signal's own, not the converter's."""

NOISE_PER_D2 = 1.0 / (0.6745 * np.sqrt(6.0))
"""Standard deviation over the median absolute second difference (normal noise: 6 sigma^2 in variance)."""


@dataclass(frozen=True)
class Summary:
    """Block extremes of one sampled channel, native units.

    lo, hi [blocks] native type; flagged [blocks]: the block holds NaN or touches a gap. sampled [m, 64] native type:
    the first 64 samples of blocks without gaps at even distances; place [m]: which blocks they are. samples: length
    of the channel.
    """

    lo: NDArray[Any]
    hi: NDArray[Any]
    flagged: NDArray[np.bool_]
    sampled: NDArray[Any]
    place: NDArray[np.int64]
    samples: int
    rate_hz: float
    block: int  # samples a block

    @property
    def shift(self) -> int:
        """Binary logarithm of the block size."""
        return self.block.bit_length() - 1

    @cached_property
    def window(self) -> int:
        """Blocks in a window of about 20 ms: some teeth at cranking speed, short beside any drift of the levels."""
        blocks = max(4, round(0.02 * self.rate_hz / self.block))
        return blocks if blocks < 2 * BLOCK else round(blocks / BLOCK) * BLOCK

    @cached_property
    def gaps(self) -> bool:
        """Is any block flagged?"""
        return bool(self.flagged.any())

    @cached_property
    def coarse(self) -> tuple[NDArray[Any], NDArray[Any]]:
        """Minima and maxima of each 64 blocks."""
        return kernels.coarser(self.lo, self.hi)

    @cached_property
    def extremes(self) -> tuple[float, float]:
        """Minimum and maximum of the channel outside gaps; NaN where there are gaps only."""
        if not self.gaps:
            return float(self.coarse[0].min()), float(self.coarse[1].max())
        if self.flagged.all():
            return np.nan, np.nan
        return float(self.lo[~self.flagged].min()), float(self.hi[~self.flagged].max())

    @cached_property
    def window_lo(self) -> NDArray[np.float64]:
        """Minimum of each window, NaN where the window holds gaps only."""
        return self._windows(0, np.minimum, np.inf)

    @cached_property
    def window_hi(self) -> NDArray[np.float64]:
        """Maximum of each window, NaN where the window holds gaps only."""
        return self._windows(1, np.maximum, -np.inf)

    def _windows(self, which: int, ufunc: np.ufunc, empty: float) -> NDArray[np.float64]:
        values = (self.lo, self.hi)[which]
        starts = np.arange(0, len(values), self.window)
        if not self.gaps:
            if self.window % BLOCK == 0:
                values, starts = self.coarse[which], starts // BLOCK
            return np.asarray(ufunc.reduceat(values, starts), dtype=np.float64)
        out = np.asarray(ufunc.reduceat(np.where(self.flagged, empty, values), starts), dtype=np.float64)
        return np.where(np.isfinite(out), out, np.nan)

    def trend(self, points: int = 200) -> NDArray[np.float64]:
        """Middle of the line at even steps over its whole length, native units; NaN-free unless all gaps."""
        middle = 0.5 * (self.window_lo + self.window_hi)
        fine = np.flatnonzero(np.isfinite(middle))
        if not len(fine):
            return np.full(points, np.nan)
        return np.asarray(np.interp(np.linspace(0, len(middle) - 1, points), fine, middle[fine]))

    @cached_property
    def values(self) -> NDArray[Any]:
        """The sampled blocks' samples in order of size."""
        return np.sort(self.sampled.ravel(), kind="stable")  # radix sort on 8 and 16 bits

    @cached_property
    def quantum(self) -> float:
        """Step of the recorder's codes in native units; 0 where it cannot be told (continuous values, pure logic)."""
        changes = np.flatnonzero(self.values[1:] != self.values[:-1])
        if not len(changes) or len(changes) > 0.5 * len(self.values):
            return 0.0
        span = float(self.values[-1]) - float(self.values[0])
        steps = self.values[changes + 1].astype(np.float64) - self.values[changes]
        step = float(steps[steps > 1e-9 * span].min())
        return 0.0 if step * COARSE > span and not self._flickers() else step

    def _flickers(self) -> bool:
        """Of few values: do they change like the last bit of a converter, there and back within a sample, or like logic
        (a flank that takes two samples goes on the same way)?
        """
        up = self.sampled[:, 1:] > self.sampled[:, :-1]
        down = self.sampled[:, 1:] < self.sampled[:, :-1]
        there = (up[:, :-1] & down[:, 1:]) | (down[:, :-1] & up[:, 1:])
        back = there[:, 1:] | there[:, :-1]
        return bool(2 * np.count_nonzero(back) > np.count_nonzero((up | down)[:, 1:-1]))

    @cached_property
    def noise(self) -> float:
        """Noise (standard deviation, native units): second differences of the quieter quarter of sampled blocks, at
        least the rounding to codes.
        """
        rounding = self.quantum / float(np.sqrt(12.0))
        if not self.sampled.size or self.sampled.shape[1] < 3:
            return rounding
        x: NDArray[Any] = self.sampled.astype(np.float64 if self.sampled.dtype.itemsize > 4 else np.float32)
        d2 = np.abs(x[:, 2:] - 2 * x[:, 1:-1] + x[:, :-2])
        middle = d2.shape[1] // 2
        median = np.partition(d2, middle, axis=1)[:, middle].astype(np.float64)
        quieter = quantile(median, 0.25)
        if self.quantum > 0.0 and quieter < 4.0 * self.quantum:
            quieter = quantile(_grouped(d2, median, self.quantum), 0.25)
        return max(float(quieter * NOISE_PER_D2), rounding)


def _grouped(values: NDArray[Any], median: NDArray[np.float64], step: float) -> NDArray[np.float64]:
    """Medians of rows of sizes rounded to ``step``, each size spread evenly over what it was rounded from (the grouped
    median of handbooks): the bare one is a whole number of steps, off by up to half a step.
    """
    m = median[:, None]
    below = np.count_nonzero(values < m - 0.5 * step, axis=1)
    equal = np.maximum(np.count_nonzero(np.abs(values - m) <= 0.5 * step, axis=1), 1)
    low = np.maximum(median - 0.5 * step, 0.0)
    return np.asarray(low + (median + 0.5 * step - low) * (0.5 * values.shape[1] - below) / equal)


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
    """The samples as a contiguous array of a type the kernels are compiled for (no copy where it already is one)."""
    if x.dtype.kind == "b":
        x = x.view(np.int8)
    elif x.dtype.kind == "u" and x.dtype.itemsize == 2:
        x = x.astype(np.int32)
    elif x.dtype.kind in "iu" and x.dtype.itemsize >= 4 and x.dtype != np.int32:
        x = x.astype(np.float64)  # exact below 2 ** 53
    elif x.dtype.kind == "f" and x.dtype.itemsize not in (4, 8):
        x = x.astype(np.float32 if x.dtype.itemsize < 4 else np.float64)
    if not x.dtype.isnative:
        x = x.astype(x.dtype.newbyteorder("="))
    return np.ascontiguousarray(x)


def whole_blocks(chunk: int, block: int) -> int:
    """The chunk size rounded up to whole blocks."""
    return max(block, -(-chunk // block) * block)


def summarise(recording: Recording, info: ChannelInfo, chunk: int) -> Summary:
    """Read the channel once, ``chunk`` samples at a time (rounded up to whole blocks)."""
    assert info.rate_hz is not None
    size = LONG_BLOCK if info.samples >= LONG_CHANNEL else BLOCK
    blocks = -(-info.samples // size)
    stride = max(1, blocks // SAMPLED_BLOCKS)
    whole = info.samples // size
    sampled: NDArray[Any] = np.empty((0, BLOCK))
    flagged = np.zeros(blocks, dtype=np.bool_)
    lo = hi = np.empty(0)
    for start, raw in recording.chunks(info.name, whole_blocks(chunk, size)):
        x = native(raw)
        if start == 0:
            lo, hi = np.empty(blocks, x.dtype), np.empty(blocks, x.dtype)
            sampled = np.empty((-(-whole // stride), BLOCK) if whole else (1, len(x)), x.dtype)
        a = start // size
        b = a + len(x) // size
        kernels.block_extremes(x, size, lo[a:], hi[a:], flagged[a:])
        first, last = -(-a // stride), -(-b // stride)
        if last > first:
            rows = x[: (b - a) * size].reshape(-1, size)
            sampled[first:last] = rows[first * stride - a :: stride, :BLOCK]
    if not whole:
        sampled[0] = x
    for a, b in gap_ranges(info):
        flagged[a // size : -(-b // size)] = True
    place = np.arange(len(sampled), dtype=np.int64) * stride
    if flagged.any():
        clean = ~flagged[place]
        place, sampled = place[clean], sampled[clean]
    return Summary(lo, hi, flagged, sampled, place, info.samples, info.rate_hz, size)
