"""Slope, and where noise matters the time, of crossings on noisy lines: a straight line through the samples around.

Two neighbouring samples tell the slope of a wave only while the wave climbs more between them than the noise does.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from itertools import pairwise
from typing import Any

import numba as nb
import numpy as np
from numpy.typing import NDArray

from witnessmark.recording.model import ChannelInfo, Recording
from witnessmark.signals.crossings import Crossings, Thresholds
from witnessmark.signals.medians import rolling_median
from witnessmark.signals.summary import Summary, native

STEP_SIGMAS = 8.0
"""Usual step between the samples around a crossing, in noise deviations, from which the two tell its slope: within a
fifth, once in a while, and exact in the median."""

FLANK_PART = 0.12
"""Half width of the line's window, share of the shorter half wave beside the crossing: a sine's slope over it is 2 %
below the slope at its crossing (computed)."""

TIME_SIGMAS = 25.0
"""Usual half wave, in noise deviations, below which the line times the crossing too: noise of 4 % moves the crossing
by 1.3 % of a half wave (computed: deviation over slope of a sine), less than a wheel's own tolerance."""


LAZY = 0.3
"""Slope below which a crossing is lazy, share of the line's usual one, both free of speed and size: in a slot of a
coarse wheel the line lingers by design (a fifth of the tooth's slope), in a gap it rests (below a tenth)."""

REACH = 4.0
"""Usual half waves on either side within which a lazy crossing must leave the hysteresis: two missing teeth make
three."""


def fit(
    recording: Recording, info: ChannelInfo, c: Crossings, thresholds: Thresholds, summary: Summary, chunk: int
) -> Crossings:
    """The crossings with better steps (native units a sample) and places.

    On noisy lines steps, and on very noisy ones places too, come from lines through the flanks. A lazy crossing, where
    the line lingers within its hysteresis, lies in the middle of that stay instead of at its last wobble. Reads only
    around crossings; the result does not depend on ``chunk``.
    """
    if len(c) < 3:
        return c
    width = np.diff(c.sample + c.fraction)
    shorter = np.minimum(np.append(width[:1], width), np.append(width, width[-1:]))
    usual = rolling_median(width, 8)
    usual = np.append(usual, usual[-1])
    mid = thresholds.mid_at(c.sample, summary.shift)
    step, shift = c.step.copy(), c.fraction - 0.5
    if np.median(c.step) < STEP_SIGMAS * summary.noise:
        half = np.maximum(np.round(FLANK_PART * shorter), 1.0).astype(np.int64)
        slope, moved = np.full(len(c), np.nan), np.full(len(c), np.nan)
        for part, x, start in _pieces(recording, info, c, int(half.max()), chunk):
            _lines(x, start, c.sample[part], half[part], mid[part], slope[part], moved[part])
        step = np.where(np.isfinite(slope), slope, step)
        if np.median(c.peak_before) < TIME_SIGMAS * summary.noise:
            shift = np.where(np.abs(moved) <= half, moved, shift)
    with np.errstate(divide="ignore", invalid="ignore"):
        shape = step * usual / (c.peak_before + c.peak_after)
    lazy = np.flatnonzero(shape < LAZY * np.nanmedian(shape))
    _linger(recording, info, c, thresholds, summary, lazy, REACH * usual, step, shift)
    return _placed(c, step, shift, info.samples)


def _placed(c: Crossings, step: NDArray[np.float64], shift: NDArray[np.float64], samples: int) -> Crossings:
    """Crossings moved to ``shift`` samples after the middle of their two samples, none past the middle between two."""
    place = c.sample + 0.5 + shift
    between = 0.5 * (c.sample[1:] + c.fraction[1:] + c.sample[:-1] + c.fraction[:-1])
    place = np.clip(place, np.append(0.0, between), np.append(between, samples - 1.0))
    sample = np.minimum(np.floor(place).astype(np.int64), max(samples - 2, 0))
    return replace(c, sample=sample, fraction=np.clip(place - sample, 0.0, np.nextafter(1.0, 0.0)), step=step)


def _pieces(
    recording: Recording, info: ChannelInfo, c: Crossings, wide: int, chunk: int
) -> Iterator[tuple[slice, NDArray[Any], int]]:
    """(crossings, native samples around them, first sample), ``wide`` samples beyond the outer crossings."""
    edge = np.searchsorted(c.sample, np.arange(0, info.samples + chunk, chunk))
    for a, b in pairwise(edge):
        if a < b:
            start = max(0, int(c.sample[a]) - wide)
            yield slice(a, b), native(recording.read(info.name, start, int(c.sample[b - 1]) + wide + 1)), start


def _linger(
    recording: Recording,
    info: ChannelInfo,
    c: Crossings,
    thresholds: Thresholds,
    summary: Summary,
    lazy: NDArray[np.int64],
    reach: NDArray[np.float64],
    step: NDArray[np.float64],
    shift: NDArray[np.float64],
) -> None:
    """Lazy crossings to the middle of the stay between the hysteresis levels, with the slope across it."""
    at = c.sample[lazy]
    first = np.maximum(at - reach[lazy].astype(np.int64), np.where(lazy > 0, c.sample[lazy - 1] + 1, 0))
    after = np.append(c.sample, info.samples)[lazy + 1]
    last = np.minimum(at + 1 + reach[lazy].astype(np.int64), after)
    window = (at >> summary.shift) // thresholds.window
    down, up = thresholds.down[window], thresholds.up[window]
    for k, i in enumerate(lazy):
        x = recording.read(info.name, int(first[k]), int(last[k]) + 1).astype(np.float64)
        here = int(at[k] - first[k])
        inside = (x >= down[k]) & (x <= up[k])
        before, behind = np.flatnonzero(~inside[: here + 1]), np.flatnonzero(~inside[here + 1 :])
        if not before.size or not behind.size:
            continue
        a, b = int(before[-1]), here + 1 + int(behind[0])
        shift[i] = 0.5 * (a + b) - here - 0.5
        step[i] = min(step[i], (up[k] - down[k]) / (b - a))


@nb.njit(cache=True, nogil=True)
def _lines(
    x: Any, start: int, sample: NDArray[np.int64], half: NDArray[np.int64], mid: Any, slope: Any, shift: Any
) -> None:
    """Least-squares line through ``half`` samples on either side of each crossing: size of its slope a sample, and
    where it crosses ``mid``, in samples after the middle between ``sample`` and the next. NaN where samples are.
    """
    for k in range(sample.size):
        low = max(sample[k] - half[k] + 1, start)
        high = min(sample[k] + half[k] + 1, start + x.size)
        n = high - low
        if n < 2:
            continue
        centre = 0.5 * (low + high - 1)
        total = 0.0
        tilt = 0.0
        for i in range(low, high):
            v = np.float64(x[i - start])
            total += v
            tilt += (i - centre) * v
        tilt /= n * (n * n - 1.0) / 12.0
        if tilt - tilt != 0.0:
            continue
        slope[k] = abs(tilt)
        if tilt != 0.0:
            shift[k] = centre + (mid[k] - total / n) / tilt - sample[k] - 0.5
