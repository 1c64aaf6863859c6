"""The first turns of every motion, read at the tempo that suits them.

A tempo that fits a running engine is too stiff for the starter's first compressions on a light flywheel, yet over a
whole record it wins by what it gains while running. Where the best path stumbles as a motion begins (teeth missed,
edges left over, a start afresh), its first turns are taken from the path of another tempo, up to an edge which both
give to the same tooth, if that tempo explains these turns better.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from witnessmark.wheel.damage import Damage, align_marks
from witnessmark.wheel.lattice import Path, Tempo
from witnessmark.wheel.marks import Marks
from witnessmark.wheel.model import Layout
from witnessmark.wheel.segments import STANDSTILL_S

BEGINNING_TURNS = 8.0
AGREED = 5  # edges in a row that both paths give to the same teeth
BETTER = 5.0  # nats, odds of 150 to 1: estimate, no source


@dataclass(frozen=True)
class Tried:
    """One path over all marks and the tempo it was found at."""

    path: Path
    tempo: Tempo


def mended(marks: Marks, layout: Layout, damage: Damage, best: Tried, others: list[Tried]) -> Path:
    """The best path, the beginnings of motions taken from others where these explain them better."""
    path = best.path
    t = marks.time_s
    starts = np.flatnonzero(np.diff(t, prepend=-np.inf) > STANDSTILL_S)
    for start, stop in zip(starts, np.append(starts[1:], t.size), strict=True):
        last = _stumbles(path, int(start), int(stop), len(layout.teeth_deg))
        if last is None:
            continue
        tries = [(o, at) for o in others if (at := _agree(path, o.path, last, int(stop))) is not None]
        for other, at in tries:
            part = marks.window(int(start), at + 1)
            own, its = (align_marks(part, layout, x.tempo, damage).score for x in (best, other))
            if its > own + BETTER:
                path = _spliced(path, other.path, int(start), at)
                break
    return path


def _stumbles(path: Path, start: int, stop: int, teeth: int) -> int | None:
    """The last edge [start, stop) in the first turns at which something is missed, left over or begun afresh."""
    rows = np.flatnonzero((path.edge >= start) & (path.edge < stop))[: round(BEGINNING_TURNS * teeth)]
    if rows.size < 2:
        return None
    skipped = np.diff(path.edge[rows]) > 1
    odd = np.flatnonzero((path.stride[rows[1:]] > 1) | path.restart[rows[1:]] | skipped)
    return int(path.edge[rows[odd[-1] + 1]]) if odd.size else None


def _agree(a: Path, b: Path, after: int, stop: int) -> int | None:
    """The first edge from ``after`` on from which both paths give several edges in a row to the same teeth."""
    size = int(max(a.edge[-1], b.edge[-1])) + 1
    given = [np.full(size, -k - 1) for k in range(2)]
    for into, p in zip(given, (a, b), strict=True):
        into[p.edge] = p.tooth
    same = given[0][after:stop] == given[1][after:stop]
    if same.size < AGREED:
        return None
    runs = np.lib.stride_tricks.sliding_window_view(same, AGREED).all(axis=1)
    return after + int(np.argmax(runs)) if runs.any() else None


def _spliced(path: Path, other: Path, start: int, at: int) -> Path:
    """Path with its edges [start, at] from the other one; the strides on either side are those of their own path."""
    keep, take = (path.edge < start) | (path.edge > at), (other.edge >= start) & (other.edge <= at)
    order = np.argsort(np.concatenate([path.edge[keep], other.edge[take]]), kind="stable")

    def joined(mine: NDArray[Any], its: NDArray[Any]) -> NDArray[Any]:
        return np.concatenate([mine[keep], its[take]])[order]

    edge, restart = joined(path.edge, other.edge), joined(path.restart, other.restart)
    restart[0] = True
    first = int(np.searchsorted(edge, start))
    restart[first] = True  # a motion begins
    stride = joined(path.stride, other.stride)
    stride[restart] = 0
    turn = None if path.turn is None or other.turn is None else joined(path.turn, other.turn)
    return replace(
        path, edge=edge, tooth=joined(path.tooth, other.tooth), stride=stride, restart=restart,
        log_rate=joined(path.log_rate, other.log_rate), turn=turn,
    )  # fmt: skip
