"""Compiled inner loops over raw samples: block extremes, the crossing scan, runs at the clip limits.

Everything works on the native sample type; only single samples are turned into floats. Blocks of 64 (or, in long
channels, 256) samples are counted from sample 0 of the channel, so nothing here depends on how the samples were cut
into chunks.
"""

from __future__ import annotations

from typing import Any

import numba as nb
import numpy as np
from numpy.typing import NDArray

from witnessmark.signals.lanes import LANES, LINE_BYTES, ask_for, stays_high, stays_low

BLOCK = 64
"""Samples a block: a cache line of the narrowest type; longer blocks cost more samples looked at around each edge."""

LONG_BLOCK = 256
"""The same in long channels, where the pass over all samples counts: 0.87 instead of 0.73 of numpy.max's speed
(measured, int16 beyond the caches)."""


AHEAD = 24
"""Blocks ahead whose samples are asked for, where they will be looked into: memory answers within some looks. It
halves the time an edge takes in channels far longer than the caches (measured, int16)."""


@nb.njit(cache=True, nogil=True)
def _extremes_short(x: Any, lo: Any, hi: Any) -> None:
    for b in range(x.size // 64):
        p = b * 64
        low = x[p]
        high = x[p]
        for j in range(64):  # constant length: the compiler turns this into vector minima and maxima
            v = x[p + j]
            low = min(low, v)
            high = max(high, v)
        lo[b] = low
        hi[b] = high


@nb.njit(cache=True, nogil=True)
def _extremes_long(x: Any, lo: Any, hi: Any) -> None:
    lows = np.empty(64, x.dtype)
    highs = np.empty(64, x.dtype)
    for b in range(x.size // 256):
        p = b * 256
        for j in range(64):  # 64 lanes first, so that the costly step across lanes is done once a block
            v0 = x[p + j]
            v1 = x[p + 64 + j]
            v2 = x[p + 128 + j]
            v3 = x[p + 192 + j]
            lows[j] = min(min(v0, v1), min(v2, v3))
            highs[j] = max(max(v0, v1), max(v2, v3))
        low = lows[0]
        high = highs[0]
        for j in range(64):
            low = min(low, lows[j])
            high = max(high, highs[j])
        lo[b] = low
        hi[b] = high


@nb.njit(cache=True, nogil=True)
def _careful(x: Any, p: int, stop: int, lo: Any, hi: Any, flagged: Any, b: int) -> None:
    """Extremes of a block that may be short or hold NaN or infinities; then it is flagged and they are the rest's."""
    seen = False
    for j in range(p, stop):
        v = x[j]
        if v - v != 0:
            flagged[b] = True
            continue
        if not seen:
            lo[b] = v
            hi[b] = v
            seen = True
        lo[b] = min(lo[b], v)
        hi[b] = max(hi[b], v)
    if not seen:
        lo[b] = 0
        hi[b] = 0


@nb.njit(cache=True, nogil=True)
def _mend_holes(x: Any, size: int, lo: Any, hi: Any, flagged: Any) -> None:
    """Look again, sample by sample, at blocks with NaN or infinities."""
    for b in range(x.size // size):
        holes = 0
        for j in range(b * size, (b + 1) * size):
            holes += x[j] - x[j] != 0  # NaN or infinite
        if holes:
            _careful(x, b * size, (b + 1) * size, lo, hi, flagged, b)


def block_extremes(x: NDArray[Any], size: int, lo: NDArray[Any], hi: NDArray[Any], flagged: NDArray[np.bool_]) -> None:
    """Fill ``lo``/``hi``/``flagged`` (one per started block of ``size`` samples, 64 or 256); ``x`` starts a block."""
    (_extremes_short if size == BLOCK else _extremes_long)(x, lo, hi)
    if x.dtype.kind == "f":
        _mend_holes(x, size, lo, hi, flagged)
    full = x.size // size
    if full * size < x.size:
        _careful(x, full * size, x.size, lo, hi, flagged, full)


def coarser(lo: NDArray[Any], hi: NDArray[Any]) -> tuple[NDArray[Any], NDArray[Any]]:
    """Extremes of each 64 blocks."""
    n = -(-lo.size // BLOCK)
    low, high, spare = np.empty(n, lo.dtype), np.empty(n, hi.dtype), np.empty(n, lo.dtype)
    free = np.empty(n, np.bool_)
    block_extremes(lo, BLOCK, low, spare, free)
    block_extremes(hi, BLOCK, spare, high, free)
    return low, high


@nb.njit(cache=True, nogil=True)
def _last_beyond(
    x: Any, start: int, p: int, shift: int, falling: bool, lo: Any, hi: Any, flagged: Any, mid: Any, win: int
) -> int:
    """Last place before ``p`` in ``x`` on the side being left (at or above mid when falling); -1 if not in ``x``."""
    j = p - 1
    while j >= 0:
        b = (start + j) >> shift
        m = mid[b // win]
        first = max((b << shift) - start, 0)
        skip = not flagged[b] and ((falling and hi[b] < m) or (not falling and lo[b] > m))
        while not skip and j >= first:
            v = np.float64(x[j])
            if (falling and v >= m) or (not falling and v <= m):
                return j
            j -= 1
        j = first - 1
    return -1


@nb.njit(cache=True, nogil=True, inline="always")
def _look(x: Any, p: int, level: float, most: int, side: int) -> Any:
    """How many of 64 samples from ``p`` stay on a side, at most ``most``, and the farthest of them."""
    if side > 0:
        stays, far = stays_high(x, p, level, most)
    else:
        stays, far = stays_low(x, p, level, most)
    return stays, np.float64(far)


@nb.njit(cache=True, nogil=True)
def _stay_high(y: Any, down: float) -> Any:
    """How many samples from the first stay at or above ``down`` (NaN does not), and the largest of them."""
    top = down
    for j in range(y.size):
        v = np.float64(y[j])
        if not (v >= down and v < np.inf):
            return j, top
        top = max(top, v)
    return y.size, top


@nb.njit(cache=True, nogil=True)
def _stay_low(y: Any, up: float) -> Any:
    """How many samples from the first stay at or below ``up`` (NaN does not), and the smallest of them."""
    bottom = up
    for j in range(y.size):
        v = np.float64(y[j])
        if not (v <= up and v > -np.inf):
            return j, bottom
        bottom = min(bottom, v)
    return y.size, bottom


@nb.njit(cache=True, nogil=True)
def scan(
    x: Any,
    start: int,
    pos: int,
    shift: int,
    lo: Any,
    hi: Any,
    coarse_lo: Any,
    coarse_hi: Any,
    flagged: Any,
    gaps: bool,
    dn: Any,
    mid: Any,
    up: Any,
    win: int,
    state: Any,
    peak_state: Any,
    out_sample: Any,
    out_value: Any,
    out_peak: Any,
    out_tail: Any,
    out_kind: Any,
) -> tuple[int, int]:
    """Schmitt flips of ``x`` (samples start.. of the channel) from place ``pos``: (next place, number found).

    A block (or 64 of them: ``coarse_lo``, ``coarse_hi``) is looked into only when its extremes reach the opposite
    threshold or it holds NaN, which skips nothing that a sample-by-sample pass would find. ``state``: [side (-1, 0,
    +1), next edge is first after a gap]; ``peak_state``: [largest distance from mid in this half wave, the same of the
    half wave a gap cut off (-1: none)]. Each flip gives the sample before the last crossing of mid in ``out_sample``
    (or -1 - flip place where that lies before ``x``), the two sample values around it, the half wave's peak, the peak
    of the half wave a gap cut off before it, and a kind: bit 0 rising, bit 1 first after a gap.
    """
    n = x.size
    k = 0
    p = pos
    side = state[0]
    first = state[1]
    peak = peak_state[0]
    tail = peak_state[1]
    window_end = -1  # first block of the next window
    line = LINE_BYTES // x.itemsize
    d = m = u = 0.0
    while p < n:
        b = (start + p) >> shift
        if b & 63 == 0 and not gaps and b + 64 <= window_end and ((b + 64) << shift) - start <= n:
            c = b >> 6
            if side > 0 and coarse_lo[c] >= d:
                peak = max(peak, coarse_hi[c] - m)
                p = ((b + 64) << shift) - start
                continue
            if side < 0 and coarse_hi[c] <= u:
                peak = max(peak, m - coarse_lo[c])
                p = ((b + 64) << shift) - start
                continue
        end = min(((b + 1) << shift) - start, n)
        if b >= window_end:
            w = b // win
            window_end = (w + 1) * win
            d = dn[w]
            m = mid[w]
            u = up[w]
        ahead = b + AHEAD
        if ahead < lo.size and lo[ahead] < d and hi[ahead] > u and ((ahead + 1) << shift) - start <= n:
            for q in range((ahead << shift) - start, ((ahead + 1) << shift) - start, line):
                ask_for(x, q)
        if not gaps or not flagged[b]:
            if side > 0 and lo[b] >= d:
                peak = max(peak, hi[b] - m)
                p = end
                continue
            if side < 0 and hi[b] <= u:
                peak = max(peak, m - lo[b])
                p = end
                continue
            if side == 0 and lo[b] >= d and hi[b] <= u:
                p = end
                continue
        if k + 256 > out_sample.size:
            break
        whole = not (gaps and flagged[b])
        while p < end:
            if side != 0:  # the side the line is on, as far as it lasts
                if whole and p + LANES <= n:
                    stays, far = _look(x, p, d if side > 0 else u, end - p, side)
                else:
                    stop = min(p + LANES, end)
                    stays, far = _stay_high(x[p:stop], d) if side > 0 else _stay_low(x[p:stop], u)
                if stays:
                    peak = max(peak, far - m if side > 0 else m - far)
                    p += stays
                    if p == end or stays == LANES:
                        continue
            v = np.float64(x[p])
            if v - v != 0.0:
                if side != 0 and tail < 0:
                    tail = peak
                side = 0
                first = 1
                peak = 0.0
            elif side != 0:
                falling = side > 0
                j = _last_beyond(x, start, p, shift, falling, lo, hi, flagged, mid, win)
                if j >= 0:
                    out_sample[k] = start + j
                    out_value[k, 0] = x[j]
                    out_value[k, 1] = x[j + 1]
                else:
                    out_sample[k] = -1 - (start + p)
                out_peak[k] = peak
                out_tail[k] = tail
                tail = -1.0
                out_kind[k] = (0 if falling else 1) + 2 * first
                k += 1
                first = 0
                side = -side
                peak = abs(v - m)
            elif v > u or v < d:
                side = 1 if v > u else -1
                peak = abs(v - m)
            p += 1
    state[0] = side
    state[1] = first
    peak_state[0] = peak
    peak_state[1] = tail
    return p, k


@nb.njit(cache=True, nogil=True)
def clipped_runs(
    x: Any, start: int, shift: int, lo: Any, hi: Any, low: float, high: float, near: float, state: Any
) -> int:
    """Samples in runs of 3 or more at the extreme codes ``low``/``high``, entered with a step, not by a gentle top.

    The gentle top of an unclipped wave dwells about a fifth of the run's length at the codes just before the extreme;
    a clipped one passes them in a step. Only blocks that reach an extreme are looked into. ``state``: [run length, its
    side, samples near the extreme just before the run].
    """
    run = state[0]
    side = state[1]
    before = state[2]
    total = 0
    p = 0
    n = x.size
    while p < n:
        b = (start + p) >> shift
        if run == 0 and lo[b] > low and hi[b] < high:
            before = 0
            p = min(((b + 1) << shift) - start, n)
            continue
        v = np.float64(x[p])
        at = 1 if v >= high else (-1 if v <= low else 0)
        if run > 0 and at != side:
            if run >= 3 and before * 8 < run:
                total += run
            run = 0
            before = 0
        if at != 0:
            side = at
            run += 1
        elif v >= high - near or v <= low + near:
            before += 1
        else:
            before = 0
        p += 1
    state[0] = run
    state[1] = side
    state[2] = before
    return total
