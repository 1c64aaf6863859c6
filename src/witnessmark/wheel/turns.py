"""How many pattern periods make one turn: cams repeat every second turn, whatever the wheel hides."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from witnessmark.signals.model import GLITCH, Line
from witnessmark.wheel.damage import align_marks, is_even
from witnessmark.wheel.lattice import Path
from witnessmark.wheel.marks import Marks
from witnessmark.wheel.model import Layout
from witnessmark.wheel.weighing import WALKS, Candidate, unrolled

MATCH_DEG = (
    9.0  # cam edges repeat within this: chain and speed jitter of a healthy cam stays below (memory: +-3 crank deg)
)
# What one repeat, or its want, of a cam edge or output event says about the length of a turn, in nats, and the most
# one line may say: edges of one cam go wrong together, so many of them are no independent witnesses (from memory).
REPEAT_NATS, MOST_REPEAT_NATS = 1.0, 20.0
EARLY_NATS = 8.0  # a pattern that comes again in a fraction of the cycle: the turn is rather that much shorter
SAME_TURN = 0.1  # two layouts agree on the turn when the turns they count differ by less than this share
MOST_LOOKED_AT = 12
# Over a whole record a layout may fall back on a third of the edges, the others left out: that is not the reading that
# was weighed, and counts turns that it does not (the least share of edges, of those used in the windows).
SAME_READING = 0.8
# Two edges of one tooth meet the same speed, so what the other one says of the turn is no second witness of full weight
# (working choice).
MOST_OTHER_NATS = 20.0


def by_other_edges(ranked: list[Candidate], other: list[Candidate]) -> list[Candidate]:
    """Layouts weighed by how well their turn suits the other edges of the same teeth, whatever pattern those make."""
    if len(ranked) < 2 or not other:
        return ranked
    most = max(c.score for c in other)
    out = []
    for c in ranked:
        best = max((o.score for o in other if _agree(o, c)), default=-np.inf)
        out.append(replace(c, score=c.score + max(best - most, -MOST_OTHER_NATS)))
    return sorted(out, key=lambda c: -c.score)


def by_cycle(marks: Marks, ranked: list[Candidate], timed: tuple[Line, ...]) -> list[Candidate]:
    """Layouts weighed by whether what happens once a cycle comes again every second turn under them, and not sooner."""
    if not timed or len(ranked) < 2:
        return ranked
    # any that one line for it and one against the best could bring to the top
    least = ranked[0].score - 2.0 * MOST_REPEAT_NATS
    close = [c for c in ranked if c.score > least or is_even(c.layout)]
    close = [c for n, c in enumerate(close) if n < MOST_LOOKED_AT or not any(_agree(c, o) for o in close[:n])]
    even = [c for c in close if is_even(c.layout)]
    if all(_agree(c, ranked[0]) for c in close) and not even:
        return ranked
    said: dict[int, float] = {}
    for c in close:
        path = _whole_path(marks, c)
        said[id(c)] = 0.0 if path is None else _cycle_nats(timed, marks, path, c.layout)
    out = []
    for c in ranked:
        # layouts that agree on the turn stand or fall together: cams say nothing about gaps within it
        group = [said[id(o)] for o in close if _agree(o, c)]
        out.append(replace(c, score=c.score + (max(group) if group else 0.0)))
    return sorted(out, key=lambda c: -c.score)


def _whole_path(marks: Marks, c: Candidate) -> Path | None:
    """The candidate's reading over all marks, at its own tempo or a looser one: cranking swings more than running.

    None where every tempo leaves out edges that were read in the windows.
    """
    least = SAME_READING * marks.time_s.size * int(c.tally.seen.sum()) / max(c.marks, 1)
    for walk in (c.tempo.walk, *(w for w in WALKS if w > c.tempo.walk)):
        path = align_marks(marks, c.layout, replace(c.tempo, walk=walk), ripple=c.ripple)
        if path.edge.size >= least:
            return path
    return None


def _agree(a: Candidate, b: Candidate) -> bool:
    return abs(a.turns / max(b.turns, 1e-9) - 1.0) < SAME_TURN


def _cycle_nats(timed: tuple[Line, ...], marks: Marks, path: Path, layout: Layout) -> float:
    """What the repeats of cams and outputs say for this layout's turn, each line for itself: one whose pattern comes
    again in half its cycle does not outvote another that tells the halves apart.
    """
    told = [(hits, tries) for hits, tries in repeats(timed, marks.time_s, path, layout) if tries >= 3]
    if not told:
        return 0.0
    each = [REPEAT_NATS * (2.0 * hits - tries) for hits, tries in told]
    nats = float(np.sum(np.clip(each, -MOST_REPEAT_NATS, MOST_REPEAT_NATS)))
    nats = float(np.clip(nats, -2.0 * MOST_REPEAT_NATS, 2.0 * MOST_REPEAT_NATS))
    if any(hits < 0.7 * tries for hits, tries in told):
        return nats
    for part in (2, 3, 5):
        sooner = [(h, n) for h, n in repeats(timed, marks.time_s, path, layout, 720.0 / part) if n >= 3]
        if sooner and sum(h for h, _ in sooner) > 0.8 * sum(n for _, n in sooner):
            return nats - EARLY_NATS
    return nats


def repeats(
    timed: tuple[Line, ...], time_s: NDArray[np.float64], path: Path, layout: Layout, cycle_deg: float = 720.0
) -> list[tuple[int, int]]:
    """For each line (edges that come again one cycle later at the same place, edges that could be tried).

    time_s [K] are the marks the path refers to.
    """
    edge, angle, piece = unrolled(path, layout)
    out = []
    for line in timed:
        hits = tries = 0
        for number in np.unique(piece):
            rows = np.flatnonzero(piece == number)
            if rows.size >= 3:
                more = _repeat(line, time_s[edge[rows]], angle[rows], cycle_deg)
                hits, tries = hits + more[0], tries + more[1]
        out.append((hits, tries))
    return out


def _repeat(line: Line, times: NDArray[np.float64], angles: NDArray[np.float64], cycle_deg: float) -> tuple[int, int]:
    """The same for one line over one stretch of marks at these times and angles."""
    keep = line.edges.label != GLITCH
    hits = tries = 0
    for kind in (True, False):
        at = line.edges.time_s[keep & (line.edges.rising == kind)]
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
    return hits, tries
