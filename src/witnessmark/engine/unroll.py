"""Crank angle made continuous over short losses, and folded onto the working cycle.

The segments of CrankAngle each start at a fresh whole turn. Where the loss between two of them is short, the angle
passed in it is known modulo one turn (slot 1 is slot 1) and the speed on both sides tells the number of whole turns.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from witnessmark.engine.model import Phase
from witnessmark.wheel.model import CrankAngle, Motion, Segment

Array = NDArray[np.float64]
Ints = NDArray[np.int64]

# The angle passed in a loss is predicted from the mean of the speeds before and after. Within one compression event
# a cranking engine swings 85..225 rpm about 150 (published: Tech Briefs article 21269), so a mean over 180 degrees each
# side is good to about a fifth; half a turn of doubt is reached after 2.5 turns. We stop well before.
LONGEST_BRIDGE_DEG = 540.0
BRIDGE_DOUBT = 0.2


@dataclass(frozen=True, slots=True)
class Unrolled:
    """CrankAngle with losses bridged.

    chain [segments]: number of the run of bridged segments each belongs to. shift_turns [segments]: whole turns to add
    to a segment's angle so that it goes on from the first segment of its chain.
    """

    angle: CrankAngle
    chain: tuple[int, ...]
    shift_turns: tuple[int, ...]

    def segment_of(self, time_s: ArrayLike) -> Ints:
        """Index of the segment that holds each time, -1 outside."""
        t = np.atleast_1d(np.asarray(time_s, dtype=np.float64))
        out = np.full(t.shape, -1, dtype=np.int64)
        for i, seg in enumerate(self.angle.segments):
            out[(t >= seg.start_s) & (t <= seg.end_s)] = i
        return out

    def at(self, time_s: ArrayLike) -> tuple[Array, Ints]:
        """(angle in degrees continuous within a chain, segment index); NaN and -1 outside the segments."""
        t = np.atleast_1d(np.asarray(time_s, dtype=np.float64))
        seg = self.segment_of(t)
        shift = np.append(np.asarray(self.shift_turns, dtype=np.float64), 0.0)[seg]
        return self.angle.at(t) + 360.0 * shift, seg

    def members(self, chain: int) -> list[int]:
        """Segment indices of a chain, in order."""
        return [i for i, c in enumerate(self.chain) if c == chain]

    @property
    def chains(self) -> int:
        """Number of chains."""
        return max(self.chain, default=-1) + 1


def _edge_speed_dps(angle: CrankAngle, seg: Segment, at_end: bool) -> float:
    """Mean speed in deg/s over the last (first) 180 degrees of a segment."""
    t, a = angle.time_s[seg.start : seg.stop], angle.angle_deg[seg.start : seg.stop]
    if len(t) < 2:
        return float("nan")
    if at_end:
        i = min(int(np.searchsorted(a, a[-1] - 180.0)), len(a) - 2)
        return float((a[-1] - a[i]) / (t[-1] - t[i]))
    i = max(int(np.searchsorted(a, a[0] + 180.0, side="right")) - 1, 1)
    return float((a[i] - a[0]) / (t[i] - t[0]))


def bridge_turns(angle: CrankAngle, left: Segment, right: Segment) -> int | None:
    """Whole turns to add to ``right`` (as numbered) to continue ``left``; None where the loss is too long to tell."""
    v = 0.5 * (_edge_speed_dps(angle, left, True) + _edge_speed_dps(angle, right, False))
    lost_s = angle.time_s[right.start] - angle.time_s[left.stop - 1]
    passed = v * lost_s
    if not np.isfinite(passed) or lost_s < 0 or passed > LONGEST_BRIDGE_DEG:
        return None
    step = float(angle.angle_deg[right.start] - angle.angle_deg[left.stop - 1])
    turns = round((passed - step) / 360.0)
    miss = abs(step + 360.0 * turns - passed)
    return int(turns) if miss <= 30.0 + BRIDGE_DOUBT * passed and miss < 120.0 else None


def unroll(angle: CrankAngle, motions: tuple[Motion, ...] = ()) -> Unrolled:
    """Chain the segments of one motion where the loss between them can be bridged."""

    def motion_of(seg: Segment) -> int:
        middle = 0.5 * (seg.start_s + seg.end_s)
        for i, m in enumerate(motions):
            if m.start_s <= middle <= m.end_s:
                return i
        return -1

    chain: list[int] = []
    shift: list[int] = []
    for i, seg in enumerate(angle.segments):
        turns = None
        here = motion_of(seg)
        if i and here == motion_of(angle.segments[i - 1]) and (here >= 0 or not motions):
            turns = bridge_turns(angle, angle.segments[i - 1], seg)
        if turns is None:
            chain.append(chain[-1] + 1 if chain else 0)
            shift.append(0)
        else:
            chain.append(chain[-1])
            shift.append(shift[-1] + turns)
    return Unrolled(angle, tuple(chain), tuple(shift))


UNKNOWN_TURN = -1  # in Phase.per_segment_turn: this segment's turn could not be told


def cycle_deg(angle: CrankAngle, phase: Phase, time_s: ArrayLike) -> Array:
    """Angle after cylinder 1's firing TDC in 0..720 (turn known), 0..360 (TDC known) or 0..360 from slot 1.

    NaN where the crank angle is not known, or where the turn is known elsewhere but not in that segment.
    """
    t = np.atleast_1d(np.asarray(time_s, dtype=np.float64))
    cumulative = angle.at(t)
    if not phase.known or phase.tdc_deg is None:
        return np.asarray(np.mod(cumulative, 360.0))
    if not phase.turn_known:
        return np.asarray(np.mod(cumulative - phase.tdc_deg, 360.0))
    turn = np.zeros(len(t))
    for i, seg in enumerate(angle.segments):
        here = (t >= seg.start_s) & (t <= seg.end_s)
        known = phase.per_segment_turn[i] if i < len(phase.per_segment_turn) else 0
        turn[here] = np.nan if known == UNKNOWN_TURN else known
    return np.asarray(np.mod(cumulative + 360.0 * turn - phase.tdc_deg, 720.0))


def after_tdc_deg(angle: CrankAngle, phase: Phase, time_s: ArrayLike, firing_deg: float = 0.0) -> Array:
    """Angle against a cylinder's TDC in -360..360 (turn known there) or -180..180 (any TDC of that cylinder).

    ``firing_deg``: the cylinder's firing TDC after cylinder 1's. NaN where the angle is not known. Before TDC is
    negative.
    """
    t = np.atleast_1d(np.asarray(time_s, dtype=np.float64))
    if not phase.known or phase.tdc_deg is None:
        return np.full(t.shape, np.nan)
    full = cycle_deg(angle, phase, t) - firing_deg
    half = angle.at(t) - phase.tdc_deg - firing_deg
    folded = np.mod(half + 180.0, 360.0) - 180.0
    if not phase.turn_known:
        return np.asarray(folded)
    whole = np.mod(full + 360.0, 720.0) - 360.0
    return np.asarray(np.where(np.isnan(whole), folded, whole))
