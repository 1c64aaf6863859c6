"""The stretches of rotation trimmed to edges that a turning wheel made.

A line that rises at key-on, noise on a resting variable-reluctance sensor and glitches are edges but no motion.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from witnessmark.signals.model import GLITCH, Line
from witnessmark.wheel.model import Layout, Motion

Array = NDArray[np.float64]

# A variable-reluctance edge below this share of the arming threshold is noise about the rest level; the first tooth of
# a crank set in motion comes at 0.8 and more (measured on simulated starts), noise at 0.45 and less.
SOLID_MARGIN = 0.6
# No edge for this long is a stop, unless the wheel's longest interval takes longer at the slowest turning speed.
STOP_S = 0.3
SLOWEST_RPM = 25.0
# From rest at constant acceleration t grows with the root of the angle: the first interval is 4 times the median of the
# next six (worked), 12 times where it is a gap of three pitches; a lone edge before that belongs to no motion.
LONE_RATIO = 12.0
LONE_EDGES = 3
LONE_S = 0.06
FEWEST_EDGES = 4
# Speeds over so many first intervals are carried back to rest: within them (a tenth of a turn at most) the starter's
# torque is steady enough for a straight line.
SPEEDS_FROM_REST = 5
# The crank moves some tens of ms after the starter's current comes (published: ISO 7637-2 pulse 4 envelope, quoted by
# an instrument maker); edges this long before it are the sensor's supply coming on.
BEFORE_STARTER_S = 0.05


def solid_edges(line: Line, rising: bool | None = None) -> Array:
    """Times in s of the edges that a turning wheel can have made: no glitches, no noise below the arming threshold.

    rising: only edges of this kind; None: both.
    """
    edges = line.edges
    good = edges.label != GLITCH
    if rising is not None:
        good &= edges.rising == rising
    if line.sensor == "vr":
        with np.errstate(invalid="ignore"):
            good &= ~(edges.arm_margin < SOLID_MARGIN)
    return np.asarray(edges.time_s[good])


def longest_gap_deg(layout: Layout | None) -> float | None:
    """The longest interval between teeth by design in crank degrees."""
    if layout is None or not layout.teeth_deg:
        return None
    teeth = np.append(np.asarray(layout.teeth_deg), layout.teeth_deg[0] + 360.0)
    return float(np.diff(teeth).max())


def _without_lone(t: Array) -> Array:
    """A stretch of edges without lone ones at its ends."""
    for _ in range(2):
        gaps = np.diff(t)
        early = range(min(LONE_EDGES, len(gaps) - 6))
        lone = [i for i in early if gaps[i] > max(LONE_S, LONE_RATIO * float(np.median(gaps[i + 1 : i + 7])))]
        t = t[max(lone, default=-1) + 1 :]
        t = -t[::-1]  # the same from the other end
    return t


def _without_key_on(t: Array, starter: Sequence[tuple[float, float]]) -> Array:
    """A stretch of edges without the few that come before the starter's current, apart from those after it."""
    for on, _ in starter:
        early = int(np.searchsorted(t, on - BEFORE_STARTER_S))
        if 0 < early <= LONE_EDGES and len(t) - early >= FEWEST_EDGES and t[early] - t[early - 1] > LONE_S:
            return t[early:]
    return t


def set_in_motion(marking_s: Array, earliest_s: float) -> float:
    """When the crank left rest, from its first marking edges: a line through the first speeds, back to zero.

    Constant acceleration is assumed, and at most four times the first interval is added (a gap of three pitches may
    lie before the first edge); no earlier than ``earliest_s``. Where the crank does not speed up (the record joins it
    turning) the first edge is all there is.
    """
    first_s = float(marking_s[0])
    gaps = np.diff(marking_s[: SPEEDS_FROM_REST + 1])
    jump = np.flatnonzero((gaps[1:] > 1.8 * gaps[:-1]) | (gaps[1:] < gaps[:-1] / 2.5))
    gaps = gaps[: int(jump[0]) + 1] if len(jump) else gaps  # up to the wheel's gap
    if len(gaps) < 2 or gaps[-1] > gaps[0] / (1.0 + 0.05 * (len(gaps) - 1)):
        return first_s
    middle = marking_s[: len(gaps)] + gaps / 2
    slope, speed = np.polyfit(middle - first_s, 1.0 / gaps, 1)
    rest = first_s - speed / slope
    return float(max(min(rest, first_s), first_s - 4 * gaps[0], earliest_s))


def trimmed(
    motions: Sequence[Motion],
    line: Line | None,
    layout: Layout | None,
    marking_rising: bool | None = None,
    record_start_s: float = -np.inf,
    starter: Sequence[tuple[float, float]] = (),
) -> tuple[Motion, ...]:
    """The motions cut at stops and trimmed at both ends by the crank line's solid edges.

    A motion of too few solid edges is dropped. starter: (on, off) in s where its current, or the battery's dip, was
    recorded: a lone edge before it is the line's supply.
    """
    if line is None:
        return tuple(motions)
    t = solid_edges(line)
    marking = solid_edges(line, marking_rising)
    gap = longest_gap_deg(layout)
    stop = 0.7 if gap is None else max(STOP_S, 1.2 * gap / (6.0 * SLOWEST_RPM))
    out: list[Motion] = []
    for m in motions:
        mine = t[(t >= m.start_s) & (t <= m.end_s)]
        if m.reversed or len(mine) < FEWEST_EDGES:
            if m.reversed:
                out.append(m)
            continue
        for part in np.split(mine, np.flatnonzero(np.diff(mine) > stop) + 1):
            part = _without_key_on(_without_lone(part), starter)
            if len(part) >= FEWEST_EDGES:
                marks = marking[(marking >= part[0]) & (marking <= part[-1])]
                pulled = [on - BEFORE_STARTER_S for on, _ in starter if on - BEFORE_STARTER_S <= part[0] <= on + STOP_S]
                earliest = max(out[-1].end_s if out else -np.inf, record_start_s, *pulled)
                start = min(set_in_motion(marks, earliest), float(part[0])) if len(marks) else float(part[0])
                out.append(replace(m, start_s=start, end_s=float(part[-1])))
    return tuple(out)
