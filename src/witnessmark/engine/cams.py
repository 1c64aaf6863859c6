"""Cam lines in crank degrees: the pattern learnt over the cycles, its spread, and how far it is off as a whole."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from witnessmark.engine import circular
from witnessmark.engine.facts import Facts
from witnessmark.engine.model import Cam, CamEdge, CamMotion, Phase
from witnessmark.engine.tracks import Alignment, Track
from witnessmark.engine.unroll import UNKNOWN_TURN, Unrolled
from witnessmark.recording.setup import CamWheel

Array = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

# Below this speed the engine is being cranked and a phaser stands parked (common practice: parked and locked at start).
PARKED_RPM = 450.0
# Cycles from which the parked part alone is enough to learn the pattern.
PARKED_CYCLES = 3.0
# Width of the density under which passages of one edge make one peak: three times a healthy chain's wander of 2..3
# crank degrees would merge neighbours of quick-start vanes (15 degrees and more apart), so half of that.
DENSITY_DEG = 4.0
# An edge is looked for within this distance of its place, or half-way to its neighbour of the same kind.
REACH_DEG = 20.0
# A place that shows an edge in fewer cycles than this is noise, not part of the pattern.
LEAST_PRESENT = 0.2
# An edge that measures the cam as a whole must be there in half of the cycles at least.
SURE_PRESENT = 0.5
# How far a cam may be off as a whole and still be told from the other turn: two chain teeth of an 18-tooth sprocket
# (360/18 = 20 crank degrees each, worked) and the worn chain's lag.
SEARCH_DEG = 45.0
MATCH_DEG = 12.0
# A single edge may be this far from where the rest of its cam is and still be that edge (vanes are wider).
LATE_REACH_DEG = 32.0
FIRST_CYCLES = 3


@dataclass(frozen=True, slots=True)
class Pattern:
    """Edges of one cam over the cycle in the frame of an Alignment (cumulative angle, turns aligned)."""

    track: Track
    edges: tuple[CamEdge, ...]
    cycles: int


def folded(track: Track, alignment: Alignment, cycle_deg: float) -> tuple[Array, Array, Bools]:
    """(unfolded aligned angle, angle in the cycle, usable) of a track's events."""
    turn = np.asarray([*alignment.turn, UNKNOWN_TURN], dtype=np.int64)
    if not alignment.tells:
        turn = np.maximum(turn, 0)  # the pattern repeats every turn: any turn will do
    here = turn[track.segment]
    unrolled = track.angle_deg + 360.0 * np.maximum(here, 0)
    return unrolled, np.asarray(np.mod(unrolled, cycle_deg)), here != UNKNOWN_TURN


def _coverage(unrolled: Unrolled, alignment: Alignment, place_deg: float, cycle_deg: float) -> int:
    """How often the crank passed ``place_deg`` of the cycle inside the segments."""
    passes = 0
    for i, seg in enumerate(unrolled.angle.segments):
        turn = alignment.turn[i] if alignment.tells else max(alignment.turn[i], 0)
        if turn == UNKNOWN_TURN:
            continue
        shift = 360.0 * (unrolled.shift_turns[i] + turn)
        lo = float(unrolled.angle.angle_deg[seg.start]) + shift
        hi = float(unrolled.angle.angle_deg[seg.stop - 1]) + shift
        passes += max(0, int(np.floor((hi - place_deg) / cycle_deg) - np.ceil((lo - place_deg) / cycle_deg)) + 1)
    return passes


def _peaks(angle_deg: Array, cycle_deg: float) -> list[float]:
    """Places of the cycle where events gather."""
    bins = int(cycle_deg)
    count = np.bincount(np.floor(angle_deg).astype(np.int64) % bins, minlength=bins).astype(np.float64)
    offset = np.minimum(np.arange(bins), bins - np.arange(bins))
    kernel = np.exp(-0.5 * (offset / DENSITY_DEG) ** 2)
    density = np.fft.irfft(np.fft.rfft(count) * np.fft.rfft(kernel), n=bins)
    top = (density >= np.roll(density, 1)) & (density > np.roll(density, -1)) & (density > 0.6)
    out: list[float] = []
    for i in sorted(np.flatnonzero(top), key=lambda j: -density[j]):
        if all(abs(circular.signed(i + 0.5 - p, cycle_deg)) > 2 * DENSITY_DEG for p in out):
            out.append(float(i) + 0.5)
    return sorted(out)


def _reach(place: float, others: Sequence[float], cycle_deg: float) -> float:
    away = [abs(float(circular.signed(place - p, cycle_deg))) for p in others if p != place]
    return min([REACH_DEG, *[d / 2 for d in away]])


def _parked(track: Track, unrolled: Unrolled) -> Bools:
    """Events at cranking speed, over a whole cycle: a rough idle dips below it at one place of every cycle."""
    rpm = unrolled.angle.rpm(track.time_s, 720.0)
    return np.asarray(rpm < PARKED_RPM)


def _learn_kind(
    track: Track, kind: int, at: tuple[Array, Array, Bools], unrolled: Unrolled, alignment: Alignment, cycle_deg: float
) -> list[CamEdge]:
    absolute, angle, usable = at
    mine = usable & track.trusted & (track.kind == kind)
    if not mine.any():
        return []
    parked = mine & _parked(track, unrolled)
    span = absolute[parked].max() - absolute[parked].min() if parked.any() else 0.0
    learn = parked if span >= PARKED_CYCLES * cycle_deg else mine
    places = _peaks(angle[learn], cycle_deg)
    edges: list[CamEdge] = []
    for place in places:
        reach = _reach(place, places, cycle_deg)
        near = np.abs(circular.signed(angle - place, cycle_deg)) <= reach
        if not (near & learn).any():
            continue
        centre = circular.median(angle[near & learn], cycle_deg)
        passes = _coverage(unrolled, alignment, centre, cycle_deg)
        there = near & usable & (track.kind == kind)  # an edge is there even where its angle is not trusted
        seen = len(np.unique(np.round((absolute[there] - centre) / cycle_deg)))
        present = min(1.0, seen / passes) if passes else 0.0
        if seen < 2 or present < LEAST_PRESENT:
            continue
        mean, _ = circular.mean(angle[near & learn], cycle_deg)
        sd = circular.spread(angle[near & learn], mean, cycle_deg)
        edges.append(CamEdge(mean, sd, "rising" if kind else "falling", present))
    return edges


def learn(track: Track, unrolled: Unrolled, alignment: Alignment, cycle_deg: float = 720.0) -> Pattern:
    """The pattern of one cam line from the record itself."""
    at = folded(track, alignment, cycle_deg)
    edges = [e for kind in (0, 1) for e in _learn_kind(track, kind, at, unrolled, alignment, cycle_deg)]
    absolute, _, usable = at
    spans = [float(np.ptp(absolute[usable & (track.segment == i)])) for i in np.unique(track.segment[usable])]
    return Pattern(track, tuple(sorted(edges, key=lambda e: e.angle_deg)), int(sum(spans) // cycle_deg))


def match(edges: Sequence[CamEdge], said: CamWheel, shift_deg: float, flipped: bool = False) -> float:
    """Agreement 0..1 of the learnt edges, moved earlier by ``shift_deg``, with the described ones."""
    wanted = said.edges_deg or ()
    if not wanted or not edges:
        return 0.0
    score = np.zeros((len(wanted), len(edges)))
    for i, (angle, kind) in enumerate(wanted):
        for j, edge in enumerate(edges):
            if (edge.kind == kind) != flipped:
                off = float(circular.signed(edge.angle_deg - shift_deg - angle, 720.0))
                score[i, j] = np.exp(-0.5 * (off / MATCH_DEG) ** 2)
    # both ways: a described edge that is not seen counts as much as a seen one that is not described
    return float(0.5 * (score.max(axis=1).mean() + score.max(axis=0).mean()))


def offset_deg(edges: Sequence[CamEdge], said: CamWheel) -> float | None:
    """How late a cam is as a whole against its description; None without a match."""
    found = offset_and_way(edges, said)
    return None if found is None else found[0]


def offset_and_way(edges: Sequence[CamEdge], said: CamWheel) -> tuple[float, bool] | None:
    """(offset in degrees, whether the line is the other way up than described); None without a match.

    Offset: median lateness of the learnt edges (0..720 after firing TDC) against the described ones.

    The kinds of all edges may be swapped (the probe or the sensor's output is inverted). Half of the described edges
    must be found, each in half of the cycles or more: fewer are no cam out of time but no such cam.
    """
    edges = [e for e in edges if e.present >= SURE_PRESENT]
    shifts = np.arange(-SEARCH_DEG, SEARCH_DEG + 0.5, 1.0)
    best = max(
        (
            (match(edges, said, s, flip) - 0.001 * abs(s) - 0.05 * flip, float(s), flip)
            for s in shifts
            for flip in (False, True)
        ),
        default=(0.0, 0.0, False),
    )
    if best[0] < 0.3:
        return None
    _, shift, flip = best
    late: list[float] = []
    for angle, kind in said.edges_deg or ():
        same = [e for e in edges if (e.kind == kind) != flip]
        off = [float(circular.signed(e.angle_deg - angle, 720.0)) for e in same]
        near = [d for d in off if abs(d - shift) <= 2 * MATCH_DEG]
        if near:
            late.append(min(near, key=lambda d: abs(d - shift)))
    return (float(np.median(late)), flip) if late and 2 * len(late) >= len(said.edges_deg or ()) else None


def late_against(edges: Sequence[CamEdge], said: CamWheel, offset: float, inverted: bool = False) -> list[float]:
    """How late each described edge is seen, in its order, looked for about ``offset``; NaN where it is not seen.

    inverted: the line is the other way up, so that rising edges are seen falling.
    """
    out = []
    for angle, kind in said.edges_deg or ():
        off = [float(circular.signed(e.angle_deg - angle, 720.0)) for e in edges if (e.kind == kind) != inverted]
        near = [d for d in off if abs(d - offset) <= LATE_REACH_DEG]
        out.append(min(near, key=lambda d: abs(d - offset)) if near else float("nan"))
    return out


def _parked_shift(motion: CamMotion | None) -> float:
    """How late the cam is with its phaser parked (cranking, else the first cycles) against its pattern over all."""
    if motion is None:
        return 0.0
    slow = motion.rpm < PARKED_RPM
    return float(np.median(motion.shift_deg[slow] if slow.any() else motion.shift_deg[:FIRST_CYCLES]))


def _repeats(said: CamWheel) -> bool:
    """Whether a cam is described as alike in both turns of the cycle: it is judged without knowing which turn it is."""
    edges = said.edges_deg or ()
    return all(
        any(k == kind and abs(float(circular.signed(a - angle - 360.0, 720.0))) < 1.0 for a, k in edges)
        for angle, kind in edges
    )


def to_cam(pattern: Pattern, phase: Phase, facts: Facts, motion: CamMotion | None = None) -> Cam:
    """The pattern after cylinder 1's firing TDC (where the phase is known), with its offset where it can be judged."""
    line = pattern.track.line
    said = facts.cam_for(line)
    edges = pattern.edges
    if phase.known and phase.tdc_deg is not None:
        turned = (replace(e, angle_deg=float(np.mod(e.angle_deg - phase.tdc_deg, facts.cycle_deg))) for e in edges)
        edges = tuple(sorted(turned, key=lambda e: e.angle_deg))
    placed = phase.turn_known or (phase.known and said is not None and _repeats(said))
    judged = said is not None and placed and phase.tdc_is_measured
    found = offset_and_way(edges, said) if judged and said is not None else None
    offset, inverted = (None, False) if found is None else found
    parked = _parked_shift(motion)
    late: tuple[float, ...] = ()
    if judged and said is not None and offset is not None:
        late = tuple(x + parked for x in late_against(edges, said, offset, inverted))
        offset += parked
    return Cam(
        channel=line.name,
        bank=line.bank if line.bank is not None or said is None else said.bank,
        camshaft=None if said is None else said.camshaft,
        edges=edges,
        offset_deg=offset,
        cycles=pattern.cycles,
        motion=motion,
        late_deg=late,
        tolerance_deg=None if said is None else said.tolerance_deg,
        phaser_range_deg=None if said is None else said.phaser_range_deg,
        inverted=inverted,
    )


__all__ = ["PARKED_RPM", "Pattern", "learn", "match", "offset_and_way", "offset_deg", "to_cam"]
