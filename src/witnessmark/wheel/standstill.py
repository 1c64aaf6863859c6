"""Edges that no turning wheel makes: noise on the line while the engine stands, long enough to pass for slow turns.

A crank's own mass smooths its speed from tooth to tooth; noise on a resting line comes at any time. Such a stretch is
told by both together: far slower than the engine turns in the rest of the record, and far rougher from tooth to tooth.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from witnessmark.spans import Span
from witnessmark.special import ROWS

WHY = "edges that follow no turning wheel, while the engine seems to stand"
# Slower than this share of the record's median speed, and than any starter turns a warm or a cold engine on the whole
# (common practice: 60 rpm is the end of what a flat battery does; a compression's slowest tooth may be slower still).
SLOW_SHARE, SLOW_RPM = 0.35, 90.0
# Median second difference of the log interval a degree: exact edges of a fine wheel give under 0.05, the noisiest of
# the open recordings 0.1 to 0.3 while its engine turns and 0.45 while it stands; exponential waits (noise) give 1.3.
ROUGH, ROUGHER = 0.35, 1.5
FINE_PITCH_DEG = 15.0  # coarser wheels step over a compression in a few teeth: their intervals are uneven by nature
WINDOW = 13  # intervals about one that are judged together
LEAST = 12  # intervals: fewer are a start or a run-down


def noisy(
    time_s: NDArray[np.float64], angle_deg: NDArray[np.float64], piece: NDArray[np.int64], pitch_deg: float
) -> NDArray[np.bool_]:
    """Which matches [p] lie in a stretch of noise at standstill (the teeth at its two ends stay)."""
    out = np.zeros(time_s.size, bool)
    if pitch_deg > FINE_PITCH_DEG or time_s.size < 3 * WINDOW:
        return out
    da, dt = np.diff(angle_deg), np.diff(time_s)
    same = (piece[1:] == piece[:-1]) & (da > 0) & (dt > 0)
    rate = np.where(same, np.divide(da, dt, out=np.ones_like(da), where=same), np.nan) / 6.0
    rough = np.full(rate.size, np.nan)
    rough[1:-1] = np.abs(np.diff(np.log(rate), 2))
    limit = min(SLOW_SHARE * float(np.nanmedian(rate)), SLOW_RPM)
    usual = float(np.nanmedian(rough))
    slow = _running(rate) < limit
    odd = slow & (_running(rough) > max(ROUGH, ROUGHER * usual))
    edge = np.flatnonzero(np.diff(np.concatenate(([0], odd.astype(np.int8), [0]))))
    for a, b in zip(edge[::2], edge[1::2], strict=True):
        lo, hi = int(a), int(b)
        while lo > 0 and rate[lo - 1] < limit:
            lo -= 1
        while hi < rate.size and rate[hi] < limit:
            hi += 1
        if hi - lo >= LEAST:
            out[lo + 1 : hi] = True
    return out


def without(time_s: NDArray[np.float64], stretches: tuple[Span, ...]) -> NDArray[np.float64]:
    """Edge times outside the stretches of noise."""
    keep = np.ones(time_s.size, bool)
    for span in stretches:
        if span.reason == WHY:
            keep &= (time_s < span.start_s) | (time_s > span.end_s)
    return time_s[keep]


def _running(values: NDArray[np.float64]) -> NDArray[np.float64]:
    """Running median over WINDOW intervals, not-a-number left out."""
    padded = np.pad(values, WINDOW // 2, mode="edge")
    windows = np.lib.stride_tricks.sliding_window_view(padded, WINDOW)
    out = np.full(values.size, np.nan)
    for start in range(0, values.size, ROWS):
        some = windows[start : start + ROWS]
        known = np.isfinite(some).any(axis=1)
        if known.any():
            out[start : start + ROWS][known] = np.nanmedian(some[known], axis=1)
    return out
