"""Which kind of line is it: two-level, variable reluctance or analog? Told from the samples alone."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from witnessmark.signals import levels
from witnessmark.signals.crossings import Crossings
from witnessmark.signals.levels import Modes
from witnessmark.signals.summary import Summary
from witnessmark.signals.vr import Zero

ROUGHLY_PURE = 0.7
"""The same against the bare extremes of each window, a cheap first look (noise and ringing widen them)."""

SHARP_S = 0.4e-3
"""A two-level edge takes less than this for the whole swing, or two samples. Open-collector lines with a filter take
up to some tenths of a millisecond (common practice); battery and starter current need over a millisecond."""

REGULAR = 0.4
"""Usual change of the interval from tooth to tooth, as a log ratio, below which something turns: even wheels have 0,
70/110 degrees by turns 0.45 on one kind of crossing in four, noise about 1 (computed)."""

SLOW_PERIOD_S = 0.03
"""An oscillation far off 0 V must be quicker than this to be a pick-up: compression ripple of battery and starter
current has 20 to 150 ms."""


def two_level_candidate(summary: Summary, modes: Modes) -> bool:
    """Do the samples lie at two levels (following them where they move)?"""
    if modes.swing <= 8.0 * summary.noise or modes.swing <= 0:
        return False
    if modes.purity >= levels.PURE:
        return True
    bottom, top = levels.window_extremes(summary)
    active = top - bottom > levels.ACTIVE_SHARE * modes.swing
    usual = np.full(len(active), modes.low), np.full(len(active), modes.high)
    if _local_purity(summary, *usual, active) >= levels.PURE:
        return True
    if _local_purity(summary, bottom, top, active) < ROUGHLY_PURE:
        return False
    moved = levels.level_map(summary, modes)
    return moved is not None and _local_purity(summary, *moved, active) >= levels.PURE


def _local_purity(
    summary: Summary, low: NDArray[np.float64], high: NDArray[np.float64], active: NDArray[np.bool_]
) -> float:
    """Share of sampled values near one of the levels of their own window, over windows that show both."""
    window = summary.place // summary.window
    window_ok = active[np.minimum(window, len(active) - 1)]
    window = window[window_ok]
    swing = np.maximum(high - low, 1e-30)[window]
    place = (summary.sampled[window_ok].astype(np.float64) - low[window][:, None]) / swing[:, None]
    return float(np.mean((np.abs(place) <= 0.2) | (np.abs(place - 1.0) <= 0.2))) if place.size else 0.0


def sharp(crossings: Crossings, modes: Modes, rate_hz: float) -> bool:
    """Are the edges those of a switch? The quicker direction counts: a coil current rises slowly and falls at once."""
    if not len(crossings) or modes.swing <= 0:
        return False
    for rising in (True, False):
        step = crossings.step[crossings.rising == rising]
        if len(step):
            samples = modes.swing / max(float(np.median(step)), 1e-30)
            if samples <= 2.5 or samples / rate_hz < SHARP_S:
                return True
    return False


def may_be_reluctance(summary: Summary, zero: Zero) -> bool:
    """Does the line swing beyond its noise about the level it mostly has?"""
    if not len(summary.values) or zero.amplitude <= 6.0 * zero.noise:
        return False
    return abs(float(summary.values[len(summary.values) // 2]) - zero.level) <= 0.5 * zero.amplitude


def reluctance_like(summary: Summary, zero: Zero, crossings: Crossings, gain: float, offset: float) -> bool:
    """Does the line swing about its own zero like a pick-up: both ways alike, often, and quick where it is offset?"""
    if len(crossings) < 8:
        return False
    if _unsteady(crossings) > REGULAR:
        return False
    both = np.median(crossings.peak_before[crossings.rising]), np.median(crossings.peak_before[~crossings.rising])
    if not 0.25 < both[0] / max(both[1], 1e-30) < 4.0:
        return False
    offset_v, size_v = abs(zero.level * gain + offset), abs(zero.amplitude * gain)
    if offset_v > 1.0 * size_v:
        same = crossings.sample[crossings.rising]
        period_s = float(np.median(np.diff(same))) / summary.rate_hz if len(same) > 2 else np.inf
        return period_s < SLOW_PERIOD_S and offset_v < 20.0 * size_v
    return True


def _unsteady(crossings: Crossings) -> float:
    """Median change of the interval between like crossings from one to the next (absolute log ratio)."""
    place = (crossings.sample + crossings.fraction)[crossings.rising]
    interval = np.diff(place)
    return float(np.median(np.abs(np.diff(np.log(interval))))) if len(interval) > 2 else 0.0
