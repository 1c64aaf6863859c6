"""Edges that fail at the slowest points of every turn: the compressions choose the teeth, not the wheel.

A pick-up's pulse shrinks with speed, so a weak signal fails first where the crank all but stalls: at as many places of
the turn as cylinders compress in it. One bad tooth fails at one place.
"""

from __future__ import annotations

import numpy as np

from witnessmark.findings.measured import Measured
from witnessmark.findings.place import Standout

LOCAL_DEG, WHOLE_DEG = 60.0, 360.0  # a third of a compression of four cylinders, against the turn about it
SLOW = 0.9  # local speed over that of the turn below which a place counts as slow (cranking swings by 0.7 to 1.3)
MANY, FEWEST = 12, 2  # cylinders; places
WITHIN = 0.15  # of the way from one compression to the next: how far from one another the like places of each may lie


def with_compressions(m: Measured, out: list[Standout]) -> frozenset[int]:
    """Teeth (indices) of these that fail as parts of one pattern: two places or more, a compression apart, all slow."""
    if m.layout is None or not m.is_vr or len(out) < FEWEST:
        return frozenset()
    slow = [s.tooth for s in out if _slow(m, s.tooth)]
    angle = np.asarray(m.layout.teeth_deg)[slow]
    if _places(angle, 360.0 / MANY) < FEWEST:
        return frozenset()
    for events in range(2, MANY // 2 + 1):  # compressions a turn; with an odd number of cylinders over two turns
        apart = 360.0 / events
        off = np.angle(np.exp(2j * np.pi * (angle - angle[0]) / apart)) / (2.0 * np.pi)
        if np.ptp(off) <= 2.0 * WITHIN and _places(angle, 0.5 * apart) >= FEWEST:
            return frozenset(slow)
    return frozenset()


def _slow(m: Measured, tooth: int) -> bool:
    """Whether a tooth fails where the crank is slow, and is seen where it is not."""
    p = m.wheel.passes
    rows = np.flatnonzero(m.missing & (p.tooth == tooth))
    here, about = (m.wheel.angle.rpm(p.time_s[rows], deg) for deg in (LOCAL_DEG, WHOLE_DEG))
    share = here / about
    share = share[np.isfinite(share)]
    return share.size > 0 and float(np.median(share)) < SLOW


def _places(angle_deg: np.ndarray, apart_deg: float) -> int:
    """Groups of angles of the turn with more than ``apart_deg`` between neighbouring groups."""
    if angle_deg.size == 0:
        return 0
    order = np.sort(angle_deg % 360.0)
    return max(1, int(np.sum(np.diff(np.append(order, order[0] + 360.0)) > apart_deg)))
