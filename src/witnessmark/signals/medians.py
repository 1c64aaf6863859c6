"""Compiled medians: rolling, at chosen places, and of the block extremes of a window."""

from __future__ import annotations

from typing import Any

import numba as nb
import numpy as np


@nb.njit(cache=True, nogil=True)
def rolling_median(values: Any, half: int) -> Any:
    """Median of each value and its ``half`` neighbours on either side (fewer at the ends); NaN values are left out."""
    n = values.size
    out = np.full(n, np.nan)
    window = np.empty(2 * half + 1)
    count = 0
    for i in range(-half, n):
        leaving = i - half - 1
        if leaving >= 0 and values[leaving] == values[leaving]:
            k = 0
            while window[k] != values[leaving]:
                k += 1
            count -= 1
            for q in range(k, count):
                window[q] = window[q + 1]
        entering = i + half
        if 0 <= entering < n and values[entering] == values[entering]:
            q = count
            while q > 0 and window[q - 1] > values[entering]:
                window[q] = window[q - 1]
                q -= 1
            window[q] = values[entering]
            count += 1
        if i >= 0 and count:
            out[i] = 0.5 * (window[(count - 1) // 2] + window[count // 2])
    return out


@nb.njit(cache=True, nogil=True)
def window_levels(
    lo: Any, hi: Any, flagged: Any, window: int, which: Any, usual_mid: float, usual_swing: float, low: Any, high: Any
) -> None:
    """Low and high level of the windows ``which``: medians of the block minima below and the block maxima above the
    middle between the window's extremes; where that gives no likely swing (a spike makes the extreme), of the usual
    middle. A window counts with the block after it; NaN where neither works or it holds gaps only.
    """
    bottoms = np.empty(window + 1)
    tops = np.empty(window + 1)
    for w in which:
        count = 0
        for b in range(w * window, min((w + 1) * window + 1, lo.size)):
            if not flagged[b]:
                bottoms[count] = lo[b]
                tops[count] = hi[b]
                count += 1
        low[w] = np.nan
        high[w] = np.nan
        if count == 0:
            continue
        b_sorted = np.sort(bottoms[:count])
        t_sorted = np.sort(tops[:count])
        for middle in (0.5 * (b_sorted[0] + t_sorted[count - 1]), usual_mid):
            below = np.searchsorted(b_sorted, middle, side="right")
            above = np.searchsorted(t_sorted, middle, side="left")
            if below == 0 or above == count:
                continue
            bottom = 0.5 * (b_sorted[(below - 1) // 2] + b_sorted[below // 2])
            left = count - above
            top = 0.5 * (t_sorted[above + (left - 1) // 2] + t_sorted[above + left // 2])
            if 0.4 * usual_swing < top - bottom < 1.6 * usual_swing:
                low[w] = bottom
                high[w] = top
                break


@nb.njit(cache=True, nogil=True)
def median_around(values: Any, at: Any, half: int) -> Any:
    """The rolling median at the places ``at`` only."""
    out = np.full(at.size, np.nan)
    for k in range(at.size):
        near = values[max(0, at[k] - half) : at[k] + half + 1]
        near = np.sort(near[~np.isnan(near)])
        if near.size:
            out[k] = 0.5 * (near[(near.size - 1) // 2] + near[near.size // 2])
    return out
