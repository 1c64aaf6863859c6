"""When the crank turns, and how fast: stretches of rotation that are start attempts, and speed over them.

Rotation is taken from the decoded wheel, else from bursts of cam edges, the starter's current or the battery's dip, so
that an attempt with a dead crank line is still an attempt (its speed is then unknown).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from witnessmark.engine.motions import longest_gap_deg
from witnessmark.engine.sampled import smooth, thinned
from witnessmark.engine.unroll import Unrolled
from witnessmark.engine.witnesses import cam_goes_on
from witnessmark.recording.model import Recording
from witnessmark.signals.model import GLITCH, Line, Signals
from witnessmark.special import quantile
from witnessmark.wheel.model import Layout, Motion, WheelResult

Array = NDArray[np.float64]

# A starter that stands for less than this is held up by one compression, not let go (common practice: a key is not
# turned off and on again in 0.3 s).
SHORTEST_STOP_S = 0.3
# A stir of less than half a turn within a second of a stop is the engine rocking to rest.
ROCKING_S = 1.0
LEAST_TURNS = 0.5
LEAST_S = 0.4
# A starter draws 80 A and more, other loads under a third of it (common practice); shorter than this is a relay's or a
# solenoid's pull.
LEAST_STARTER_A = 40.0
LEAST_STARTER_S = 0.2
# After its inrush, which lasts some tens of ms, the starter turns and draws a steady current (common practice).
INRUSH_S = (0.1, 0.3)
# The starter pulls the battery down by more than a volt (common practice: 12.6 to 9.6-11); lamps and pumps by less.
LEAST_DIP_V = 1.0
# Longest time between the edges of a cam that turns: one cycle of 720 degrees at 80 rpm.
CAM_SILENCE_S = 1.5
# Grid on which speed is looked at.
GRID_S = 0.005
# Angle over which speed counts as instantaneous: ten teeth of a 60-tooth wheel, a third of a four's compression event.
FINE_DEG = 60.0


@dataclass(frozen=True, slots=True)
class Rotation:
    """A stretch of rotation that makes one attempt: the forward motion and the rocking after it (times in s)."""

    start_s: float
    end_s: float
    forward_end_s: float
    seen_on: str = "crank"
    turning_at_start: bool = False
    turning_at_end: bool = False


def attempts_of(
    motions: Sequence[Motion],
    unrolled: Unrolled,
    starter: Sequence[tuple[float, float]] = (),
    signals: Signals | None = None,
) -> list[Rotation]:
    """Motions grouped into attempts: hesitations joined, rocking to rest put to the attempt before.

    starter: when it draws current; a crank that stands meanwhile hangs on a compression. signals: cams that go on
    between two motions show one rotation in which the crank line was silent.
    """
    out: list[Rotation] = []
    rocked = False

    def driven(a: float, b: float) -> bool:
        if any(s - 0.1 <= a and b <= e + 0.1 for s, e in starter):
            return True
        return signals is not None and b > a and cam_goes_on(signals, a, b)

    for m in sorted(motions, key=lambda x: x.start_s):
        gap = m.start_s - out[-1].end_s if out else np.inf
        if out and not m.reversed and driven(out[-1].forward_end_s, m.start_s):
            out[-1] = Rotation(out[-1].start_s, m.end_s, m.end_s)
            continue
        if out and (m.reversed or (gap <= ROCKING_S and _turns(unrolled, m) < LEAST_TURNS)):
            if gap <= ROCKING_S:
                out[-1] = Rotation(out[-1].start_s, m.end_s, out[-1].forward_end_s)
                rocked = rocked or m.reversed
            continue
        if m.reversed:
            continue
        if out and gap < SHORTEST_STOP_S and not rocked:
            out[-1] = Rotation(out[-1].start_s, m.end_s, m.end_s)
        elif _turns(unrolled, m) >= LEAST_TURNS or m.end_s - m.start_s >= LEAST_S or driven(m.start_s, m.start_s):
            out.append(Rotation(m.start_s, m.end_s, m.end_s))
            rocked = False
    return out


def _turns(unrolled: Unrolled, motion: Motion) -> float:
    total = 0.0
    for seg in unrolled.angle.segments:
        if seg.start_s < motion.end_s and seg.end_s > motion.start_s:
            a, b = unrolled.angle.at(np.clip([motion.start_s, motion.end_s], seg.start_s, seg.end_s))
            total += float(b - a) / 360.0
    return total


def mark_ends(
    rotations: list[Rotation], unrolled: Unrolled, layout: Layout | None, record_start_s: float, record_end_s: float
) -> list[Rotation]:
    """Say of each rotation whether the record joins it half-way or leaves it still turning.

    Half-way: the first edge comes within one and a half of the wheel's longest intervals after the record's start, at a
    speed that is not the creep of a crank just set in motion.
    """
    wait_deg = 1.5 * (longest_gap_deg(layout) or 30.0)
    out: list[Rotation] = []
    for r in rotations:
        first, middle = _speed_dps(unrolled, r.start_s, 30.0), _speed_dps(unrolled, r.start_s, 360.0)
        # the gap may stand at the very start; a crank set in motion there shows under half of its later speed
        steady = first >= 0.5 * middle
        at_start = r.start_s - record_start_s <= wait_deg / middle and steady if middle > 0 else False
        last = _speed_dps(unrolled, r.end_s, -30.0)
        at_end = record_end_s - r.end_s <= wait_deg / last if last > 0 else False
        if middle <= 0:  # no angle: only the record's very ends tell
            at_start = r.start_s - record_start_s < 0.02
            at_end = record_end_s - r.end_s < 0.05
        out.append(Rotation(r.start_s, r.end_s, r.forward_end_s, r.seen_on, bool(at_start), bool(at_end)))
    return out


def _speed_dps(unrolled: Unrolled, time_s: float, span_deg: float) -> float:
    """Mean speed in deg/s over ``span_deg`` after (negative: before) the decoded knot nearest to a time; 0 unknown."""
    angle = unrolled.angle
    if not len(angle.time_s):
        return 0.0
    for seg in angle.segments:
        inside = seg.start_s - 0.2 <= time_s <= seg.end_s + 0.2
        t, a = angle.time_s[seg.start : seg.stop], angle.angle_deg[seg.start : seg.stop]
        if not inside or len(t) < 3:
            continue
        if span_deg > 0:
            i = min(int(np.searchsorted(t, time_s)), len(t) - 2)
            j = min(max(int(np.searchsorted(a, a[i] + span_deg)), i + 1), len(t) - 1)
        else:
            j = max(min(int(np.searchsorted(t, time_s, side="right")) - 1, len(t) - 1), 1)
            i = max(min(int(np.searchsorted(a, a[j] + span_deg)), j - 1), 0)
        return float((a[j] - a[i]) / (t[j] - t[i]))
    return 0.0


@dataclass(frozen=True, slots=True)
class Speed:
    """Speed over one rotation on an even grid, mean over one compression event, losses filled from both sides.

    time_s [g], rpm [g] (empty where nothing was decoded). decoded [g] False where the angle is not decoded;
    measured [g] True there too where tooth edges could be counted. turns [g] since the start.
    """

    time_s: Array
    rpm: Array
    decoded: NDArray[np.bool_]
    measured: NDArray[np.bool_]
    turns: Array
    fine_rpm: Array  # over FINE_DEG, NaN where not decoded

    @property
    def known(self) -> bool:
        """Whether any part of the rotation was decoded."""
        return len(self.time_s) > 0

    def turns_at(self, time_s: float) -> float | None:
        """Turns passed since the rotation began."""
        return float(np.interp(time_s, self.time_s, self.turns)) if self.known else None


# Undecoded stretches are counted: edges in a window of this length over the edges of a turn. It holds about half a turn
# of cranking, so that a gap moves the count by a few per cent only.
COUNT_WINDOW_S = 0.15


def counted_rpm(time_s: Array, edge_s: Array, edges_per_turn: float) -> Array:
    """Speed by counting edges about each time; NaN where fewer than three lie in the window."""
    half = COUNT_WINDOW_S / 2
    lo, hi = np.searchsorted(edge_s, time_s - half), np.searchsorted(edge_s, time_s + half)
    out = np.full(len(time_s), np.nan)
    some = hi - lo >= 3
    first, last = edge_s[lo[some]], edge_s[hi[some] - 1]
    out[some] = 60.0 * (hi[some] - lo[some] - 1) / edges_per_turn / np.maximum(last - first, 1e-9)
    return out


def _with_rest(rotation: Rotation, time_s: Array, rpm: Array) -> tuple[Array, Array]:
    """Measured speeds with the standstill right before and after them, where the record holds it."""
    if not rotation.turning_at_start and 0 < time_s[0] - rotation.start_s <= 2 * COUNT_WINDOW_S:
        time_s, rpm = np.append(rotation.start_s, time_s), np.append(0.0, rpm)
    if not rotation.turning_at_end and 0 < rotation.forward_end_s - time_s[-1] <= 2 * COUNT_WINDOW_S:
        time_s, rpm = np.append(time_s, rotation.forward_end_s), np.append(rpm, 0.0)
    return time_s, rpm


def _count_lead(
    step: Array, rotation: Rotation, time_s: Array, first: int, edge_s: Array, edges_per_turn: float
) -> None:
    """Put the turns out of rest, up to grid point ``first`` where decoding begins, at the edges counted there.

    The speed over a window ahead would take the crank to be faster than it is as it gathers speed.
    """
    lead_s = float(time_s[first] - rotation.start_s)
    passed = float(step[:first].sum())
    if rotation.turning_at_start or not 0.0 < lead_s <= COUNT_WINDOW_S or passed <= 0.0:
        return
    count = int(np.sum((edge_s >= rotation.start_s) & (edge_s <= time_s[first])))
    step[:first] *= min(count / edges_per_turn / passed, 1.0)


def speed_over(
    rotation: Rotation, unrolled: Unrolled, event_deg: float, edge_s: Array | None = None, edges_per_turn: float = 0.0
) -> Speed:
    """Speed and turns over a rotation: by the decoded angle, else by counting edges, else filled from both sides.

    edge_s: solid edges of the crank line; edges_per_turn: how many of them the wheel gives in a turn (0: unknown).
    """
    count = max(2, round((rotation.forward_end_s - rotation.start_s) / GRID_S) + 1)
    t = np.linspace(rotation.start_s, rotation.forward_end_s, count)
    rpm = unrolled.angle.rpm(t, event_deg)
    decoded = np.isfinite(rpm)
    if not decoded.any():
        nothing = np.empty(0, dtype=np.bool_)
        return Speed(np.empty(0), np.empty(0), nothing, nothing, np.empty(0), np.empty(0))
    if edge_s is not None and edges_per_turn > 0 and not decoded.all():
        rpm = np.where(decoded, rpm, counted_rpm(t, edge_s, edges_per_turn))
    measured = np.isfinite(rpm)
    filled = np.interp(t, *_with_rest(rotation, t[measured], rpm[measured]))
    angle, segment = unrolled.at(t)
    step = np.diff(t) * 0.5 * (filled[1:] + filled[:-1]) / 60.0
    same = (segment[1:] == segment[:-1]) & (segment[1:] >= 0)
    step[same] = np.diff(angle)[same] / 360.0
    if edge_s is not None and edges_per_turn > 0:
        _count_lead(step, rotation, t, int(np.argmax(decoded)), edge_s, edges_per_turn)
    fine = unrolled.angle.rpm(t, FINE_DEG)
    return Speed(t, filled, decoded, measured, np.concatenate(([0.0], np.cumsum(step))), fine)


def _stretches(time_s: Array, on: NDArray[np.bool_], join_s: float, least_s: float) -> list[tuple[float, float]]:
    """(start, end) of the stretches in which a sampled condition holds, short breaks joined."""
    edge = np.flatnonzero(np.diff(np.concatenate(([0], on.astype(np.int8), [0]))))
    out: list[tuple[float, float]] = []
    for a, b in zip(edge[::2], edge[1::2], strict=True):
        start, end = float(time_s[a]), float(time_s[b - 1])
        if out and start - out[-1][1] < join_s:
            out[-1] = (out[-1][0], end)
        else:
            out.append((start, end))
    return [s for s in out if s[1] - s[0] >= least_s]


def starter_stretches(recording: Recording, line: Line) -> list[tuple[float, float]]:
    """When the starter draws current (either direction of the clamp)."""
    time, value = thinned(recording, line.name, line.info.start_s, recording.end_s, 1000.0)
    if len(value) < 10:
        return []
    value = smooth(value, 10)
    size = np.abs(value - quantile(value, 0.1 if abs(value.max()) >= abs(value.min()) else 0.9))
    top = quantile(size, 0.99)
    least = LEAST_STARTER_A if line.scale_known else 20 * line.levels.noise
    if top < least or top <= 0:
        return []
    # behind the inrush a strong starter on an easy engine draws less than a fifth of it
    peak = float(time[int(np.argmax(size))])
    turning = size[(time >= peak + INRUSH_S[0]) & (time <= peak + INRUSH_S[1])]
    level = float(np.median(turning)) if len(turning) else top
    on = size > max(min(0.2 * top, 0.5 * level), 0.5 * least)
    return _stretches(time, on, 0.15, LEAST_STARTER_S)


def battery_stretches(recording: Recording, line: Line) -> list[tuple[float, float]]:
    """When the battery stands more than a volt below its rest, with a deeper notch at the beginning."""
    time, value = thinned(recording, line.name, line.info.start_s, recording.end_s, 1000.0)
    if len(value) < 10 or not line.scale_known:
        return []
    value = smooth(value, 10)
    rest = quantile(value, 0.9)
    found = _stretches(time, value < rest - LEAST_DIP_V, 0.15, LEAST_STARTER_S)
    out = []
    for a, b in found:
        v = value[(time >= a) & (time <= b)]
        notch = v[: max(3, len(v) // 5)].min()
        if notch <= np.median(v) - 0.1 * (rest - np.median(v)):
            out.append((a, b))
    return out


def _cam_stretches(line: Line) -> list[tuple[float, float]]:
    """Bursts of at least four cam edges."""
    t = line.edges.time_s[line.edges.label != GLITCH]
    if len(t) < 4:
        return []
    cut = np.flatnonzero(np.diff(t) > CAM_SILENCE_S) + 1
    return [(float(b[0]), float(b[-1])) for b in np.split(t, cut) if len(b) >= 4]


def find_rotations(
    signals: Signals,
    wheel: WheelResult,
    motions: Sequence[Motion],
    starter: Sequence[tuple[float, float]],
    recording: Recording,
    unrolled: Unrolled,
) -> list[Rotation]:
    """All attempts in order of time, those that only other lines show included."""
    found = attempts_of(motions, unrolled, starter, signals)

    def add(stretches: list[tuple[float, float]], seen_on: str) -> None:
        for a, b in stretches:
            if all(b < r.start_s or a > r.end_s for r in found):
                found.append(Rotation(a, b, b, seen_on))

    if starter:
        add(list(starter), "starter-current")
    for line in signals.by_role("cam"):
        add(_cam_stretches(line), line.role)
    if not found:
        for line in signals.by_role("battery"):
            add(battery_stretches(recording, line), line.role)
    found.sort(key=lambda r: r.start_s)
    return mark_ends(found, unrolled, wheel.layout, recording.start_s, recording.end_s)
