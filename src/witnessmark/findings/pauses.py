"""Pauses of the crank line by themselves: how many pitches they hold, whether a gap by design, or a standstill, may.

Nothing here needs the decoding; it tells where a pause lies between the gaps that the line itself shows, and how long
a crank would take that comes to rest and turns again.
"""

from __future__ import annotations

import numpy as np

from witnessmark.findings.measured import Bools, Floats
from witnessmark.special import running_median
from witnessmark.wheel.model import Layout

# An interval this many times both of its neighbours is a gap by design, or a pause: ripple makes 1.3 from one tooth to
# the next on the coarsest wheels with gaps (computed, 12 slots at 2.6 : 1 within an event).
LONG = 1.5
# A gap counts as plain when it is this close to its designed length, as a ratio to the mean of its neighbours.
PLAIN = 0.25
# Share of the time a crank needs to come to rest and turn again, at the rates seen on both sides, below which a pause
# cannot hold a standstill: the braking of a compression may double towards its top.
REST_SHARE = 0.5
# A stray edge leaves an interval shorter than this share of the usual one; looked for among so many on a side.
STRAY = 0.45
STRAY_REACH = 12
# Intervals on a side from which its pitch is taken.
BESIDE = 4
# With no wheel decoded: pitches of the longest gap of any wheel listed, and the share of steady intervals that makes
# the line a wheel's.
WIDEST = 4.0
STEADY_SHARE = 0.8
# Teeth to spare in a count from one side only (one from both sides): one or two edges may be lost singly.
ONE_SIDED = 3


def usual(pause: Floats) -> Floats:
    """Running median interval, over 21 of them."""
    half = min(10, (pause.size - 1) // 2)
    return running_median(pause, half)


def long_ones(pause: Floats) -> Bools:
    """Intervals clearly longer than both neighbours."""
    beside = np.maximum(np.append(pause[:1], pause[:-1]), np.append(pause[1:], pause[-1:]))
    return np.asarray(pause > LONG * beside)


def pitch_beside(pause: Floats, long: Bools, at: int, way: int) -> float | None:
    """Longest of the intervals on one side of a pause, gaps by design left out (a crank coming to rest shows there)."""
    rows = np.arange(at - BESIDE, at) if way < 0 else np.arange(at + 1, at + 1 + BESIDE)
    if rows[0] < 0 or rows[-1] >= pause.size:
        return None
    part = pause[rows][~long[rows]]
    return float(np.max(part)) if part.size >= BESIDE - 1 else None


def disturbed(pause: Floats, at: int) -> bool:
    """Whether stray edges split intervals beside a pause: then neither the pitch nor a count of teeth is to be had."""
    part = np.concatenate((pause[max(0, at - STRAY_REACH) : at], pause[at + 1 : at + 1 + STRAY_REACH]))
    return bool(part.size > 3 and np.any(part < STRAY * np.median(part)))


def steady(pause: Floats, at: int) -> bool:
    """Whether most intervals on either side of one are much like the ones around them, as a turning wheel's are."""
    part = pause[max(0, at - 15) : at + 16]
    return bool(part.size > 24 and np.mean(np.abs(np.log(part / usual(part))) < 0.4) > STEADY_SHARE)


def runs_by_design(layout: Layout) -> frozenset[int]:
    """Numbers of plain intervals in a row between gaps of the wheel; empty on a wheel without gaps."""
    teeth = np.asarray(layout.teeth_deg)
    step = np.diff(np.append(teeth, teeth[0] + 360.0))
    gaps = np.flatnonzero(step > 1.4 * np.median(step))
    if not gaps.size:
        return frozenset()
    return frozenset(int(n) - 1 for n in np.diff(np.append(gaps, gaps[0] + step.size)))


def off_the_gap(pause: Floats, long: Bools, at: int, layout: Layout) -> bool:
    """Whether no gap by design can lie in this pause: counted in teeth from the gap before it, and from the one after,
    none is due while it lasts.
    """
    runs = runs_by_design(layout)
    if not runs:
        return True
    if not layout.regular:
        return False
    counts = [_to_gap(pause, long, at, way, layout, max(runs)) for way in (-1, 1)]
    known = [n for n in counts if n is not None]
    spare = 1 if len(known) == 2 else ONE_SIDED
    beside = min(pause[max(0, at - 1)], pause[min(at + 1, pause.size - 1)])
    holds = float(pause[at]) / max(float(beside), 1e-9)
    return bool(known) and not any(n - spare < run < n + holds + spare for n in known for run in runs)


def _to_gap(pause: Floats, long: Bools, at: int, way: int, layout: Layout, most: int) -> int | None:
    """Plain intervals from a pause to the nearest plain gap; None where another pause or too many teeth come
    first.
    """
    teeth = np.asarray(layout.teeth_deg)
    step = np.diff(np.append(teeth, teeth[0] + 360.0)) / layout.pitch_deg
    gaps = np.unique(np.round(step[step > 1.4], 3))
    for count in range(most + 1):  # between two gaps lie ``most`` plain ones at most
        i = at + way * (count + 1)
        if not 0 < i < pause.size - 1:
            return None
        if long[i]:
            ratio = float(pause[i]) / (0.5 * float(pause[i - 1] + pause[i + 1]))
            near = np.any(np.abs(np.log(ratio / gaps)) < PLAIN)
            return count if near else None
    return None


def time_to_rest_s(teeth_before: float, pitch_before_s: float, teeth_after: float, pitch_after_s: float) -> float:
    """Time in s that a crank needs to come to rest and reach speed again, at the even rates seen on both sides.

    At an even rate rest is n pitches away after twice the time n pitches take at the present speed.
    """
    return 2.0 * (teeth_before * pitch_before_s + teeth_after * pitch_after_s)
