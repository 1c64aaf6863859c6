"""How many pattern periods make one turn: cams repeat every second turn, whatever the wheel hides."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from witnessmark.signals.model import GLITCH, Line
from witnessmark.wheel.lattice import Path
from witnessmark.wheel.model import Layout
from witnessmark.wheel.weighing import unrolled

MATCH_DEG = (
    9.0  # cam edges repeat within this: chain and speed jitter of a healthy cam stays below (memory: +-3 crank deg)
)


def cam_repeat(
    cams: tuple[Line, ...], time_s: NDArray[np.float64], path: Path, layout: Layout, cycle_deg: float = 720.0
) -> tuple[float, int]:
    """Share of cam edges that come again one cycle later at the same place, and how many could be tried.

    time_s [K] are the marks the path refers to.
    """
    edge, angle, piece = unrolled(path, layout)
    hits = tries = 0
    for number in np.unique(piece):
        rows = np.flatnonzero(piece == number)
        if rows.size < 3:
            continue
        times, angles = time_s[edge[rows]], angle[rows]
        for cam in cams:
            keep = cam.edges.label != GLITCH
            for kind in (True, False):
                at = cam.edges.time_s[keep & (cam.edges.rising == kind)]
                at = at[(at >= times[0]) & (at <= times[-1])]
                places = np.interp(at, times, angles)
                due = places + cycle_deg
                due = due[due <= angles[-1]]
                if due.size == 0 or places.size < 2:
                    continue
                near = np.searchsorted(places, due)
                left = np.abs(places[np.clip(near - 1, 0, places.size - 1)] - due)
                right = np.abs(places[np.clip(near, 0, places.size - 1)] - due)
                hits += int(np.sum(np.minimum(left, right) <= MATCH_DEG))
                tries += int(due.size)
    return (hits / tries if tries else 0.0), tries
