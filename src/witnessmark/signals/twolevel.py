"""Two-level (Hall, logic, command) lines: hysteresis thresholds from the levels, and the short pulses labelled."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from witnessmark.signals import levels
from witnessmark.signals.crossings import Thresholds
from witnessmark.signals.levels import Modes
from witnessmark.signals.medians import median_around, rolling_median
from witnessmark.signals.model import FIRST, GLITCH, PLAIN
from witnessmark.signals.summary import Summary

FLIP_LOW, FLIP_HIGH = 0.3, 0.7
"""Hysteresis as shares of the swing (published: data sheets of engine Hall sensors put thresholds at 30-50 % of the
peak-to-peak field; 30/70 % is the common logic-input band)."""

NOISE_SIGMAS = 4.0
"""Least distance from the timing level to either threshold, in noise deviations: both bands wide, so that a flip from
noise alone needs 8 deviations."""

HABIT_SHARE = 0.2
"""A pulse below this share of its neighbours' median width is a glitch (width < 0.2 of the predicted pitch)."""

PERIOD_SHARE = 0.1
"""... and below this share of the local period."""

RETURNS_WITHIN = 12
"""Short pulses that come back after always the same number of pulses, at most this many, belong to the target: narrow
vanes of cams and few-toothed wheels. Spikes of ignition on finer wheels come back after more teeth than that."""

VANE_SHARE = 0.02
"""... and last at least this share of the local period; the narrowest vane seen on an open record has 0.026."""

HABIT_HALF = 8
"""Neighbours of the same polarity on either side that make the habit: half a turn of a 36-tooth wheel, long enough to
outvote a burst of spikes."""


def thresholds(summary: Summary, modes: Modes) -> Thresholds:
    """Flip and timing levels of a two-level line, following its levels where they move."""
    moved = levels.level_map(summary, modes)
    low, high = moved if moved is not None else (np.array([modes.low]), np.array([modes.high]))
    window = summary.window if moved is not None else 1 << 60
    mid = 0.5 * (low + high)
    swing = np.maximum(high - low, levels.ACTIVE_SHARE * modes.swing)
    half = np.maximum(0.5 * (FLIP_HIGH - FLIP_LOW) * swing, NOISE_SIGMAS * summary.noise)
    return Thresholds(mid - half, mid, mid + half, window)


def label_edges(time_s: NDArray[np.float64], rising: NDArray[np.bool_], first: NDArray[np.bool_]) -> NDArray[np.uint8]:
    """PLAIN, GLITCH or FIRST for each edge; times in s. Both edges of a pulse far shorter than the line's habit are
    glitches. Nothing is removed.
    """
    label = np.where(first, np.uint8(FIRST), np.uint8(PLAIN)).astype(np.uint8)
    n = len(time_s)
    if n < 6:
        return label
    width = np.diff(time_s)
    width[first[1:]] = np.nan  # a gap inside: not seen whole
    own = width[2:-2]
    with np.errstate(invalid="ignore"):
        short = np.flatnonzero(~(own > 0.5 * np.fmax(width[:-4], width[4:]))) + 2
    short = np.concatenate([[0, 1], short, [n - 3, n - 2]])  # and the ends, which have fewer neighbours
    glitch = np.zeros(n - 1, dtype=np.bool_)
    for side in (0, 1):
        same = width[side::2]
        whole = np.append(width[:-1] + width[1:], np.nan)[side::2]
        mine = short[short % 2 == side] // 2
        if len(mine) and len(same) >= 4:
            habit, period = _local(same, mine), _local(whole, mine)
            with np.errstate(invalid="ignore"):
                glitch[2 * mine + side] = (same[mine] < HABIT_SHARE * habit) & (same[mine] < PERIOD_SHARE * period)
    hit = _not_habitual(np.flatnonzero(glitch), width, time_s)
    for edge in (hit, hit + 1):
        label[edge[label[edge] == PLAIN]] = GLITCH
    return label


def _not_habitual(hit: NDArray[np.int64], width: NDArray[np.float64], time_s: NDArray[np.float64]) -> NDArray[np.int64]:
    """Short pulses without those that return at one distance, as the narrow vanes of a target do."""
    vane = np.zeros(len(hit), dtype=np.bool_)
    for side in (0, 1):
        mine = np.flatnonzero(hit % 2 == side)
        place = hit[mine] // 2
        if len(place) < 3:
            continue
        distance = np.diff(place)
        steady = (distance[1:] == distance[:-1]) & (distance[1:] <= RETURNS_WITHIN)
        for shift in (0, 1, 2):
            vane[mine[np.flatnonzero(steady) + shift]] = True
    if not vane.any():
        return hit
    a, b = np.maximum(hit - 2 * HABIT_HALF, 0), np.minimum(hit + 2 * HABIT_HALF, len(time_s) - 1)
    share = width[hit] * (b - a) / (2.0 * np.maximum(time_s[b] - time_s[a], 1e-30))
    vane &= share >= VANE_SHARE
    if vane.any():  # once a line is known to have such vanes, the others of that size are vanes too
        usual = float(np.median(share[vane]))
        vane |= (share > 0.5 * usual) & (share < 2.0 * usual)
    return hit[~vane]


def _local(values: NDArray[np.float64], at: NDArray[np.int64]) -> NDArray[np.float64]:
    """Rolling median at these places; only those neighbourhoods are worked out where they are few."""
    if len(at) * 8 > len(values):
        return np.asarray(rolling_median(values, HABIT_HALF)[at])
    return np.asarray(median_around(values, at, HABIT_HALF))
