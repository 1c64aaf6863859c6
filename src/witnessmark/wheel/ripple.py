"""Cranking ripple that comes again with every compression: what a layout makes of the edges when it may be learnt.

Between two compressions the crank slows down and speeds up the same way each time, whatever wheel is on it. So under
the right layout the time from tooth to tooth repeats with a period of 720 degrees over the number of cylinders, and
under a wrong one it does not: a strong witness just where smoothness says little (slow cranking, coarse wheels). The
period is shorter than a turn for three cylinders and more, so a gap or a missing tooth, which comes once a turn, cannot
pass for ripple. The share of time by angle is learnt from the layout's own path, and the layout is aligned anew on a
wheel whose teeth stand where they would pass at an even speed; a few rounds of that settle (Viterbi training, also
known as segmental k-means: Juang & Rabiner 1990).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from witnessmark.wheel.damage import align_marks, is_even
from witnessmark.wheel.lattice import Path, Tempo
from witnessmark.wheel.marks import Marks
from witnessmark.wheel.model import Layout
from witnessmark.wheel.rhythm import Ripple
from witnessmark.wheel.spelt import damage_cost
from witnessmark.wheel.weighing import Candidate, Fit, jitter_of, tally, unrolled, weigh

CYLINDERS = (4, 3, 6, 5)  # periods below a turn; eight and twelve repeat within four's and six's
ROUNDS = 6
MOST_MISSED = 3  # teeth missed turn after turn, beyond which the layout is simply wrong
WALKS = (1e-5, 3e-4, 5e-3)  # what is left of the speed's changes once the ripple is known
SHARPEST = 0.004  # of a pitch: the scatter of good edges (that of jitter_of)
# A torque that differs from one compression to the next moves the log time of a tooth as the inverse of the energy
# there, that is as the square of the time itself: log spread where the crank passes at its usual speed, before anything
# is known and at the least after, and the most at a stall (simulated cranking at 60 to 110 rpm).
SEED_SPREAD, LEAST_SPREAD, MOST_SPREAD = 0.03, 0.005, 0.6
MOST_SEEDS, BEST_SEEDS = 8, 2  # tried on one window, and of those on all
LENDERS = 2  # layouts whose ripple is tried under the others
FEWEST_PERIODS = 3
FEWEST_TURNS = 3.0  # in fewer, values fitted to a period outweigh what repeats
LEAST_GAIN = 0.3  # nats a mark that the ripple must explain before it counts (0.6 to 1.5 in simulated slow cranking)
# the crank slows down towards a stall: next to its slowest step the log time is up by this share of that step's at
# least, where a gap is long all by itself (simulated)
BROAD = 0.25
DIP = 0.6  # log of the speed between a dip and its banks: what is flatter is a difference between cylinders (simulated)


def explained(candidates: list[Candidate], windows: list[Marks]) -> list[Candidate]:
    """The candidates with the ripple learnt under each, where that explains the marks better than smoothness alone."""
    out = [_explained(c, windows) for c in candidates]
    # a ripple well learnt under one layout is tried under its likes: all must have had the same chance
    for best in sorted((c for c in out if c.ripple is not None), key=lambda c: -c.score)[:LENDERS]:
        out = [_with_ripple_of(c, best, windows) for c in out]
    return out


def _explained(candidate: Candidate, windows: list[Marks]) -> Candidate:
    best = candidate
    layout = candidate.layout
    if (len(layout.teeth_deg) < 5 and not is_even(layout)) or candidate.turns < FEWEST_TURNS:
        return candidate
    for cylinders in CYLINDERS:
        period = 720.0 / cylinders
        for seed in _seeds(candidate, windows, period):
            best = max(best, _settled(candidate, windows, seed), key=lambda c: c.score)
    return _in_phase(candidate, best, windows)


def _in_phase(candidate: Candidate, best: Candidate, windows: list[Marks]) -> Candidate:
    """The same with slot 1 after a tooth that is missed turn after turn, where that is the better start."""
    ripple, teeth = best.ripple, candidate.layout.teeth_deg
    often = np.flatnonzero(best.tally.missed > 0.6 * best.turns)
    if ripple is None or is_even(candidate.layout) or not 0 < often.size <= MOST_MISSED:
        return best
    step = ripple.period_deg / len(ripple.share)
    for tooth in often:
        turned = -round(teeth[(tooth + 1) % len(teeth)] / step)
        best = max(
            best, _settled(candidate, windows, _turned(ripple, ripple.period_deg, turned)), key=lambda c: c.score
        )
    return best


def _turned(ripple: Ripple, period_deg: float, steps: int) -> Ripple:
    """The ripple so many steps later."""
    share, variance = np.roll(ripple.share, steps), np.roll(ripple.variance, steps)
    return Ripple(period_deg, tuple(share.tolist()), tuple(variance.tolist()))


def _with_ripple_of(candidate: Candidate, other: Candidate, windows: list[Marks]) -> Candidate:
    """The candidate under the ripple of another layout with the same teeth from compression to compression."""
    lent = other.ripple
    if lent is None or other is candidate or candidate.turns < FEWEST_TURNS:
        return candidate
    period = lent.period_deg * candidate.layout.pitch_deg / other.layout.pitch_deg
    if not any(abs(period - 720.0 / c) < 0.01 for c in CYLINDERS):
        return candidate
    best = candidate
    for turned in (0, 1, -1):  # slot 1 may stand a slot away where a tooth beside the gap is read otherwise
        best = max(best, _settled(candidate, windows, _turned(lent, period, turned)), key=lambda c: c.score)
    return best


def _settled(candidate: Candidate, windows: list[Marks], ripple: Ripple) -> Candidate:
    """The best of a few rounds of aligning and learning, from this ripple on."""
    best = candidate
    last = -np.inf
    for _ in range(ROUNDS):
        fits = [_fit(w, candidate, ripple) for w in windows]
        now = _weighed(candidate, fits, ripple, windows)
        gain = now.likelihood - candidate.likelihood
        if gain > LEAST_GAIN * now.marks and not _in_step(fits, candidate.layout, ripple, windows):
            best = max(best, now, key=lambda c: c.score)
        if now.score < last + 0.5:
            break
        last = now.score
        learnt = learn([f.path for f in fits], candidate.layout, [w.time_s for w in windows], ripple.period_deg)
        if learnt is None:
            break
        ripple = learnt
    return best


def _in_step(fits: list[Fit], layout: Layout, ripple: Ripple, windows: list[Marks]) -> bool:
    """Whether teeth are missed at one place of every period: then the wheel repeats with the ripple.

    A wheel of two or three times the teeth could so take the turn, with its gap, for the period.
    """
    steps = len(ripple.share)
    rows = [
        gap
        for f, w in zip(fits, windows, strict=True)
        for took, gap in _periods(f.path, layout, w.time_s, ripple.period_deg, steps)
        if np.isfinite(took).all()
    ]
    if len(rows) < 2 or sum(int(f.tally.missed.sum()) for f in fits) < 0.3 * len(rows):
        return False
    return bool(np.array(rows).all(axis=0).any())


def _weighed(candidate: Candidate, fits: list[Fit], ripple: Ripple, windows: list[Marks]) -> Candidate:
    """The candidate under this ripple; every step of the ripple is paid for as a fitted value."""
    again = weigh(candidate.layout, fits, candidate.damage, placed=False)
    cost = damage_cost(candidate.layout, candidate.damage, again.tally, again.turns) if candidate.damage else 0.0
    periods = max(2.0, again.turns * 360.0 / ripple.period_deg)
    cost -= 0.5 * len(ripple.share) * float(np.log(periods))
    return replace(again, score=again.score + cost, likelihood=again.likelihood + cost, ripple=ripple)


def _fit(marks: Marks, candidate: Candidate, ripple: Ripple) -> Fit:
    """The layout aligned to one window under this ripple, at the tempo that suits it best."""
    jitter = jitter_of(marks.time_s)
    tempos = [Tempo(walk, j) for walk in WALKS for j in sorted({SHARPEST, max(SHARPEST, 0.25 * jitter)})]
    paths = [(align_marks(marks, candidate.layout, t, candidate.damage, ripple=ripple), t) for t in tempos]
    path, tempo = max(paths, key=lambda p: p[0].score)
    return Fit(path, tempo, tally(path, candidate.layout, marks.time_s), int(marks.time_s.size), marks.from_rest)


def _seeds(candidate: Candidate, windows: list[Marks], period_deg: float) -> Iterator[Ripple]:
    """Ripples to begin with: read off the candidate's own path, and off one period of edges after a likely gap."""
    layout = candidate.layout
    look = max(windows, key=lambda w: w.time_s.size)
    # two windows may begin in either of two turns that meet different ripple
    some = windows if (360.0 / period_deg).is_integer() else [look]
    paths = [align_marks(w, layout, candidate.tempo, candidate.damage) for w in some]
    own = learn(paths, layout, [w.time_s for w in some], period_deg)
    if own is not None:
        yield own
    tries = []
    for at in _after_gaps(look.time_s, layout):
        seed = _read_off(look.time_s, at, layout, period_deg)
        if seed is not None:
            path = align_marks(look, layout, Tempo(WALKS[1], 2.5 * SHARPEST), candidate.damage, ripple=seed)
            tries.append((path.score, seed))
    yield from (seed for _, seed in sorted(tries, key=lambda t: -t[0])[:BEST_SEEDS])


def _after_gaps(time_s: NDArray[np.float64], layout: Layout) -> list[int]:
    """Marks that may be the first tooth after the gap: those after the intervals that stand out most, in one turn."""
    n = len(layout.teeth_deg)
    if is_even(layout):
        return [max(0, (time_s.size - n) // 2)]
    y = np.log(np.maximum(np.diff(time_s), 1e-9))
    out = np.zeros(y.size)
    out[1:-1] = y[1:-1] - 0.5 * (y[:-2] + y[2:])
    start = min(n, max(0, y.size - 2 * n))
    some = np.arange(start, min(start + n, y.size))
    return [int(k) + 1 for k in some[np.argsort(out[some])[::-1][:MOST_SEEDS]]]


def _read_off(time_s: NDArray[np.float64], at: int, layout: Layout, period_deg: float) -> Ripple | None:
    """The ripple of the edges from mark ``at`` on, taken for the first tooth of the wheel."""
    teeth = np.asarray(layout.teeth_deg)
    n = teeth.size
    many = np.arange(min(2 * n, time_s.size - at))
    angle = teeth[many % n] + 360.0 * (many // n)
    if many.size < 3 or angle[-1] < period_deg:
        return None
    steps = _steps(layout, period_deg)
    share = np.diff(np.interp(np.arange(steps + 1) * period_deg / steps, angle, time_s[at + many]))
    if np.any(share <= 0) or not _one_dip(np.log(share)):
        return None
    return Ripple(period_deg, tuple((share / share.sum()).tolist()), tuple((_spread(share, SEED_SPREAD) ** 2).tolist()))


def _spread(share: NDArray[np.float64], usual: float) -> NDArray[np.float64]:
    """Log spread of each step's time [steps] from its share of time, ``usual`` at the usual speed."""
    return np.asarray(np.minimum(usual * np.square(share / np.median(share)), MOST_SPREAD))


def _one_dip(log_share: NDArray[np.float64]) -> bool:
    """Whether the speed dips once in the period, and gradually: else it is no period from compression to compression.

    Without this a wheel of twice the teeth would learn a whole turn with its gap as ripple.
    """
    top = int(np.argmax(log_share))
    level = float(np.median(log_share))
    beside = max(log_share[top - 1], log_share[(top + 1) % log_share.size])
    if beside - level < BROAD * (log_share[top] - level):
        return False
    start = int(np.argmin(log_share))
    y = np.roll(log_share, -start)
    climbed = peak = 0.0
    low = y[0]
    dips = 0
    for value in np.append(y[1:], y[0]):
        if value > low + DIP and not climbed:
            climbed, peak = 1.0, value
        elif climbed and value > peak:
            peak = value
        elif climbed and value < peak - DIP:
            dips, climbed, low = dips + 1, 0.0, value
        if not climbed:
            low = min(low, value)
    return dips == 1


def _steps(layout: Layout, period_deg: float) -> int:
    """Steps of the ripple: one a pitch, six at least."""
    return max(6, round(period_deg / layout.pitch_deg))


def learn(paths: list[Path], layout: Layout, times_s: list[NDArray[np.float64]], period_deg: float) -> Ripple | None:
    """The ripple of these paths over their edge times; None with fewer than three periods."""
    steps = _steps(layout, period_deg)
    rows = [row for path, t in zip(paths, times_s, strict=True) for row in _periods(path, layout, t, period_deg, steps)]
    if len(rows) < FEWEST_PERIODS:
        return None
    plain, apart = np.log(np.array([row for row, _ in rows])), np.array([gap for _, gap in rows])
    logs = np.where(apart, np.nan, plain)
    enough = np.isfinite(logs).sum(axis=1) >= 0.5 * steps
    if enough.sum() < FEWEST_PERIODS:
        return None
    logs = np.where(np.isfinite(logs).any(axis=0), logs, plain)[enough]  # where every period has a gap, that
    if not np.isfinite(logs).any(axis=0).all():
        return None
    shape = np.zeros(steps)
    for _ in range(4):
        level = np.nanmedian(logs - shape, axis=1, keepdims=True)
        shape = np.nanmedian(logs - level, axis=0)
    off = np.square(logs - level - shape)
    usual = float(np.nanmedian(off)) / 0.455  # median of a squared normal deviate
    count = np.isfinite(off).sum(axis=0)
    seen = np.maximum((np.nansum(off, axis=0) + 2.0 * usual) / (count + 2) - 2.0 * usual, 0.0)
    if not _one_dip(shape):
        return None
    share = np.exp(shape)
    variance = np.maximum(seen, _spread(share, LEAST_SPREAD) ** 2)
    return Ripple(period_deg, tuple((share / share.sum()).tolist()), tuple(variance.tolist()))


def _periods(
    path: Path, layout: Layout, time_s: NDArray[np.float64], period_deg: float, steps: int
) -> Iterator[tuple[NDArray[np.float64], NDArray[np.bool_]]]:
    """Time by equal steps of angle, period by period [steps], NaN where no edges are; and which steps lie in gaps."""
    if path.edge.size == 0:
        return
    edge, angle, piece = unrolled(path, layout)
    for number in np.unique(piece):
        rows = np.flatnonzero(piece == number)
        if rows.size < 4:
            continue
        at = angle[rows] - angle[rows[0]] + layout.teeth_deg[path.tooth[rows[0]]]
        if path.turn is not None:
            at = at + 360.0 * path.turn[rows[0]]
        t = time_s[edge[rows]]
        wide = np.diff(at) > 1.6 * layout.pitch_deg
        for turn in range(int(at[0] // period_deg), int(at[-1] // period_deg) + 1):
            grid = (turn + np.arange(steps + 1) / steps) * period_deg
            took = np.diff(np.interp(grid, at, t, left=np.nan, right=np.nan))
            inside = np.clip(np.searchsorted(at, 0.5 * (grid[1:] + grid[:-1])) - 1, 0, wide.size - 1)
            if np.any(took > 0):
                yield np.where(took > 0, took, np.nan), wide[inside]
