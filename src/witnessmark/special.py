"""Small functions on the way of every analysis: importing scipy for them would cost it 0.4 s (measured)."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

_lgamma = np.vectorize(math.lgamma, otypes=[np.float64])


def log_beta(a: ArrayLike, b: ArrayLike) -> NDArray[np.float64]:
    """Natural log of the beta function, broadcast. Positive arguments; absolute error below 1e-9 up to 1e6."""
    p, q = np.asarray(a, dtype=np.float64), np.asarray(b, dtype=np.float64)
    return np.asarray(_lgamma(p) + _lgamma(q) - _lgamma(p + q), dtype=np.float64)


def log_sum_exp(logs: ArrayLike) -> float:
    """Natural log of the sum of exp(logs) without overflow; -inf for none."""
    x = np.asarray(logs, dtype=np.float64).ravel()
    top = float(x.max()) if x.size else -math.inf
    if not math.isfinite(top):
        return top
    return top + float(np.log(np.exp(x - top).sum()))


def median(values: NDArray[Any]) -> float:
    """Median of one or more values [n] (NaN if any is), as numpy.median gives it for float64 in a fifth of the time:
    it is asked for thousands of short arrays.
    """
    last, middle = values.size - 1, values.size // 2
    ordered = np.partition(values, (max(middle - 1, 0), middle, last))
    if ordered[last] != ordered[last]:
        return float("nan")
    if values.size % 2:
        return float(ordered[middle])
    return 0.5 * (float(ordered[middle - 1]) + float(ordered[middle]))


ROWS = 4096
"""Windows whose medians are taken at once: a long record has hundreds of thousands, of up to a hundred values each."""


def running_median(values: NDArray[np.float64], half: int) -> NDArray[np.float64]:
    """Median of each value and its ``half`` neighbours on either side, the ends repeated [n] (NaN where any is)."""
    windows = np.lib.stride_tricks.sliding_window_view(np.pad(values, half, mode="edge"), 2 * half + 1)
    out = np.empty(len(windows))
    for start in range(0, len(windows), ROWS):
        out[start : start + ROWS] = np.median(windows[start : start + ROWS], axis=1)
    return out


def quantile(values: NDArray[np.float64], share: float) -> float:
    """Quantile of one or more values [n] (NaN if any is), ``share`` 0..1, straight between two of them, as
    numpy.quantile gives it, to the last digit, in a fifth of the time.
    """
    last = values.size - 1
    place = last * share
    below = min(int(place), last)
    above = min(below + 1, last)
    ordered = np.partition(values, (below, above, last))
    if ordered[last] != ordered[last]:
        return float("nan")
    a, b, part = float(ordered[below]), float(ordered[above]), place - below
    return b - (b - a) * (1.0 - part) if part >= 0.5 else a + (b - a) * part
