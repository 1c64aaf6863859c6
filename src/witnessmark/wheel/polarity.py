"""Which crossing of a variable-reluctance line is the steep one at the tooth, and is it the one expected.

Between a tooth's two half waves the crossing is steep; in a slot, and above all in a gap, the line drifts through zero
on a lazy flank. So the polarity whose crossings are sometimes (in gaps) or always (few, slender teeth) lazy is the
slot's, the other marks the teeth.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from witnessmark.signals.model import PLAIN, Edges
from witnessmark.special import running_median

ALONE = 1.55  # half waves beside a gap's own crossing over the usual one: 2 to 3 by design, ripple stays below 1.5
LAZY = 0.6  # of the usual steepness: crossings in a gap have 0.01 to 0.35 of it, a tooth's 0.8 and more (computed)
LARGE = 0.5  # of the usual half wave: cranking ripple of 2.6 : 1 leaves 0.5; the flanks of a gap exceed the usual


COARSE = 0.25
"""Slopes that differ in steps of more than this share of the lesser usual one say nothing about steepness: at one or
two of the recorder's steps a sample, crossings that meet a step exactly look twice as steep in one direction
(measured on an open record of 0.04 V steps: 1.0 times as it is, 1.9 times with its zero line moved by half a step)."""


@dataclass(frozen=True)
class Polarity:
    """steep_rising: which crossing marks the teeth (None: cannot be told). ratio: steepness of the lazier polarity's
    laziest regular crossings over the other's; confidence 0..1; reason in words."""

    steep_rising: bool | None
    confidence: float
    reason: str


def steepness(edges: Edges) -> NDArray[np.float64]:
    """Slope times local edge distance over the sum of the two half waves [n]: free of speed and amplitude."""
    n = len(edges)
    if n < 8:
        return np.full(n, np.nan)
    dt = np.diff(edges.time_s)
    local = running_median(dt, 8)
    period = np.append(local, local[-1])
    height = edges.peak_before_v.astype(float) + edges.peak_after_v.astype(float)
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(np.where(height > 0, edges.slope_v_per_s * period / height, np.nan))


CHUNK = 600  # crossings judged together: about five turns of a common wheel


def tell(edges: Edges) -> Polarity:
    """The steep polarity of a line, by the vote of its stretches (an overloaded stretch must not outvote the rest)."""
    steep = steepness(edges)
    strong = (edges.label == PLAIN) & np.isfinite(steep) & ~(edges.arm_margin < 0.8)
    count = max(1, len(edges) // CHUNK)
    parts = np.array_split(np.arange(len(edges)), count)
    votes = [_stretch(edges, steep, strong, part) for part in parts]
    up = sum(v.confidence for v in votes if v.steep_rising is True)
    down = sum(v.confidence for v in votes if v.steep_rising is False)
    if up + down == 0 or max(up, down) < 3 * min(up, down):
        return (
            max(votes, key=lambda v: v.confidence)
            if up + down == 0
            else Polarity(None, 0.0, "stretches of the record contradict each other about which crossing is steep")
        )
    agreed = [v for v in votes if v.steep_rising is (up > down)]
    best = max(agreed, key=lambda v: v.confidence)
    return Polarity(best.steep_rising, best.confidence * max(up, down) / (up + down), best.reason)


def _stretch(edges: Edges, steep: NDArray[np.float64], strong: NDArray[np.bool_], part: NDArray[np.int64]) -> Polarity:
    """The steep polarity of one stretch of crossings."""
    steep, strong, rising_edge = steep[part], strong[part], edges.rising[part]
    up, down = steep[strong & rising_edge], steep[strong & ~rising_edge]
    if up.size < 12 or down.size < 12:
        return Polarity(None, 0.0, "too few strong half waves to see which crossing is steep")
    mid_up, mid_down = float(np.median(up)), float(np.median(down))
    ratio = mid_up / mid_down
    if (ratio > 1.6 or ratio < 1 / 1.6) and not _coarse(edges.slope_v_per_s[part][strong]):
        rising = ratio > 1
        return Polarity(
            rising,
            0.95,
            f"{'rising' if rising else 'falling'} crossings are {max(ratio, 1 / ratio):.1f} times as steep",
        )
    lazy = steep < LAZY * np.median(np.concatenate([up, down]))  # a tooth alone between two gaps has both steep
    alone = _alone(edges.time_s[part]) & strong & lazy & _large(edges, part, strong)
    count_up, count_down = int(np.sum(alone & rising_edge)), int(np.sum(alone & ~rising_edge))
    most, least = max(count_up, count_down), min(count_up, count_down)
    if most < 2 or most < 4 * least:
        return Polarity(None, 0.0, "no crossing stands alone in a gap, and both polarities are equally steep")
    rising = count_down > count_up
    word = ("falling", "rising") if rising else ("rising", "falling")
    reason = f"{most} lazy crossings stand alone in gaps, all of them {word[0]}: the {word[1]} ones are the teeth"
    return Polarity(rising, 0.95 if most >= 4 else 0.75, reason)


def _coarse(slope: NDArray[np.float32]) -> bool:
    """Whether slopes come in steps too wide to compare them: a low signal in a recorder of few steps."""
    usual = float(np.median(slope))
    if not usual > 0:
        return True
    levels = np.unique(np.round(slope.astype(float) / usual, 2))
    return levels.size < 2 or float(np.diff(levels).min()) > COARSE


def _alone(time_s: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Crossings with a long half wave on both sides: in a gap the line drifts through zero once, far from any tooth.

    In a gap of one missing tooth the half waves beside that crossing last twice the usual, with two missing thrice.
    """
    out = np.zeros(time_s.size, bool)
    half = np.diff(time_s)
    if half.size < 12:
        return out
    ratio = half / np.maximum(running_median(half, 8), 1e-12)
    out[1:-1] = np.minimum(ratio[:-1], ratio[1:]) > ALONE
    even = np.append(np.maximum(ratio[1:], ratio[:-1]) < ALONE, False)  # a half wave and the next: teeth in a row
    beside = np.zeros(time_s.size, bool)
    beside[3:] |= even[: time_s.size - 3]
    beside[:-2] |= even[1:]
    return out & beside


def _large(edges: Edges, part: NDArray[np.int64], strong: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Crossings between half waves of a tooth's size: noise about a line at rest crosses alone too."""
    size = np.minimum(edges.peak_before_v[part], edges.peak_after_v[part])
    return np.asarray(size > LARGE * np.median(size[strong]))


def judge(
    found: Polarity, expected_rising: bool, said: bool
) -> tuple[Literal["as expected", "reversed", "unknown"], str, float]:
    """(state, reason, confidence) of the polarity as recorded against the one expected."""
    if found.steep_rising is None:
        return "unknown", found.reason, 0.0
    if found.steep_rising == expected_rising:
        return "as expected", found.reason, found.confidence
    source = "the setup" if said else "common practice (falling), no setup says otherwise"
    return "reversed", f"{found.reason}; expected by {source}", found.confidence
