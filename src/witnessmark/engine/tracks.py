"""Events of other lines put on crank angle, and which turn of the cycle each stretch of decoding starts in."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from witnessmark.engine.unroll import UNKNOWN_TURN, Unrolled
from witnessmark.signals.model import GLITCH, Line
from witnessmark.wheel.model import Motion

Array = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

# The first edges after power-up are calibration, wrong by 3 (at most 6) target degrees, twice that on the crank
# (published: data sheet of an automotive cam Hall IC).
STARTUP_EDGES = 3
# At the very end of a run-down the crank hangs, rocks back and loses teeth: angles there are not measured (published:
# US 10,428,752 on reverse rotation at stop). No engine is cranked as slowly as this on average (common practice: 80).
LEAST_RPM = 50.0
# Width of the kernel under which two passages of one edge count as the same place. A cam chain wanders +-2..3 crank
# degrees (memory); vanes are tens of degrees wide.
KERNEL_DEG = 6.0
# A pattern whose overlap with itself one turn on is above this share repeats every turn and cannot tell the turn:
# two equal edge sets overlap 1, a half-moon 0, an even 4-1 cam about 0.75.
REPEATS_EVERY_TURN = 0.9
# Least relative difference of the two overlaps by which a stretch is put in one turn rather than the other.
LEAST_MARGIN = 0.05
# A stretch whose pattern is like the others' in neither turn (cosine below this; one edge of four alone gives 0.5) is
# wrongly placed within the turn, as a part of a turn without a gap may be: it belongs to no turn.
LEAST_ALIKE = 0.25


@dataclass(frozen=True, slots=True)
class Track:
    """Events of one line on crank angle: only those inside decoded segments, n of them.

    angle_deg [n] continuous within a chain. segment [n]. kind [n] 1 rising, 0 falling (coils and injectors: 1).
    trusted [n] False for start-up edges and glitches.
    """

    line: Line
    time_s: Array
    angle_deg: Array
    segment: Ints
    kind: Ints
    trusted: Bools

    def __len__(self) -> int:
        """Number of events."""
        return len(self.time_s)


def track_of(line: Line, time_s: Array, kind: Ints, trusted: Bools, unrolled: Unrolled) -> Track:
    """Events inside the decoded segments."""
    angle, segment = unrolled.at(time_s)
    here = segment >= 0
    return Track(line, time_s[here], angle[here], segment[here], kind[here], trusted[here])


def startup_mask(line: Line, motions: Sequence[Motion], record_start_s: float) -> Bools:
    """True for edges that are past the sensor's calibration: not among the first edges of a motion (Hall only).

    A motion that the record joins half-way has its start-up behind it.
    """
    time = line.edges.time_s
    good = np.ones(len(time), dtype=np.bool_)
    if line.sensor != "hall":
        return good
    for motion in motions:
        if motion.reversed or motion.start_s - record_start_s < 0.05:
            continue
        first = int(np.searchsorted(time, motion.start_s))
        good[first : first + STARTUP_EDGES] = False
    return good


def cam_track(line: Line, unrolled: Unrolled, motions: Sequence[Motion], record_start_s: float) -> Track:
    """The edges of a cam line; of a variable-reluctance line only the steep crossing, which is the timed one."""
    edges = line.edges
    trusted = startup_mask(line, motions, record_start_s) & (edges.label != GLITCH)
    with np.errstate(invalid="ignore"):
        trusted &= ~(unrolled.angle.rpm(edges.time_s, 90.0) < LEAST_RPM)
    kind = edges.rising.astype(np.int64)
    take = np.ones(len(edges), dtype=np.bool_)
    if line.sensor == "vr" and len(edges):
        slope = [float(np.nanmedian(edges.slope_v_per_s[kind == k])) if (kind == k).any() else -1.0 for k in (0, 1)]
        take = kind == int(slope[1] >= slope[0])
    return track_of(line, edges.time_s[take], kind[take], trusted[take], unrolled)


@dataclass(frozen=True, slots=True)
class Alignment:
    """Turn (0 or 1, -1 unknown) to add to each segment so that all lie on one cycle; which of the two is the firing
    turn is not said by it. tells: whether the events tell the turns apart at all.
    """

    turn: tuple[int, ...]
    tells: bool
    source: str


def _histogram(angle_deg: Array, kind: Ints, cycle_deg: float) -> Array:
    bins = int(cycle_deg)
    out = np.zeros((2, bins))
    for k in (0, 1):
        place = np.floor(np.mod(angle_deg[kind == k], cycle_deg)).astype(np.int64) % bins
        out[k] = np.bincount(place, minlength=bins)
    offset = np.minimum(np.arange(bins), bins - np.arange(bins))
    kernel = np.exp(-0.5 * (offset / KERNEL_DEG) ** 2)
    smooth = np.fft.irfft(np.fft.rfft(out, axis=1) * np.fft.rfft(kernel), n=bins, axis=1)
    return np.asarray(np.maximum(smooth, 0.0))


def _overlap(a: Array, b: Array) -> float:
    return float(np.sum(a * b))


def align(unrolled: Unrolled, tracks: Sequence[Track], source: str) -> Alignment:
    """Put every chain of segments on one cycle by the overlap of the tracks' patterns (all tracks together)."""
    segments = len(unrolled.chain)
    patterns: list[Array] = []
    for chain in range(unrolled.chains):
        members = unrolled.members(chain)
        rows = []
        for track in tracks:
            here = np.isin(track.segment, members) & track.trusted
            if not here.any():
                here = np.isin(track.segment, members)
            rows.append(_histogram(track.angle_deg[here], track.kind[here], 720.0))
        patterns.append(np.concatenate(rows) if rows else np.zeros((2, 720)))
    turn = [UNKNOWN_TURN] * unrolled.chains
    weight = [float(p.sum()) for p in patterns]
    if not weight or max(weight) <= 0:
        return Alignment((UNKNOWN_TURN,) * segments, False, "")
    order = sorted(range(len(patterns)), key=lambda c: -weight[c])
    total = patterns[order[0]].copy()
    turn[order[0]] = 0
    for c in order[1:]:
        same, other = _overlap(total, patterns[c]), _overlap(total, np.roll(patterns[c], 360, axis=1))
        alike = max(same, other) / np.sqrt(max(_overlap(total, total) * _overlap(patterns[c], patterns[c]), 1e-12))
        if alike < LEAST_ALIKE or abs(same - other) < LEAST_MARGIN * (same + other):
            continue
        turn[c] = 0 if same > other else 1
        total += np.roll(patterns[c], 360 * turn[c], axis=1)
    tells = _overlap(total, np.roll(total, 360, axis=1)) < REPEATS_EVERY_TURN * _overlap(total, total)
    return Alignment(tuple(turn[c] for c in unrolled.chain), tells, source if tells else "")


def best_alignment(unrolled: Unrolled, groups: Sequence[tuple[str, Sequence[Track]]]) -> Alignment:
    """The first group whose events tell the turns apart; chains it leaves open are filled from the next groups."""
    results = [a for source, tracks in groups if tracks and (a := align(unrolled, tracks, source)).tells]
    if not results:
        only = 0 if unrolled.chains == 1 else UNKNOWN_TURN
        return Alignment((only,) * len(unrolled.chain), False, "")
    turn = list(results[0].turn)
    for other in results[1:]:
        both = [(a, b) for a, b in zip(turn, other.turn, strict=True) if UNKNOWN_TURN not in (a, b)]
        if not both:
            continue
        flip = sum(a != b for a, b in both) * 2 > len(both)
        for i, t in enumerate(other.turn):
            if turn[i] == UNKNOWN_TURN and t != UNKNOWN_TURN:
                turn[i] = t ^ int(flip)
    return Alignment(tuple(turn), True, results[0].source)
