"""How each cam moves against the crank, cycle by cycle, and how each of its edges stands to the others."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from witnessmark.engine import circular
from witnessmark.engine.cams import Pattern, folded
from witnessmark.engine.model import CamEdge, CamMotion
from witnessmark.engine.tracks import Alignment
from witnessmark.engine.unroll import Unrolled

Array = NDArray[np.float64]
Ints = NDArray[np.int64]

# An edge is taken for the pattern's within this distance of where the cam was last, or half-way to its neighbour.
REACH_DEG = 25.0
# A cycle counts when half of its edges were seen; with fewer a single edge would speak for the cam.
CYCLE_SHARE = 0.5
# How fast the place of the cam is followed from edge to edge (of 1): a phaser moves a few degrees a cycle.
FOLLOW = 0.4


@dataclass(frozen=True, slots=True)
class _Seen:
    """Events matched to the pattern, in order of time: pattern edge, deviation in degrees, cycle number, row."""

    edge: Ints
    late_deg: Array
    cycle: Ints
    row: Ints


def motion_of(pattern: Pattern, unrolled: Unrolled, alignment: Alignment, cycle_deg: float) -> CamMotion | None:
    """Deviation of the cam as a whole from its learnt pattern in every cycle; None without two whole cycles.

    Edges not trusted (start-up, glitches, near standstill) are left out.
    """
    track = pattern.track
    if len(pattern.edges) == 0 or len(track) == 0:
        return None
    absolute, angle, usable = folded(track, alignment, cycle_deg)
    seen = _matched(pattern, absolute, angle, usable & track.trusted, cycle_deg)
    if seen is None:
        return None
    least = max(1, int(np.ceil(CYCLE_SHARE * len(pattern.edges))))
    time, shift, count = [], [], []
    rest = np.full(len(seen.late_deg), np.nan)
    for number in np.unique(seen.cycle):
        mine = np.flatnonzero(seen.cycle == number)
        if len(mine) < least:
            continue
        middle = float(np.median(seen.late_deg[mine]))
        rest[mine] = seen.late_deg[mine] - middle
        time.append(float(np.mean(track.time_s[seen.row[mine]])))
        shift.append(middle)
        count.append(len(mine))
    if len(time) < 2:
        return None
    when = np.asarray(time)
    return CamMotion(
        time_s=when, shift_deg=np.asarray(shift), rpm=unrolled.angle.rpm(when, cycle_deg),
        edge_sd_deg=tuple(_spread(rest[(seen.edge == i) & np.isfinite(rest)]) for i in range(len(pattern.edges))),
        edge_seen=tuple(int(np.sum(seen.edge == i)) for i in range(len(pattern.edges))),
    )  # fmt: skip


def joined(pattern: Pattern, cycle_deg: float) -> Pattern:
    """The pattern with the places of one edge that moves taken together."""
    return replace(pattern, edges=_joined(pattern.edges, cycle_deg))


def _joined(edges: tuple[CamEdge, ...], cycle_deg: float) -> tuple[CamEdge, ...]:
    """Two places that show an edge in turns are one edge that moves: both halves of a cam that swings."""
    out: list[CamEdge] = []
    for edge in edges:
        twin = next(
            (
                e for e in out
                if e.kind == edge.kind and e.present + edge.present <= 1.15
                and abs(float(circular.signed(e.angle_deg - edge.angle_deg, cycle_deg))) < 2.0 * REACH_DEG
            ),
            None,
        )  # fmt: skip
        if twin is None:
            out.append(edge)
            continue
        share = edge.present / max(edge.present + twin.present, 1e-9)
        step = float(circular.signed(edge.angle_deg - twin.angle_deg, cycle_deg))
        out[out.index(twin)] = replace(
            twin, angle_deg=(twin.angle_deg + share * step) % cycle_deg, present=min(1.0, edge.present + twin.present)
        )
    return tuple(out)


def _spread(values: Array) -> float:
    """Robust standard deviation; NaN for fewer than three."""
    if len(values) < 3:
        return float("nan")
    return float(1.4826 * np.median(np.abs(values - np.median(values))))


def _matched(pattern: Pattern, absolute: Array, angle: Array, use: NDArray[np.bool_], cycle_deg: float) -> _Seen | None:
    """Each event given to the nearest edge of its kind, counted from where the cam was last."""
    kinds = np.array([1 if e.kind == "rising" else 0 for e in pattern.edges])
    places = np.array([e.angle_deg for e in pattern.edges])
    reach = np.array([_reach(places, kinds, i, cycle_deg) for i in range(len(places))])
    edges, late, rows = [], [], []
    at = 0.0
    last = -1
    for row in np.flatnonzero(use):
        same = np.flatnonzero(kinds == pattern.track.kind[row])
        if len(same) == 0:
            continue
        if last >= 0 and pattern.track.segment[row] != last:
            at = 0.0  # after a loss of the crank signal nothing is known of where the cam went
        last = int(pattern.track.segment[row])
        off = circular.signed(angle[row] - places[same] - at, cycle_deg)
        k = int(np.argmin(np.abs(off)))
        if abs(off[k]) > reach[same[k]]:
            continue
        edges.append(int(same[k]))
        late.append(float(off[k]) + at)
        rows.append(int(row))
        at += FOLLOW * float(np.clip(off[k], -6.0, 6.0))
    if len(rows) < 2:
        return None
    index = np.asarray(rows)
    number = np.round((absolute[index] - places[np.asarray(edges)] - np.asarray(late)) / cycle_deg).astype(np.int64)
    # a segment of its own numbering: cycles of two chains must not fall together
    number = number + 1_000_000 * pattern.track.segment[index]
    return _Seen(np.asarray(edges), np.asarray(late), number, index)


def _reach(places: Array, kinds: Ints, i: int, cycle_deg: float) -> float:
    others = np.flatnonzero((kinds == kinds[i]) & (np.arange(len(places)) != i))
    away = np.abs(circular.signed(places[others] - places[i], cycle_deg))
    return float(min(REACH_DEG, away.min() / 2.0 if len(away) else REACH_DEG))
