"""Which kind of line is it: two-level, variable reluctance or analog? Told from the samples alone."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from witnessmark.signals import levels
from witnessmark.signals.crossings import Crossings
from witnessmark.signals.levels import Modes
from witnessmark.signals.summary import Summary
from witnessmark.signals.vr import Zero
from witnessmark.special import median

ROUGHLY_PURE = 0.7
"""The same against the bare extremes of each window, a cheap first look (noise and ringing widen them)."""

SHARP_S = 0.4e-3
"""A two-level edge takes less than this for the whole swing, or two samples. Open-collector lines with a filter take
up to some tenths of a millisecond (common practice); battery and starter current need over a millisecond."""

FLANK_SHARE = 0.15
"""... and less than this share of a usual pulse: the flanks of a hard-clipped pick-up take a fifth (computed)."""

FEW_EDGES = 20
"""A start has a handful of steps of battery and current; a line that switches has more."""

SINGLE_EDGES = 6
"""With fewer edges than this a level that wanders is no switch's: an inrush or two."""

STARTER_A = 30.0
"""Swing in A above which a current is no coil's or injector's (common practice: those stay below 20 A)."""

LONG_STAY_S = 0.2
"""Commands and wheels at cranking speed leave one of their levels sooner than this."""

REGULAR = 0.4
"""Usual change of the interval from tooth to tooth, as a log ratio, below which something turns: even wheels have 0,
70/110 degrees by turns 0.45 on one kind of crossing in four, noise about 1 (computed)."""

MOST_OF_A_CAM, PATTERNS = 8, 4
"""Teeth after which a cam wheel's pattern comes again at most, and how often it must be there to be looked for."""

SLOW_PERIOD_S = 0.03
"""An oscillation far off 0 V must be quicker than this to be a pick-up: compression ripple of battery and starter
current has 20 to 150 ms."""

BIAS_V = (1.0, 3.5)
"""Offsets in V that inputs of pick-ups are biased to (common practice: half of 3.3 or 5 V), however small
the pulses."""

VOLTS = ("V", "mV", "")
"""Units in which a pick-up may be recorded; a current or a pressure that stirs under noise is none."""

RESTS, CLEAR_OF_NOISE = 0.5, 12.0
"""A pick-up at few teeth rests for at least this share of the time, and its waves stand this clear of the noise."""

MOST_TEETH, PATTERN_KEPT = 8, 0.2
"""Most teeth of a cam that repeats, and how well the intervals come back after a whole pattern, as a log ratio: by
turns of cranking they differ by compression ripple only (computed), other lines' by about 1."""

GROWS_FROM = 0.25
"""Change of an interval (log ratio) from which the waves must show that they grow with speed."""

MAINS_S = (1 / 50, 1 / 60, 1 / 100, 1 / 120)
"""Periods of the mains and of its rectified ripple."""


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


def sharp(crossings: Crossings, modes: Modes, summary: Summary) -> bool:
    """Are the edges those of a switch? The quicker direction counts: a coil current rises slowly and falls at once."""
    if not len(crossings) or modes.swing <= 0:
        return False
    width = median(np.diff(crossings.sample)) if len(crossings) > 1 else np.inf
    for rising in (True, False):
        step = crossings.step[crossings.rising == rising]
        if len(step):
            # a step between two noisy samples is too large by about 1.6 deviations, added in squares
            clear = max(median(step) ** 2 - 2.5 * summary.noise**2, 1e-30) ** 0.5
            samples = modes.swing / clear
            if samples <= 2.5 or (samples / summary.rate_hz < SHARP_S and samples < FLANK_SHARE * width):
                return True
    return False


def pulse_length(crossings: Crossings) -> float:
    """Median length in samples of the pulses at the line's rarer level; 0.5 where there is no whole pulse."""
    width = np.diff(crossings.sample)
    if not len(width):
        return 0.5
    sides = [width[crossings.rising[:-1] == rising] for rising in (True, False)]
    return min(median(side) for side in sides if len(side))


def load_like(crossings: Crossings, modes: Modes, summary: Summary, gain: float, offset: float, unit: str) -> bool:
    """Does a line of two levels and few edges look like battery or starter current over a start instead of a switch?

    A current of tens of amperes, a line whose low level is far from zero, or one that stays long on both sides and
    wanders on one of them.
    """
    if len(crossings) >= FEW_EDGES:
        return False
    cut = int(np.searchsorted(summary.values, 0.5 * (modes.low + modes.high)))
    wanders = any(_wanders(side, modes.swing) for side in (summary.values[:cut], summary.values[cut:]))
    if wanders and len(crossings) < SINGLE_EDGES:
        return True
    low, high = sorted((abs(modes.low * gain + offset), abs(modes.high * gain + offset)))
    same_sign = (modes.low * gain + offset) * (modes.high * gain + offset) > 0
    if unit.strip().lower() in ("a", "ampere", "amps") and high - low > STARTER_A:
        return True
    if same_sign and low > 0.4 * high:
        return True
    places = np.concatenate([[0], crossings.sample, [summary.samples]])
    stay = np.diff(places) / summary.rate_hz
    if min(np.median(stay[::2]), np.median(stay[1::2])) < LONG_STAY_S:
        return False
    return wanders


def _wanders(ordered: NDArray[np.float64], swing: float) -> bool:
    n = len(ordered)
    return n > 0 and float(ordered[int(0.9 * (n - 1))]) - float(ordered[int(0.1 * (n - 1))]) > 0.1 * swing


def may_be_reluctance(summary: Summary, zero: Zero) -> bool:
    """Does the line swing beyond its noise about the level it mostly has?"""
    if not len(summary.values) or zero.amplitude <= 6.0 * zero.noise:
        return False
    return abs(float(summary.values[len(summary.values) // 2]) - zero.level) <= 0.5 * zero.amplitude


def reluctance_like(summary: Summary, zero: Zero, crossings: Crossings, gain: float, offset: float, unit: str) -> bool:
    """Does the line swing about its own zero like a pick-up: both ways alike, often, and quick where it is offset?"""
    if len(crossings) < 8:
        return False
    if unsteady(crossings, unit.strip() in VOLTS) > REGULAR and not sparse_like(summary, zero, crossings, unit):
        return False
    both = np.median(crossings.peak_before[crossings.rising]), np.median(crossings.peak_before[~crossings.rising])
    if not 0.25 < both[0] / max(both[1], 1e-30) < 4.0:
        return False
    if _mains(crossings, summary.rate_hz):
        return False
    offset_v, size_v = abs(zero.level * gain + offset), abs(zero.amplitude * gain)
    if offset_v > 1.0 * size_v:
        same = crossings.sample[crossings.rising]
        period_s = float(np.median(np.diff(same))) / summary.rate_hz if len(same) > 2 else np.inf
        biased = unit.strip() == "V" and BIAS_V[0] < zero.level * gain + offset < BIAS_V[1]
        if biased and min(v * gain + offset for v in summary.extremes) < -0.5 * size_v:
            return True  # no battery and no sensor that is fed goes below 0 V, however slow it is
        return period_s < SLOW_PERIOD_S and (biased or offset_v < 20.0 * size_v)
    return True


def sparse_like(summary: Summary, zero: Zero, crossings: Crossings, unit: str) -> bool:
    """Is it a pick-up at few teeth, as on a cam: at rest most of the time, a wave in between, teeth in a fixed order?

    Between teeth the line's noise crosses zero anywhere, so only one kind of crossing (the middle of each wave) is
    regular, and it may take the whole pattern to repeat. Where the speed changes the waves grow with it.
    """
    if unit.strip() not in VOLTS or zero.amplitude < CLEAR_OF_NOISE * zero.noise:
        return False
    at_rest = np.abs(summary.values - zero.level) < 0.1 * zero.amplitude
    if float(np.mean(at_rest)) < RESTS:
        return False
    return any(_sparse_teeth(crossings, rising) for rising in (True, False))


def _sparse_teeth(crossings: Crossings, rising: bool) -> bool:
    """Do crossings of one kind come in a pattern of a few teeth, their waves growing with speed?"""
    mine = crossings.rising == rising
    interval = np.log(np.diff((crossings.sample + crossings.fraction)[mine]))
    peak = np.log(np.maximum(crossings.peak_before[mine], 1e-30))
    for teeth in range(1, MOST_TEETH + 1):
        if len(interval) < 2 * teeth + 3:
            return False
        change = interval[teeth:] - interval[:-teeth]
        if np.median(np.abs(change)) > PATTERN_KEPT:
            continue
        slower = np.abs(change) > GROWS_FROM
        grown = peak[1 + teeth :] - peak[1:-teeth]
        # a wave as high at half the speed is no pick-up's
        return bool(slower.sum() < 3 or np.median(-grown[slower] / change[slower]) > 0.4)
    return False


def _mains(crossings: Crossings, rate_hz: float) -> bool:
    """Does the line keep to a period of the mains? An engine does not, from compression to compression."""
    period_s = np.diff((crossings.sample + crossings.fraction)[crossings.rising]) / rate_hz
    low, middle, high = np.quantile(period_s, [0.1, 0.5, 0.9])
    return bool(high < 1.05 * low and any(abs(middle / mains - 1.0) < 0.02 for mains in MAINS_S))


def unsteady(crossings: Crossings, may_be_cam: bool = True) -> float:
    """Median change of the interval between like crossings (absolute log ratio), from one to the next.

    may_be_cam: or to the one as many further on as a cam wheel has teeth, whichever is least.
    """
    place = (crossings.sample + crossings.fraction)[crossings.rising]
    log = np.log(np.diff(place))
    more = range(2, MOST_OF_A_CAM + 1) if may_be_cam else ()
    lags = [1, *(lag for lag in more if len(log) >= PATTERNS * lag)]
    return min((float(np.median(np.abs(log[lag:] - log[:-lag]))) for lag in lags if len(log) > lag + 1), default=0.0)
