"""Whether the engine turned on while the crank line was silent: by a cam, and by the first edges after the silence."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from witnessmark.signals.model import GLITCH, Line, Signals

Array = NDArray[np.float64]

# Edges of one cam inside a silence that make it a witness: rocking to rest gives one, seldom two.
LEAST_EDGES = 3
# Intervals before the silence that show the cam's pace, and how much longer one may be inside it: cranking ripples by
# 2.6 within a compression event (published), far less over a cam's interval; a run-down to rest has no such bound.
PACE_GAPS, SLOWER = 12, 1.6
# Intervals right beside a silence, those beyond them, and their ratio. From rest at constant acceleration t grows with
# the root of the angle: the longest of three first intervals is 3.1 times the middle of ten next ones, 1.7 where the
# crank rested at the far end of a gap of three pitches (worked); one that turned on shows 1, and ripple.
FIRST, NEXT, FROM_REST = 3, 10, 1.5
# The longest interval before counts unless it is this many times the next longest: it spans a rest.
RESTED = 2.5


def cam_goes_on(signals: Signals, start_s: float, end_s: float) -> bool:
    """Whether any cam gives edges all through these seconds at the pace it had just before."""
    return any(_goes_on(line, start_s, end_s) for line in signals.by_role("cam"))


def _goes_on(line: Line, start_s: float, end_s: float) -> bool:
    t: Array = line.edges.time_s[line.edges.label != GLITCH]
    inside = t[(t > start_s) & (t < end_s)]
    before = np.diff(t[t <= start_s])[-PACE_GAPS:]
    if len(inside) < LEAST_EDGES or len(before) < LEAST_EDGES:
        return False
    before = np.sort(before)
    pace = float(before[-1] if before[-1] <= RESTED * before[-2] else before[-2])
    last = float(t[t <= start_s][-1])
    later = t[t >= end_s]
    marks = np.concatenate(([last], inside, [later[0] if len(later) else end_s]))
    return bool(np.diff(marks).max() <= SLOWER * pace)


def at_speed_beside(edge_s: Array, start_s: float, end_s: float) -> bool:
    """Whether the edges before and after a silence keep the pace of those farther off: no rest lies at either end.

    edge_s: marking edges in s of a sensor that shows slow teeth too (two-level); False where too few are there.
    """
    before = np.diff(edge_s[edge_s <= start_s + 1e-9][-FIRST - NEXT - 1 :])[::-1]
    after = np.diff(edge_s[edge_s >= end_s - 1e-9][: FIRST + NEXT + 1])
    return all(
        len(gaps) == FIRST + NEXT and np.max(gaps[:FIRST]) < FROM_REST * np.median(gaps[FIRST:])
        for gaps in (before, after)
    )
