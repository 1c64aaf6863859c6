"""Variable reluctance lines: the zero line, every crossing of it, and how well each was armed."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from witnessmark.signals.crossings import Crossings, Thresholds
from witnessmark.signals.medians import rolling_median
from witnessmark.signals.summary import Summary

ARM_SIGMAS = 4.5
"""A half wave counts above this many noise deviations: 7e-6 a sample by chance for normal noise."""

ARM_STEPS = 1.5
"""... and this many of the recorder's steps: a level between two codes flickers by one."""

ARM_SHARE = 0.08
"""... and above this share of its neighbours on one side; no input circuit arms on less (common practice: 0.3-0.5)."""

LOPSIDED = 0.3
"""Rest level off the middle of the paired peaks by more than this share of a half wave: the wave is lopsided (clamped
by an input circuit, mostly) and its zero line is the rest level."""

FOLD_SPAN, FOLD_STEEP = 0.85, 2.5
"""A fold jumps over this share of the record's span in one sample, this many times the usual step at other crossings
(measured on an open record whose input folds beside the gap: 0.99 of the span, 16 times; a wave quick enough to make
such steps itself, three samples a half wave, has usual steps of half the span)."""

STILL = 0.05
"""A window is still when its range is below this share of the usual one."""

REST_RUN = 3
"""Still windows in a row that make a rest: fewer are the flat flank in a gap (18 degrees at 60 rpm last 50 ms)."""

NEAR_REST = 10
"""Windows (of 20 ms) a still one may lie from a turning one."""

NOMINAL_SHARE = 0.35
"""Arming threshold of the nominal adaptive input, share of the usual peak (common practice: 0.3-0.5)."""

NOMINAL_LEAST_V = 0.1
"""Its least threshold (from memory: input circuits need some tens to hundreds of mV)."""

NEIGHBOURS = 8
"""Half waves of one sign on either side that make the usual peak: the two beside a gap cannot outvote them."""


@dataclass(frozen=True)
class Zero:
    """The zero line and the hysteresis about it, native units. amplitude: usual half-wave size where the line moves."""

    thresholds: Thresholds
    level: float
    noise: float
    amplitude: float


def least_armed(noise: float, step: float) -> float:
    """Half wave about the zero line that arms it, in the unit of noise (standard deviation) and recorder's step."""
    return max(ARM_SIGMAS * noise, ARM_STEPS * step)


def find_zero(summary: Summary) -> Zero:
    """Zero level from paired peaks of the windows where the line moves; it follows them where it drifts."""
    lo, hi = summary.window_lo, summary.window_hi
    noise = summary.noise
    low3, high3 = _three(lo, np.fmin), _three(hi, np.fmax)
    span = high3 - low3
    big = float(np.nanquantile(span, 0.9)) if np.isfinite(span).any() else 0.0
    active = span > 0.25 * big
    level = float(np.nanmedian(0.5 * (low3 + high3)[active])) if active.any() else 0.0
    amplitude = 0.5 * float(np.nanmedian(span[active])) if active.any() else 0.0
    least = least_armed(noise, summary.quantum)
    half = min(least, 0.25 * amplitude) if amplitude else least
    rest = _rest_level(0.5 * (lo + hi), hi - lo, active, big)
    lopsided = rest is not None and abs(rest - level) > LOPSIDED * amplitude
    mid = None
    if rest is not None and lopsided:
        level = rest
    else:
        mid = _drifting(0.5 * (low3 + high3), span, active, level, amplitude)
    if mid is None:
        return Zero(Thresholds.fixed(level - half, level, level + half), level, noise, amplitude)
    return Zero(Thresholds(mid - half, mid, mid + half, summary.window), level, noise, amplitude)


def _rest_level(
    middle: NDArray[np.float64], own: NDArray[np.float64], active: NDArray[np.bool_], big: float
) -> float | None:
    """Level of the line at rest, from the still windows next to turning ones (a bias may come only with key-on).

    Still windows come several in a row at rest; alone they are the flank in a gap, or the record's last few samples.
    """
    flat = (own < STILL * big) & np.isfinite(own)
    step = np.diff(np.concatenate(([0], flat.astype(np.int8), [0])))
    runs = zip(np.flatnonzero(step == 1), np.flatnonzero(step == -1), strict=True)
    still = np.concatenate([np.empty(0, np.int64), *(np.arange(a, b) for a, b in runs if b - a >= REST_RUN)])
    moving = np.flatnonzero(active)
    if len(still) < 5 or len(moving) < 5:
        return None
    place = np.searchsorted(still, moving)
    before = np.where(place > 0, still[np.maximum(place - 1, 0)], -(10**9))
    after = np.where(place < len(still), still[np.minimum(place, len(still) - 1)], 10**9)
    nearest = np.unique(np.concatenate([before[moving - before <= NEAR_REST], after[after - moving <= NEAR_REST]]))
    return float(np.median(middle[nearest])) if len(nearest) else None


def _three(values: NDArray[np.float64], fold: np.ufunc) -> NDArray[np.float64]:
    """Each window with its two neighbours folded into one."""
    padded = np.concatenate([values[:1], values, values[-1:]])
    return np.asarray(fold(fold(padded[:-2], padded[1:-1]), padded[2:]))


def _drifting(
    middle: NDArray[np.float64], span: NDArray[np.float64], active: NDArray[np.bool_], level: float, amplitude: float
) -> NDArray[np.float64] | None:
    """Zero level per window where the paired peaks' middle wanders by more than a third of the local half wave."""
    places = np.flatnonzero(active)
    if len(places) < 25:
        return None
    smooth = rolling_median(middle[places], 12)
    if not (np.abs(smooth - level) > np.maximum(0.15 * span[places], 0.05 * amplitude)).any():
        return None
    return np.asarray(np.interp(np.arange(len(middle)), places, smooth))


def prune(c: Crossings) -> Crossings:
    """Drop pairs of crossings around half waves tiny beside their neighbours on both sides (wiggles in a gap)."""
    for _ in range(8):
        n = len(c)
        if n < 4:
            return c
        peak = c.peak_before[1:]  # half wave between crossing k and k + 1
        left = rolling_median(np.concatenate([np.full(NEIGHBOURS + 1, np.nan), peak]), NEIGHBOURS // 2)
        right = rolling_median(np.concatenate([peak, np.full(NEIGHBOURS + 1, np.nan)]), NEIGHBOURS // 2)
        before = left[NEIGHBOURS // 2 : NEIGHBOURS // 2 + len(peak)]
        after = right[NEIGHBOURS // 2 + 1 : NEIGHBOURS // 2 + 1 + len(peak)]
        with np.errstate(invalid="ignore"):
            tiny = peak < ARM_SHARE * np.minimum(before, after)
        tiny &= ~c.first[1:] & ~c.first[:-1]
        tiny[1:] &= ~(tiny[:-1] & (peak[:-1] <= peak[1:]))
        tiny[:-1] &= ~(tiny[1:] & (peak[1:] < peak[:-1]))
        gone = np.flatnonzero(tiny)
        if not len(gone):
            return c
        c = _without_pairs(c, gone)
    return c


def _without_pairs(c: Crossings, gone: NDArray[np.int64]) -> Crossings:
    """Crossings k and k + 1 taken out for each k in ``gone`` (never adjacent); the half waves around them join."""
    keep = np.ones(len(c), dtype=np.bool_)
    keep[gone] = keep[gone + 1] = False
    before = c.peak_before.copy()
    after = c.peak_after.copy()
    kept = np.flatnonzero(keep)
    if not len(kept):
        return Crossings(c.sample[:0], c.fraction[:0], c.rising[:0], c.first[:0], before[:0], after[:0], c.step[:0])
    own = np.where(_own_side(c, kept), before, 0.0)[: kept[-1] + 1]
    peak_before = np.maximum.reduceat(own, np.append(0, kept[:-1] + 1))
    peak_after = np.append(peak_before[1:], max(after[kept[-1]], after[-1]))
    return Crossings(
        c.sample[kept], c.fraction[kept], c.rising[kept], c.first[kept], peak_before, peak_after, c.step[kept]
    )


def _own_side(c: Crossings, kept: NDArray[np.int64]) -> NDArray[np.bool_]:
    """For each crossing: has the half wave before it the same sign as the next kept crossing's?"""
    owner = np.searchsorted(kept, np.arange(len(c)))
    owner = np.minimum(owner, len(kept) - 1)
    return np.asarray(c.rising == c.rising[kept[owner]])


def arm_margin(c: Crossings, least: float) -> NDArray[np.float64]:
    """Peak before each crossing over the nominal arming threshold; ``least`` in native units (0: unknown scale)."""
    out = np.full(len(c), np.nan)
    for rising in (False, True):
        mine = np.flatnonzero(c.rising == rising)
        usual = rolling_median(c.peak_before[mine], NEIGHBOURS)
        out[mine] = c.peak_before[mine] / np.maximum(np.maximum(NOMINAL_SHARE * usual, least), 1e-30)
    return out


def folds(c: Crossings, span: float) -> NDArray[np.bool_]:
    """Crossings that are the flanks of a fold: an overloaded input that throws the wave from one end of its range
    (``span``, native units) to the other from one sample to the next and back again, where the wave itself is slow.
    """
    whole = c.step > FOLD_SPAN * span
    if not whole.any():
        return whole
    usual = rolling_median(np.where(whole, np.nan, c.step), 3 * NEIGHBOURS)
    with np.errstate(invalid="ignore"):
        jump = whole & (c.step > FOLD_STEEP * usual)
    pair = jump[:-1] & jump[1:] & ~c.first[1:]
    out = np.zeros(len(c), dtype=np.bool_)
    out[:-1] |= pair
    out[1:] |= pair
    return out
