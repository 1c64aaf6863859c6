"""From the best path to crank angle: pieces linked over losses, standstills cut, doubtful stretches set apart."""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from witnessmark.spans import Span
from witnessmark.special import running_median
from witnessmark.wheel import standstill
from witnessmark.wheel.lattice import Path
from witnessmark.wheel.model import CrankAngle, Layout, Motion, Segment
from witnessmark.wheel.rhythm import Ripple

STILL_RPM = 20.0  # below this for one and a half gaps the crank counts as standing (common practice, no source)
# However far apart the teeth are: a starter that turns the crank at all turns a third of a turn in less (29 rpm).
STANDSTILL_S = 0.7
BROKEN_SHARE = 0.4  # a turn with more wrong edges than this share of its teeth is not decoded
PACE_SLOTS = 3.4  # over more slots than this without an edge the pace beside them does not tell how many went by
FEW_SAMPLES = 4.0  # fewer samples a pitch than this: edges cannot be told apart (two half waves of two samples)


@dataclass(frozen=True)
class Chain:
    """Matches in order with cumulative angle. Arrays of length p.

    mark [p] number of the mark; angle_deg [p]; piece [p] segment number; lost [p] True where a stretch without
    trustworthy edges lies just before (linked over). even_deg [p - 1]: the step from match to match as it would be, did
    the crank turn evenly between its compressions, where the ripple is known; else that of the angle.
    """

    mark: NDArray[np.int64]
    tooth: NDArray[np.int32]
    angle_deg: NDArray[np.float64]
    piece: NDArray[np.int64]
    lost: NDArray[np.bool_]
    time_s: NDArray[np.float64]
    even_deg: NDArray[np.float64]


def still_for(layout: Layout) -> float:
    """Longest interval in s that may still be rotation."""
    teeth = np.asarray(layout.teeth_deg)
    widest = float(np.max(np.diff(np.append(teeth, teeth[0] + 360.0))))
    return float(np.clip(1.5 * widest / (6.0 * STILL_RPM), 0.4, STANDSTILL_S))


def chain_of(path: Path, layout: Layout, mark_time_s: NDArray[np.float64], ripple: Ripple | None = None) -> Chain:
    """Cumulative angles; pieces between restarts joined where the speed on both sides says how far the crank turned."""
    teeth = np.asarray(layout.teeth_deg)
    n = teeth.size
    t = mark_time_s[path.edge]
    angle, piece, lost = [0.0] * t.size, [0] * t.size, np.zeros(t.size, bool)
    plain = [float(x) for x in layout.teeth_deg]
    rows = zip(path.tooth.tolist(), path.stride.tolist(), path.restart.tolist(), strict=True)
    tooth = 0
    for i, (now, d, restart) in enumerate(rows):  # plain numbers: a record has thousands, added up in order
        a, tooth = tooth, now
        if i == 0:
            angle[i] = plain[now]
            continue
        if not restart:
            angle[i] = angle[i - 1] + plain[(a + d) % n] + 360.0 * ((a + d) // n) - plain[a]
            piece[i] = piece[i - 1]
            continue
        turned = _turned(path, teeth, t, i, angle[i - 1])
        if turned is None:
            piece[i] = piece[i - 1] + 1
            # a fresh whole turn, so that no turn is shared between pieces
            angle[i] = plain[now] + 360.0 * (np.floor(angle[i - 1] / 360.0) + 1)
        else:
            angle[i] = angle[i - 1] + turned
            piece[i] = piece[i - 1]
            lost[i] = True
    angles = np.asarray(angle, np.float64)
    even = np.diff(angles)
    if ripple is not None and even.size:
        # within the circle that meets the same ripple again: one turn or two
        start = teeth[path.tooth[:-1]] + 360.0 * (path.turn[:-1] if path.turn is not None else 0)
        even = ripple.evened(start + even) - ripple.evened(start)
    return Chain(path.edge, path.tooth, angles, np.asarray(piece, np.int64), lost, t, even)


def _turned(path: Path, teeth: NDArray[np.float64], t: NDArray[np.float64], i: int, before_deg: float) -> float | None:
    """Degrees turned over the restart before match i, or None when the two sides do not belong together."""
    n = teeth.size
    rate_in = _rate(path, teeth, t, i - 1, -1)
    rate_out = _rate(path, teeth, t, i, 1)
    dt = float(t[i] - t[i - 1])
    if rate_in is None or rate_out is None or dt <= 0 or dt > 1.5:
        return None
    slow, fast = sorted((rate_in, rate_out))
    if slow < 6.0 * 40.0 or fast > 2.8 * slow:  # under 40 rpm the crank is coming to rest or leaving it
        return None
    guess = dt * 0.5 * (rate_in + rate_out)
    if n == 1 or (bool(np.allclose(np.diff(teeth), np.diff(teeth)[0] if n > 1 else 0.0)) and _no_gap(teeth)):
        pitch = 360.0 / n
        return float(max(1.0, np.round(guess / pitch)) * pitch)
    step = float((teeth[path.tooth[i]] - before_deg) % 360.0)
    whole = max(0.0, float(np.round((guess - step) / 360.0)))
    turned = step + 360.0 * whole
    if turned <= 0 or abs(turned - guess) > max(0.3 * guess, 2.0 * 360.0 / n) or abs(turned - guess) > 100.0:
        return None
    return turned


def _no_gap(teeth: NDArray[np.float64]) -> bool:
    gaps = np.diff(np.append(teeth, teeth[0] + 360.0))
    return bool(np.allclose(gaps, gaps[0], atol=0.01))


def _rate(path: Path, teeth: NDArray[np.float64], t: NDArray[np.float64], i: int, way: int) -> float | None:
    """Speed in deg/s over up to five matches before (way -1) or after (way 1) match i."""
    n = teeth.size
    j = i
    turned = 0.0
    for _ in range(5):
        nxt = j + way
        if nxt < 0 or nxt >= t.size or path.restart[max(j, nxt)]:
            break
        late = max(j, nxt)
        a, d = int(path.tooth[late - 1]), int(path.stride[late])
        turned += float(teeth[(a + d) % n] + 360.0 * ((a + d) // n) - teeth[a])
        j = nxt
    took = abs(float(t[j] - t[i]))
    return turned / took if took > 0 and turned > 0 else None


def angle_of(chain: Chain, layout: Layout, rate_hz: float | None) -> tuple[CrankAngle, NDArray[np.bool_]]:
    """Crank angle with segments, and which matches of the chain it keeps [p]."""
    keep, undecoded = _trust(chain, layout, rate_hz)
    n_teeth = len(layout.teeth_deg)
    segments: list[Segment] = []
    kept = np.zeros(keep.size, bool)
    at = 0
    knots: list[NDArray[np.int64]] = []
    runs = _runs(chain.piece, keep)
    if any("pattern" in u.reason for u in undecoded):
        runs = _steady(runs, chain, layout, undecoded)
    for lo, hi in runs:
        turned = float(chain.angle_deg[hi - 1] - chain.angle_deg[lo])
        if hi - lo < max(3, int(0.6 * n_teeth)) or turned < 200.0:
            undecoded.append(
                Span(float(chain.time_s[lo]), float(chain.time_s[hi - 1]), "too short to place on the wheel")
            )
            continue
        rows = np.arange(lo, hi)
        kept[rows] = True
        knots.append(rows)
        segments.append(
            Segment(at, at + rows.size, float(chain.time_s[lo]), float(chain.time_s[hi - 1]), turned / 360.0)
        )
        at += rows.size
    rows = np.concatenate(knots) if knots else np.empty(0, np.int64)
    angle = CrankAngle(chain.time_s[rows], chain.angle_deg[rows], tuple(segments), tuple(undecoded))
    return angle, kept


def _steady(runs: list[tuple[int, int]], chain: Chain, layout: Layout, undecoded: list[Span]) -> list[tuple[int, int]]:
    """Where the pattern broke down somewhere, only stretches nearly as regular as the best one are believed."""
    if not runs:
        return runs
    rough = []
    for lo, hi in runs:
        with np.errstate(divide="ignore", invalid="ignore"):
            y = np.log(np.diff(chain.time_s[lo:hi]) / chain.even_deg[lo : hi - 1])
        rough.append(float(np.nanmedian(np.abs(np.diff(y, 2)))) if y.size > 4 else np.inf)
    best = min(rough)
    out = []
    for (lo, hi), value in zip(runs, rough, strict=True):
        if value <= max(3.0 * best, 0.04):
            out.append((lo, hi))
        else:
            why = "the edges do not follow the wheel's pattern here"
            undecoded.append(Span(float(chain.time_s[lo]), float(chain.time_s[hi - 1]), why))
    return out


def _runs(piece: NDArray[np.int64], keep: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """[start, stop) of kept matches of one piece, a dropped stretch in between splits it."""
    out: list[tuple[int, int]] = []
    start: int | None = None
    for i in range(piece.size):
        if start is not None and (not keep[i] or piece[i] != piece[i - 1]):
            out.append((start, i))
            start = None
        if keep[i] and start is None:
            start = i
    if start is not None:
        out.append((start, piece.size))
    return out


def _trust(chain: Chain, layout: Layout, rate_hz: float | None) -> tuple[NDArray[np.bool_], list[Span]]:
    """Which matches to believe: enough samples a pitch, and turns whose edges mostly fit."""
    p = chain.mark.size
    keep = np.ones(p, bool)
    undecoded: list[Span] = []
    if p < 3:
        return np.zeros(p, bool), undecoded
    pitch = layout.pitch_deg
    da = np.diff(chain.angle_deg)
    dt = np.diff(chain.time_s)
    same = chain.piece[1:] == chain.piece[:-1]
    per_pitch = np.full(p, np.nan)
    with np.errstate(divide="ignore", invalid="ignore"):
        per_pitch[1:] = np.where(same, dt / da * pitch, np.nan)
    per_pitch[0] = per_pitch[1]
    if rate_hz:
        smooth = running_median(np.nan_to_num(per_pitch, nan=1e9), 4)
        fast = smooth * rate_hz < FEW_SAMPLES
        keep &= ~fast
        undecoded += _spans(fast, chain.time_s, "too few samples a tooth: the recording is too slow for this speed")
    at_rest = standstill.noisy(chain.time_s, chain.angle_deg, chain.piece, pitch)
    keep &= ~at_rest
    undecoded += _spans(at_rest, chain.time_s, standstill.WHY)
    broken = (_broken(chain, layout) | _gaps_off(chain, layout) | _strayed(chain, layout)) & ~at_rest
    keep &= ~broken
    undecoded += _spans(broken, chain.time_s, "the edges do not follow the wheel's pattern here")
    return keep, undecoded


def _strayed(chain: Chain, layout: Layout) -> NDArray[np.bool_]:
    """Matches of short pieces placed some slots on, and as many back after them, while the edges keep their pace.

    A crank does not skip teeth without time passing, and not the same number back: such a piece is misplaced, by a
    steep change of speed beside a gap.
    """
    out = np.zeros(chain.mark.size, bool)
    if not layout.regular:
        return out
    slot = np.asarray(layout.tooth_slots)[chain.tooth]
    t = chain.time_s
    first = np.flatnonzero(np.diff(chain.piece) != 0) + 1

    def off(i: int) -> int | None:
        """Slots skipped at match i beyond those its time tells; None where the time tells nothing."""
        near = [k for k in range(i - 3, i + 4) if 0 < k < t.size and k != i and chain.piece[k] == chain.piece[k - 1]]
        if len(near) < 4:
            return None
        pace = float(np.median([(t[k] - t[k - 1]) / ((slot[k] - slot[k - 1]) % layout.slots or 1) for k in near]))
        steps = (t[i] - t[i - 1]) / pace
        if steps > PACE_SLOTS:
            return None
        return int((slot[i] - slot[i - 1] - round(steps)) % layout.slots)

    for a, b in itertools.pairwise(first.tolist()):
        if chain.angle_deg[b - 1] - chain.angle_deg[a] > 720.0:
            continue
        there, back = off(a), off(b)
        if there and back and (there + back) % layout.slots == 0:
            out[a:b] = True
    return out


def _broken(chain: Chain, layout: Layout) -> NDArray[np.bool_]:
    """Matches in turns whose wrong edges outnumber the limit, two such turns in a row (one alone is a finding)."""
    n = len(layout.teeth_deg)
    turn = np.floor(chain.angle_deg / 360.0).astype(np.int64)
    out = np.zeros(turn.size, bool)
    values, first, counts = np.unique(turn, return_index=True, return_counts=True)
    bad = np.zeros(values.size, bool)
    for v in range(values.size):
        lo, hi = int(first[v]), int(first[v] + counts[v])
        whole = 0 < v < values.size - 1 and values[v] - values[v - 1] == 1 and values[v + 1] - values[v] == 1
        extra = int(chain.mark[hi - 1] - chain.mark[lo] - (hi - 1 - lo))
        missed = max(0, n - int(counts[v])) if whole else 0
        if chain.lost[lo:hi].any():
            missed = 0
        bad[v] = bool((extra + missed) > max(3.0, BROKEN_SHARE * n))
    for w in np.flatnonzero(bad):
        if (w > 0 and bad[w - 1]) or (w + 1 < values.size and bad[w + 1]):
            out[first[w] : first[w] + counts[w]] = True
    return out


def _gaps_off(chain: Chain, layout: Layout) -> NDArray[np.bool_]:
    """Matches in turns whose designed gaps take another time than the pitches beside them say, two such turns in a row.

    An aligner that follows false edges still finds something to call a gap; its length gives it away. The centred
    ratio cancels acceleration; what ripple leaves is below the limits (1.5 % of it for a constant acceleration).
    """
    p = chain.mark.size
    out = np.zeros(p, bool)
    da, dt = np.diff(chain.angle_deg), np.diff(chain.time_s)
    pitch = layout.pitch_deg
    teeth = np.asarray(layout.teeth_deg)
    gap = float(np.max(np.diff(np.append(teeth, teeth[0] + 360.0))))
    if gap < 1.5 * pitch:
        return out
    limit = 0.4 if pitch < 14.0 else 0.55
    sound = (chain.piece[1:] == chain.piece[:-1]) & ~chain.lost[1:] & (dt > 0)
    turn = np.floor(chain.angle_deg / 360.0).astype(np.int64)
    off: dict[int, bool] = {}
    if da.size < 3:
        return out
    here = (np.abs(da - gap) < 0.1 * pitch)[1:-1] & sound[:-2] & sound[1:-1] & sound[2:]
    here &= np.maximum(da[:-2], da[2:]) <= 1.5 * pitch
    slow = np.log(np.maximum(dt, 1e-300) / np.maximum(chain.even_deg, 1e-9))
    for i in np.flatnonzero(here) + 1:
        wrong = bool(abs(slow[i] - 0.5 * (slow[i - 1] + slow[i + 1])) > limit)
        off[int(turn[i + 1])] = off.get(int(turn[i + 1]), False) or wrong
    order = sorted(off)
    for a, b in pairwise(order):
        if off[a] and off[b] and b - a <= 2:
            out |= (turn >= a - 1) & (turn <= b)
    return out


def _spans(flag: NDArray[np.bool_], time_s: NDArray[np.float64], why: str) -> list[Span]:
    edges = np.diff(np.concatenate(([0], flag.astype(np.int8), [0])))
    return [
        Span(float(time_s[a]), float(time_s[b - 1]), why)
        for a, b in zip(np.flatnonzero(edges == 1), np.flatnonzero(edges == -1), strict=True)
    ]


def motions_of(all_edge_time_s: NDArray[np.float64], still_s: float) -> tuple[Motion, ...]:
    """Stretches of edges without a pause longer than ``still_s``; fewer than six edges are no rotation."""
    t = all_edge_time_s
    if t.size < 6:
        return ()
    cut = np.flatnonzero(np.diff(t) > still_s)
    starts = np.concatenate(([0], cut + 1))
    stops = np.concatenate((cut + 1, [t.size]))
    return tuple(Motion(float(t[a]), float(t[b - 1])) for a, b in zip(starts, stops, strict=True) if b - a >= 6)
