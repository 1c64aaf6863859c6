"""One layout on the edges: aligned to windows of marks, and what its path says weighed with what damage would cost."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from witnessmark.special import log_beta
from witnessmark.wheel import layouts
from witnessmark.wheel.damage import SOUND, Damage, align_marks, is_even
from witnessmark.wheel.lattice import Path, Tempo
from witnessmark.wheel.marks import Marks
from witnessmark.wheel.model import Layout
from witnessmark.wheel.rhythm import Ripple

# Tempos tried, as variance growth of the log-speed slope per pitch: a running engine on a fine wheel (5e-8 per cubic
# degree on 6 degrees) to cranking ripple on twelve teeth (8e-6 per cubic degree, the measured scale of simulated
# cranking at 250 rpm with a swing of 2 : 1, on 30 degrees).
WALKS = (1e-5, 3e-4, 5e-3, 1e-1)
TORQUE_WALKS = (1e-3, 5e-3, 2e-2, 8e-2, 0.3, 1.0)  # the same for a torque's walk, from 6 to 30 degrees a pitch
WALK_PER_DEG3 = 8e-6  # cranking, in degrees
# Pitches in which a torque forgets itself: about 30 degrees (a third of the way between two compressions of four
# cylinders; 20 to 80 tried on simulated cranking) on 6, 12 and 24 degrees a pitch. Tried in pitches, so that a
# pattern and its half are weighed alike.
RELAXES = (5.0, 2.5, 1.25)
GAP_IS_MISS = -3.0  # log probability of a missed tooth where the plain wheel stands for one with gaps
FEW_TEETH = 8
CLOSE_SET = 0.8  # of the usual distance (working choice: pairs are drawn at a half of it and less)
# A damaged tooth in the population with a crank code or a hard start, shared out over the wheel's teeth: weights of
# absent, bent and weak teeth add to about 0.12 of cases (common practice, no source).
DAMAGE_PRIOR = 0.12
EXTRA_PRIOR = 0.05
GAP_SHARE = 0.1  # of foreign metal, how much lodges in a slot of a gap (common practice, no source)
FURTHER_EXTRA = 5.0  # nats more for each further place: metal at two places is far rarer (from memory)
COARSE_DEG = 14.0  # from here on cranking ripple moves an edge by more than a quarter of a pitch (simulated)
FASTEST_RPM = 9000.0  # no road engine on a tester turns faster at its slowest (common practice, no source)
WINDOW = 130  # marks a window: two turns of 60-2, more of most others; longer ones mix tempos
MOST_WINDOWS = 10
# Marks left out where a record begins at rest: sensors settle on their first three edges, and out of standstill no
# speed is smooth (one such start cost the right layout 20 nats).
SETTLING = 8
# An edge whose shape speaks so clearly against a tooth costs nothing to leave out, so that nothing can be won by giving
# it a place on the wheel: the cost of an extra edge.
FALSE_NATS = -Tempo().log_extra


@dataclass
class Tally:
    """What a path says tooth by tooth: seen [n], missed [n], and the angle of every extra edge within the turn."""

    seen: NDArray[np.int64]
    missed: NDArray[np.int64]
    extra_deg: list[float]
    turned_deg: float = 0.0
    took_s: float = 0.0

    def add(self, other: Tally) -> None:
        """Take the counts of another window in."""
        self.seen += other.seen
        self.missed += other.missed
        self.extra_deg += other.extra_deg
        self.turned_deg += other.turned_deg
        self.took_s += other.took_s


@dataclass(frozen=True)
class Fit:
    """One layout on one window."""

    path: Path
    tempo: Tempo
    tally: Tally
    marks: int
    from_rest: bool = False

    @property
    def per_mark(self) -> float:
        """Log likelihood per mark in nats."""
        return self.path.score / max(1, self.marks)


@dataclass(frozen=True)
class Candidate:
    """One layout aligned to the windows. score: damage-aware log likelihood plus log prior (nats)."""

    layout: Layout
    tempo: Tempo
    score: float
    likelihood: float
    turns: float
    rpm: float
    marks: int
    tally: Tally = field(repr=False)
    damage: Damage = SOUND
    ripple: Ripple | None = None  # the ripple learnt under this layout, where that explains more

    @property
    def damaged(self) -> tuple[int, ...]:
        """Indices of teeth that are all but never there."""
        t = self.tally
        return tuple(int(i) for i in range(t.seen.size) if t.missed[i] >= 2 and t.seen[i] <= 0.1 * t.missed[i])


def jitter_of(time_s: NDArray[np.float64]) -> float:
    """Standard deviation of one edge's place in pitches, from the quiet quarter of third differences of time.

    Second differences of log intervals hold third differences of edge places (coefficients 1, -3, 3, -1: variance 20);
    the lower quartile keeps gaps, ripple and faults out (it is 0.3186 standard deviations of a normal scatter).
    """
    y = np.log(np.maximum(np.diff(time_s), 1e-9))
    steps = np.abs(np.diff(y, 2))
    if steps.size < 8:
        return 0.03
    return float(np.clip(np.percentile(steps, 25) / (0.3186 * np.sqrt(20.0)), 0.004, 0.15))


def tempos_of(marks: Marks) -> tuple[Tempo, ...]:
    """Tempos that suit these marks under the plainest wheel (all teeth alike).

    The best free one, and of those driven by a torque the best with its two neighbours.
    """
    jitter = jitter_of(marks.time_s)
    plain = layouts.even(36)
    # on a coarse wheel ripple swells the jitter's estimate, which a torque that may walk explains better
    sharp = max(0.25 * jitter, 0.004)
    smooth = [Tempo(walk, jitter) for walk in WALKS]
    torque = [
        Tempo(walk, j, torque=True, relax=relax) for relax in RELAXES for j in (jitter, sharp) for walk in TORQUE_WALKS
    ]
    best, driven = (
        max(tries, key=lambda t: align_marks(marks, plain, replace(t, log_missed=GAP_IS_MISS)).score)
        for tries in (smooth, torque)
    )
    steadier = max((w for w in TORQUE_WALKS if w < driven.walk), default=driven.walk / 5.0)
    looser = min((w for w in TORQUE_WALKS if w > driven.walk), default=driven.walk * 4.0)
    return (best, driven, replace(driven, walk=steadier), replace(driven, walk=looser))


def tally(
    path: Path, layout: Layout, time_s: NDArray[np.float64], extra_cost: NDArray[np.float64] | None = None
) -> Tally:
    """Counts along one path; strides across a restart count nothing, nor do edges whose own shape says they are false.

    extra_cost [K]: of these edges, as in ``Marks``.
    """
    n = len(layout.teeth_deg)
    teeth = np.asarray(layout.teeth_deg)
    out = Tally(np.zeros(n, np.int64), np.zeros(n, np.int64), [])
    if path.edge.size == 0:
        return out
    out.seen += np.bincount(path.tooth, minlength=n)
    rows = np.flatnonzero(~path.restart[1:]) + 1
    if rows.size == 0:
        return out
    tooth, steps = path.tooth[rows - 1].astype(np.int64), path.stride[rows]
    before, after = path.edge[rows - 1], path.edge[rows]
    end = tooth + steps
    stride = teeth[end % n] + 360.0 * (end // n) - teeth[tooth]
    dt = time_s[after] - time_s[before]
    out.turned_deg, out.took_s = float(np.cumsum(stride)[-1]), float(np.cumsum(dt)[-1])
    for p in np.flatnonzero(steps > 1):
        for gone in range(tooth[p] + 1, end[p]):
            out.missed[gone % n] += 1
    for p in np.flatnonzero(after - before > 1):
        for x in range(before[p] + 1, after[p]):
            if extra_cost is not None and extra_cost[x] >= FALSE_NATS:
                continue
            out.extra_deg.append(float((teeth[tooth[p]] + stride[p] * (time_s[x] - time_s[before[p]]) / dt[p]) % 360.0))
    return out


def _past_gap(time_s: NDArray[np.float64], start: int) -> int:
    """A start at or after ``start`` whose first interval is an ordinary one.

    From a gap the aligner cannot know the speed: layouts with wider or narrower gaps would explain it alike, and only
    one such start survives (20 nats were lost by the right wheel so).
    """
    for at in range(start, min(start + 6, time_s.size - 7)):
        dt = np.diff(time_s[at : at + 7])
        if dt[0] < 1.4 * np.median(dt[1:]):
            return at
    return start


def windows_of(marks: Marks) -> list[Marks]:
    """A few stretches of marks spread over the record, none of them too fast for the sampling."""
    if marks.from_rest and marks.time_s.size > 8 * SETTLING:
        marks = marks.window(SETTLING, marks.time_s.size)
    k = marks.time_s.size
    if k <= WINDOW * 1.3:
        return [marks]
    count = min(MOST_WINDOWS, max(2, k // WINDOW))
    starts = np.linspace(0, k - WINDOW, count).astype(int)
    first = [_past_gap(marks.time_s, int(s)) for s in starts]
    parts = [marks.window(s, s + WINDOW) for s in first]
    # five samples a tooth are needed for an edge to mean anything (time_sd_s is 0.3 samples)
    good = [p for p in parts if float(np.median(np.diff(p.time_s))) > 5 * p.time_sd_s / 0.3]
    return good or parts[:1]


def fit(marks: Marks, layout: Layout, tempos: tuple[Tempo, ...], damage: Damage = SOUND) -> Fit:
    """Align one layout to one window; the better tempo counts.

    Few vanes show themselves at steady speed only, and two teeth where one is usual look like a rough one to the plain
    wheel that the tempos were found with: both are tried at every tempo, so that neither is weighed at a worse one.
    """
    best: tuple[Path, Tempo] | None = None
    if _close_set(layout) or (len(layout.teeth_deg) <= FEW_TEETH and not is_even(layout)):
        tempos = tuple({t.walk: t for t in (*(replace(tempos[0], walk=w) for w in WALKS), *tempos)}.values())
    for tempo in tempos:
        path = align_marks(marks, layout, tempo, damage)
        if best is None or path.score > best[0].score:
            best = (path, tempo)
    assert best is not None
    counts = tally(best[0], layout, marks.time_s, marks.extra_cost)
    return Fit(best[0], best[1], counts, int(marks.time_s.size), marks.from_rest)


def _close_set(layout: Layout) -> bool:
    """Whether some teeth stand closer together than usual."""
    return not layout.regular and float(np.diff(layout.teeth_deg).min()) < CLOSE_SET * layout.pitch_deg


def weigh(layout: Layout, fits: list[Fit], damage: Damage = SOUND, placed: bool = True) -> Candidate:
    """One candidate out of its windows; what ``damage`` already says is paid for by the caller.

    placed: whether extra edges show where they are, so that one place of the wheel may be told from another.
    """
    n = len(layout.teeth_deg)
    sums = Tally(np.zeros(n, np.int64), np.zeros(n, np.int64), [])
    rpms = []
    for one in fits:
        sums.add(one.tally)
        if one.tally.took_s > 0:
            rpms.append(one.tally.turned_deg / 6.0 / one.tally.took_s)
    turns = sums.turned_deg / 360.0
    rpm = float(min(rpms)) if rpms else 0.0
    tempo = fits[0].tempo
    likely = sum(f.path.score for f in fits)
    per_mark = likely / max(1, sum(f.marks for f in fits))
    if placed:
        likely += _extra_gain(sums, layout, turns, tempo, per_mark, damage)
    if not is_even(layout):
        likely += _damage_gain(sums, n, tempo, damage)
    prior = float(np.log(layout.prior)) + _rpm_prior(rpm, fits[0].from_rest)
    if layout.source == "learnt" and not layout.regular:
        # every interval was fitted to this record (half a parameter's log each), and wheels on no grid are rare
        prior -= n * (0.5 * float(np.log(max(turns, 2.0))) + 0.15 * turns)
    best = max(fits, key=lambda f: f.marks)
    return Candidate(layout, best.tempo, likely + prior, likely, turns, rpm, sum(f.marks for f in fits), sums, damage)


def _damage_gain(sums: Tally, n: int, tempo: Tempo, damage: Damage) -> float:
    """What is won by calling teeth damaged once instead of paying each miss (never negative)."""
    gain = 0.0
    known = {tooth for tooth, _ in damage.dead}
    for tooth, (seen, missed) in enumerate(zip(sums.seen, sums.missed, strict=True)):
        if missed == 0 or tooth in known:
            continue
        plain = missed * tempo.log_missed
        gain += float(np.logaddexp(plain, _faulty_nats(n, seen, missed))) - plain
    return gain


def _faulty_nats(n: int, seen: int, missed: int) -> float:
    """Log probability that one tooth of n is damaged and is then seen and missed so often."""
    return float(np.log(DAMAGE_PRIOR / n) + log_beta(seen + 1, missed + 1) - log_beta(1, 1))


def dead_nats(sums: Tally, teeth: tuple[int, ...]) -> float:
    """What ``weigh`` has paid for these teeth's misses, in nats (0 or below), where damage was not spelt out."""
    n = sums.seen.size
    return sum(_faulty_nats(n, int(sums.seen[tooth]), int(sums.missed[tooth])) for tooth in teeth)


def _extra_gain(sums: Tally, layout: Layout, turns: float, tempo: Tempo, per_mark: float, damage: Damage) -> float:
    """The same for extra edges that come at one place of the wheel."""
    if len(sums.extra_deg) < 3 or turns < 1 or is_even(layout):
        return 0.0
    reach = layout.pitch_deg / 4.0
    gains = []
    for angle, hits, spread in clusters(sums.extra_deg, reach):
        if near(angle, damage, reach) or fills_gap(layout, angle):
            continue
        plain = hits * tempo.log_extra
        away = max(0.0, turns - hits)
        # an edge that keeps its place is as sharp as a tooth: its density over its own spread instead of over a pitch,
        # yet not sharper than the teeth of this record are
        sharp = float(np.log(layout.pitch_deg / (4.13 * max(spread, 0.02 * layout.pitch_deg))))
        faulty = np.log(EXTRA_PRIOR * reach / 360.0) + float(log_beta(hits + 1, away + 1) - log_beta(1, 1))
        faulty += hits * max(0.0, min(sharp, per_mark))
        gains.append((faulty, plain))
    first = max(gains, default=None)
    known = bool(damage.extra)
    return sum(
        float(np.logaddexp(plain, faulty - (FURTHER_EXTRA if known or (faulty, plain) != first else 0.0))) - plain
        for faulty, plain in gains
    )


def fills_gap(layout: Layout, angle_deg: float) -> bool:
    """Whether an edge here would fill a slot left out by design, on a wheel that nobody has named.

    Such edges make another wheel, which stands for election itself and needs no fault.
    """
    if layout.source == "setup" or not layout.regular:
        return False
    slots = (np.asarray(layout.missing, dtype=float) - 1.0) * layout.pitch_deg
    off = np.abs((slots - angle_deg + 180.0) % 360.0 - 180.0)
    # on coarse wheels ripple carries an edge across half the gap
    near = 0.35 if layout.pitch_deg < COARSE_DEG else 0.55
    return bool(off.size and off.min() < near * layout.pitch_deg)


def near(angle_deg: float, damage: Damage, reach_deg: float) -> bool:
    """Whether an extra edge at this angle is one the damage already speaks of."""
    return any(abs((angle_deg - known + 180.0) % 360.0 - 180.0) <= reach_deg for known, _ in damage.extra)


def _rpm_prior(rpm: float, from_rest: bool) -> float:
    """Log density of the slowest window's speed: cranking near 190 rpm, or a running engine (common practice).

    Wide on purpose: it only tells a pattern from its half or its double. A record that begins at rest holds cranking.
    """
    if rpm <= 0:
        return -6.0
    if rpm > FASTEST_RPM:
        return -30.0
    x = float(np.log(rpm))
    running = 0.03 if from_rest else 0.4
    crank = (1.0 - running) * np.exp(-0.5 * ((x - np.log(190.0)) / 0.35) ** 2) / 0.35
    run = running * np.exp(-0.5 * ((x - np.log(850.0)) / 0.6) ** 2) / 0.6
    return float(np.log(crank + run + 1e-4))


def clusters(angles_deg: list[float], reach_deg: float) -> list[tuple[float, int, float]]:
    """(mean angle, count, spread) of groups of three and more angles within ``reach_deg`` of their first member."""
    angles = np.sort(np.asarray(angles_deg))
    used = np.zeros(angles.size, bool)
    out = []
    for i in range(angles.size):
        if used[i]:
            continue
        off = (angles - angles[i] + 180.0) % 360.0 - 180.0
        close = (np.abs(off) <= reach_deg) & ~used
        if int(close.sum()) >= 3:
            used |= close
            mean = float((angles[i] + np.mean(off[close])) % 360.0)
            out.append((mean, int(close.sum()), float(np.std(off[close]))))
    return out


def unrolled(path: Path, layout: Layout) -> tuple[NDArray[np.int64], NDArray[np.float64], NDArray[np.int64]]:
    """Cumulative angle in degrees of every match: (edge numbers, angles, piece numbers; a restart opens a piece)."""
    teeth = np.asarray(layout.teeth_deg)
    n = teeth.size
    piece = np.cumsum(path.restart.astype(np.int64))
    at = path.tooth.astype(np.int64)
    whole = np.zeros(at.size, np.int64)
    ahead = np.zeros(at.size)
    if at.size > 1:
        end = at[:-1] + path.stride[1:]
        ahead[1:] = np.where(path.restart[1:], 0.0, teeth[end % n] + 360.0 * (end // n) - teeth[at[:-1]])
    whole = np.cumsum(ahead)
    first = np.flatnonzero(np.concatenate(([True], np.diff(piece) != 0))) if at.size else np.empty(0, np.int64)
    base = np.zeros(at.size)
    for a, b in zip(first, np.append(first[1:], at.size), strict=True):
        base[a:b] = teeth[at[a]] - whole[a]
    return path.edge, whole + base, piece
