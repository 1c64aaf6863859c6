"""Which wheel is it: layouts compared on the same edges.

Every candidate is aligned to the same windows of marks. Its score is the log likelihood of the marks, made damage-aware:
a tooth that is missing (or an extra edge that comes) at one place turn after turn is paid for once, as a damaged wheel
at its prior, and not again every turn. So a sound rare design and a common design with a fault compete on fair terms.
"""  # noqa: E501

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from witnessmark.special import log_beta
from witnessmark.wheel import layouts, pitch
from witnessmark.wheel.candidates import shortlist
from witnessmark.wheel.damage import FLANKS, SOUND, Damage, align_marks, flank_shift, is_even
from witnessmark.wheel.lattice import Path, Tempo
from witnessmark.wheel.marks import Marks
from witnessmark.wheel.model import Layout

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
CRANK_MISS, CRANK_EXTRA = Tempo().log_missed, Tempo().log_extra
# A damaged tooth in the population with a crank code or a hard start, shared out over the wheel's teeth: weights of
# absent, bent and weak teeth add to about 0.12 of cases (common practice, no source).
DAMAGE_PRIOR = 0.12
EXTRA_PRIOR = 0.05
GAP_SHARE = 0.1  # of foreign metal, how much lodges in a slot of a gap (common practice, no source)
FURTHER_EXTRA = 5.0  # nats more for each further place: metal at two places is far rarer (from memory)
FASTEST_RPM = 9000.0  # no road engine on a tester turns faster at its slowest (common practice, no source)
WINDOW = 130  # marks a window: two turns of 60-2, more of most others; longer ones mix tempos
MOST_WINDOWS = 10
# Marks left out where a record begins at rest: sensors settle on their first three edges, and out of standstill no
# speed is smooth (one such start cost the right layout 20 nats).
SETTLING = 8
LOOK = 200  # marks of the first pass: three turns of 60-2


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


def tally(path: Path, layout: Layout, time_s: NDArray[np.float64]) -> Tally:
    """Counts along one path; strides across a restart count nothing."""
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
    """Align one layout to one window; the better tempo counts. Few vanes show themselves at steady speed only."""
    best: tuple[Path, Tempo] | None = None
    if len(layout.teeth_deg) <= FEW_TEETH and not is_even(layout):
        tempos = tuple({t.walk: t for t in (*(replace(tempos[0], walk=w) for w in WALKS), *tempos)}.values())
    for tempo in tempos:
        path = align_marks(marks, layout, tempo, damage)
        if best is None or path.score > best[0].score:
            best = (path, tempo)
    assert best is not None
    counts = tally(best[0], layout, marks.time_s)
    return Fit(best[0], best[1], counts, int(marks.time_s.size), marks.from_rest)


def weigh(layout: Layout, fits: list[Fit], damage: Damage = SOUND) -> Candidate:
    """One candidate out of its windows; what ``damage`` already says is paid for by the caller."""
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
    each = np.log(DAMAGE_PRIOR / n)
    known = {tooth for tooth, _ in damage.dead}
    for tooth, (seen, missed) in enumerate(zip(sums.seen, sums.missed, strict=True)):
        if missed == 0 or tooth in known:
            continue
        plain = missed * tempo.log_missed
        faulty = each + float(log_beta(seen + 1, missed + 1) - log_beta(1, 1))
        gain += float(np.logaddexp(plain, faulty)) - plain
    return gain


def _extra_gain(sums: Tally, layout: Layout, turns: float, tempo: Tempo, per_mark: float, damage: Damage) -> float:
    """The same for extra edges that come at one place of the wheel."""
    if len(sums.extra_deg) < 3 or turns < 1 or is_even(layout):
        return 0.0
    reach = layout.pitch_deg / 4.0
    gains = []
    for angle, hits, spread in clusters(sums.extra_deg, reach):
        if _near(angle, damage, reach) or _fills_gap(layout, angle):
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


def _fills_gap(layout: Layout, angle_deg: float) -> bool:
    """Whether an edge here would fill a slot left out by design, on a wheel that nobody has named.

    Such edges make another wheel, which stands for election itself and needs no fault.
    """
    if layout.source == "setup" or not layout.regular:
        return False
    slots = (np.asarray(layout.missing, dtype=float) - 1.0) * layout.pitch_deg
    off = np.abs((slots - angle_deg + 180.0) % 360.0 - 180.0)
    return bool(off.size and off.min() < 0.35 * layout.pitch_deg)


def _near(angle_deg: float, damage: Damage, reach_deg: float) -> bool:
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


def _roughness(marks: Marks) -> float:
    """Median step between neighbouring log intervals: small where teeth pass evenly."""
    steps = np.abs(np.diff(np.log(np.maximum(np.diff(marks.time_s), 1e-9))))
    return float(np.median(steps)) if steps.size else np.inf


def compare(marks: Marks, extra: list[Layout] | None = None) -> list[Candidate]:
    """All candidates for these marks, best first.

    A first pass on the most regular window thins the list; windows in which even the best candidate fits
    much worse than elsewhere (standing engine, sampling too slow) are left out for all alike.
    """
    windows = windows_of(marks)
    look = min(windows, key=_roughness).window(0, LOOK)
    tries = shortlist(look) + list(extra or ())
    tempo = tempos_of(look)
    quick = [
        (max((fit(look, lay, tempo, d) for d in _flanks(look, lay)), key=lambda f: f.path.score), lay) for lay in tries
    ]
    ranked = sorted((weigh(lay, [f]).score, i) for i, (f, lay) in enumerate(quick))[::-1]
    keep = [quick[i][1] for rank, (s, i) in enumerate(ranked) if s > ranked[0][0] - 80.0 or rank < 6][:10]
    keep += [
        quick[i][1] for s, i in ranked if quick[i][1] not in keep and s > ranked[0][0] - 150.0 and _common(quick[i][1])
    ]
    keep += [lay for lay in extra or () if lay not in keep]
    each = [tempos_of(w) for w in windows]
    bends = [_best_flank(lay, windows, each) for lay in keep]
    table = [
        [fit(w, lay, t, d) for w, t in zip(windows, each, strict=True)] for lay, d in zip(keep, bends, strict=True)
    ]
    per_window = [max(row[w].per_mark for row in table) for w in range(len(windows))]
    good = [w for w, value in enumerate(per_window) if value > max(per_window) - 1.2]
    used = [windows[w] for w in good]
    found = [weigh(lay, [row[w] for w in good], d) for lay, row, d in zip(keep, table, bends, strict=True)]
    found.sort(key=lambda c: -c.score)
    tempi = [each[w] for w in good]
    # what a candidate could reach if every miss and extra edge were explained, and then some: a tooth beside the gap is
    # put on either side by different windows, which costs more than its misses
    hope = [c.score - CRANK_MISS * int(c.tally.missed.sum()) - CRANK_EXTRA * len(c.tally.extra_deg) for c in found]
    best = found[0].score
    return sorted(
        (
            with_damage(c, used, tempi) if h > best - HOPE or is_even(c.layout) else c
            for c, h in zip(found, hope, strict=True)
        ),
        key=lambda c: -c.score,
    )


def _common(layout: Layout) -> bool:
    """A wheel met often enough to be tried on the whole record even when one window speaks against it."""
    return layout.source == "catalogue" and layout.prior >= 4.0


def _flanks(marks: Marks, layout: Layout) -> tuple[Damage, ...]:
    """The drawn flanks worth trying: none but on a pick-up's gaps."""
    if not (marks.vr and layout.regular and layout.missing):
        return (SOUND,)
    return tuple(Damage(flank=f) for f in FLANKS)


def _best_flank(layout: Layout, windows: list[Marks], tempos: list[tuple[Tempo, ...]]) -> Damage:
    """The drawn flank that suits two of the windows best."""
    tries = _flanks(windows[0], layout)
    if len(tries) == 1:
        return tries[0]
    some = list(zip(windows, tempos, strict=True))[:: max(1, len(windows) // 2)][:2]
    return max(tries, key=lambda d: sum(fit(w, layout, t, d).path.score for w, t in some))


def with_damage(candidate: Candidate, windows: list[Marks], tempos: list[tuple[Tempo, ...]]) -> Candidate:
    """The candidate with its damage spelt out and paid for once a place, where that explains the marks better.

    Without this a layout could buy a displaced tooth off as an extra edge beside an invented gap, and windows could
    put one missing tooth now on this, now on that side of the gap.
    """
    layout = candidate.layout
    if is_even(layout):
        return _one_gone(candidate, windows, tempos)
    if len(layout.teeth_deg) < 5:
        return candidate
    tries = {_damage_seen(candidate, candidate.damage, grid) for grid in (2, 1)}
    if candidate.likelihood > CLEAR * candidate.marks:
        tries |= set(filled(layout, candidate.damage.flank))
    return max((_spelt_out(candidate, windows, tempos, d) for d in tries), key=lambda c: c.score)


def filled(layout: Layout, flank: float) -> list[Damage]:
    """One slot of the gap filled: the aligner must be told where to look, for it rather takes the gap for a loss.

    A gap of one slot is looked for in the setup's wheel only: filled, it is any other's wheel without a gap.
    """
    least = {"setup": 1, "catalogue": 2}.get(layout.source, 9)
    gap = layout.missing[-1] - layout.missing[0] + 1 if layout.missing else 0
    if gap != len(layout.missing) or not least <= gap <= 2:
        return []
    return [Damage(extra=(((slot - 1) * layout.pitch_deg, 0.97),), flank=flank) for slot in layout.missing]


def _spelt_out(
    candidate: Candidate, windows: list[Marks], tempos: list[tuple[Tempo, ...]], damage: Damage
) -> Candidate:
    """The candidate with this damage, and what then shows beside it, where that explains the marks better."""
    layout = candidate.layout
    best = candidate
    for _ in range(2):
        shift = damage.shift_deg
        if candidate.likelihood / candidate.marks >= SHARP:
            shift = _shifts(candidate, windows, tempos, damage)
        full = replace(damage, shift_deg=shift) if any(shift) else damage
        if not full or full.count > MOST_DAMAGE:
            break
        again = weigh(layout, [fit(w, layout, t, full) for w, t in zip(windows, tempos, strict=True)], full)
        cost = damage_cost(layout, full, again.tally, again.turns)
        again = replace(again, score=again.score + cost, likelihood=again.likelihood + cost, damage=full)
        if again.score <= best.score:
            break
        best = again
        damage = _damage_seen(again, replace(full, shift_deg=()))
    return best


def in_gap(layout: Layout, damage: Damage) -> list[int]:
    """Slots empty by design in which this damage puts an edge."""
    if not layout.regular:
        return []
    slots = [round(angle / layout.pitch_deg, 3) % layout.slots + 1 for angle, _ in damage.extra]
    return [int(s) for s in slots if s in layout.missing]


def damage_cost(layout: Layout, damage: Damage, tally: Tally, turns: float) -> float:
    """Log prior of this damage in nats, with the turns in which it does not show (0 or below)."""
    if is_even(layout):
        return float(np.log(DAMAGE_PRIOR)) + int(tally.seen[0]) * float(np.log(0.03))
    cost = (damage.count - len(damage.extra)) * float(np.log(DAMAGE_PRIOR / len(layout.teeth_deg)))
    inside = len(in_gap(layout, damage))
    cost += (len(damage.extra) - inside) * float(np.log(EXTRA_PRIOR * 0.5 * layout.pitch_deg / 360.0))
    cost += inside * float(np.log(EXTRA_PRIOR * GAP_SHARE / max(1, len(layout.missing))))
    cost -= FURTHER_EXTRA * max(0, len(damage.extra) - 1)
    cost -= 0.5 * (damage.count - inside) * float(np.log(max(turns, 2.0)))  # a slot is no fitted place
    # passes in which a dead tooth shows, or a fixed extra edge comes, are paid at the share assumed for them
    cost += sum(int(tally.seen[i]) * float(np.log(1.0 - share)) for i, share in damage.dead)
    cost += sum(share * turns * float(np.log(share)) for _, share in damage.extra)
    return cost


HOPE = 60.0  # nats a candidate may lie behind before its damage is spelt out (36 seen for a tooth gone beside the gap)
# Nats a mark below which speed ripple hides more than a tooth's place shows (a scatter of 0.1 in log interval): there
# only what is missing or extra in most turns counts as damage.
SHARP = 0.8
CLEAR = 0.3  # the same for gaps and dead teeth, which are larger than a tooth's displacement


def _one_gone(candidate: Candidate, windows: list[Marks], tempos: list[tuple[Tempo, ...]]) -> Candidate:
    """A wheel without a gap, with one tooth gone: then that tooth is the reference, whichever it is."""
    layout = candidate.layout
    if len(layout.teeth_deg) < 12:
        return candidate
    damage = Damage(dead=((0, 0.97),))
    again = weigh(layout, [fit(w, layout, t, damage) for w, t in zip(windows, tempos, strict=True)], damage)
    cost = damage_cost(layout, damage, again.tally, again.turns)
    if again.score + cost <= candidate.score:
        return candidate
    return replace(again, score=again.score + cost, likelihood=again.likelihood + cost)


MOST_DAMAGE = 8  # more broken places than this is another wheel, or no wheel


def _damage_seen(candidate: Candidate, known: Damage, grid: int = 2) -> Damage:
    """Dead teeth and fixed extra edges as the tally shows them.

    An edge near a slot (grid 1) or half way between two (grid 2) is taken to be where it would be made, not where
    ripple puts it. Debris between teeth keeps to no grid, so both are tried.
    """
    layout, t = candidate.layout, candidate.tally
    total = t.seen + t.missed
    share = np.where(total >= 3, t.missed / np.maximum(total, 1), 0.0)
    sharp = candidate.likelihood / candidate.marks >= SHARP
    least = 0.3 if sharp else 0.6
    # a tooth missed in nearly all passes is gone: the odd pass with an edge is a slip of one window
    dead = [(int(i), 0.97 if share[i] > 0.85 else float(share[i])) for i in np.flatnonzero(share > least)]
    ends = [d for d in dead if d[0] in (0, len(layout.teeth_deg) - 1)]
    if len(ends) == 2 and ends[0][1] + ends[1][1] < 1.3:
        # one tooth beside the gap, put on either side by different windows: keep the side met more often
        dead = [d for d in dead if d not in ends] + [(max(ends, key=lambda d: d[1])[0], 0.97)]
    extra = list(known.extra)
    for angle, hits, _ in clusters(t.extra_deg, layout.pitch_deg / 4.0):
        drawn = np.round(angle / layout.pitch_deg * grid) / grid * layout.pitch_deg
        if abs(angle - drawn) < (0.12 if sharp else 0.26) * layout.pitch_deg:
            angle = float(drawn)
        places = np.asarray([*layout.teeth_deg, *(a for a, _ in extra)])
        beside = np.abs((places - angle + 180.0) % 360.0 - 180.0).min() < 0.15 * layout.pitch_deg
        if (
            hits >= max(3.0, (least - 0.05) * candidate.turns)
            and not beside
            and not _fills_gap(layout, angle)
            and not _near(angle, known, layout.pitch_deg / 4.0)
        ):
            extra.append((angle, float(np.clip(hits / max(candidate.turns, 1.0), 0.03, 0.97))))
    return _displaced(layout, Damage((), tuple(dead), tuple(extra), known.flank))


def _displaced(layout: Layout, damage: Damage) -> Damage:
    """A dead tooth with an extra edge within 0.6 pitches of it is one tooth in the wrong place."""
    teeth = np.asarray(layout.teeth_deg)
    shift = np.zeros(teeth.size)
    dead, extra = list(damage.dead), list(damage.extra)
    for tooth in list(dead):
        near = [e for e in extra if abs((e[0] - teeth[tooth[0]] + 180.0) % 360.0 - 180.0) < 0.6 * layout.pitch_deg]
        if near:
            off = float((near[0][0] - teeth[tooth[0]] + 180.0) % 360.0 - 180.0)
            shift[tooth[0]] = np.clip(off, -0.45 * layout.pitch_deg, 0.45 * layout.pitch_deg)
            dead.remove(tooth)
            extra.remove(near[0])
    places = tuple(float(x) for x in shift) if shift.any() else ()
    return replace(damage, shift_deg=places, dead=tuple(dead), extra=tuple(extra))


def clusters(angles_deg: list[float], reach_deg: float) -> list[tuple[float, int, float]]:
    """(mean angle, count, spread) of groups of angles within ``reach_deg`` of their first member, three or more each."""  # noqa: E501
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


def _shifts(
    candidate: Candidate, windows: list[Marks], tempos: list[tuple[Tempo, ...]], damage: Damage
) -> tuple[float, ...]:
    """How far the teeth that stand out are displaced, in degrees; zeros elsewhere."""
    layout = candidate.layout
    rows_t, rows_a, rows_g, rows_i = [], [], [], []
    for number, part in enumerate(windows):
        path = fit(part, layout, tempos[number], damage).path
        edge, angle, piece = unrolled(path, layout)
        rows_t.append(part.time_s[edge])
        rows_a.append(angle)
        rows_g.append(piece + 1000 * number)
        rows_i.append(path.tooth)
    got = pitch.measure(
        layout,
        np.concatenate(rows_i),
        np.concatenate(rows_a),
        np.concatenate(rows_t),
        np.concatenate(rows_g),
        0.01 * layout.pitch_deg,
    )
    shift = np.array(damage.shift_deg) if damage.shift_deg else np.zeros(len(layout.teeth_deg))
    # on a coarse wheel ripple moves teeth as much as damage does: only wheels fine enough may have displaced teeth here
    drawn = shift.copy()
    drawn[list(got.suspects)] = got.mean_deg[list(got.suspects)]
    natural = flank_shift(layout, damage.flank, tuple(t for t, share in damage.dead if share > 0.6), drawn)
    for i in got.suspects[: shift.size // 14]:
        shift[i] = np.clip(got.mean_deg[i] - natural[i], -0.5 * layout.pitch_deg, 0.5 * layout.pitch_deg)
    return tuple(float(x) for x in shift)


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
