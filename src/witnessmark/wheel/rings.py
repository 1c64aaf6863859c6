"""One ring of edges, several readings: a sound design, and other designs with damage that leaves the same ring.

All of them explain the same edges equally well, whatever the aligner made of each (it may have chosen a worse flank, or
have put ripple off on an edge it called extra). So the best alignment of one ring holds for every reading of it, and
only how common the designs are and what the damage costs decide between them. Within one design two teeth may be such
that the loss of either leaves the same ring: then the crank line alone cannot tell which of them is gone.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from witnessmark.wheel import layouts
from witnessmark.wheel.candidates import family_prior
from witnessmark.wheel.damage import SOUND, Damage, is_even
from witnessmark.wheel.model import Layout
from witnessmark.wheel.spelt import CLEAR, damage_cost
from witnessmark.wheel.weighing import Candidate, Tally, clusters, dead_nats

MOSTLY = 0.6  # share of turns from which a missing tooth or an extra edge belongs to the ring
NEAR = 0.15  # pitches within which an extra edge is taken to stand in a slot
MOST_ODD = 0.05  # share of edges that a reading of a ring may leave without a place, if at none in most turns
STEP_DEG = 0.07  # intervals are compared in these steps: drawings are exact, and no common pitch is a half of it

DRAWN = ("catalogue", "family")  # sources of wheels whose places are exact, with pairs and extra teeth too
SAME_DEG = 0.05  # two drawn intervals are one and the same within this

Array = NDArray[np.float64]
Ring = tuple[int, ...]


@dataclass(frozen=True, slots=True)
class Reading:
    """The same edges read the other way: tooth ``instead`` gone, not ``gone`` (indices into ``Layout.teeth_deg``).

    turned_deg: added to every angle from slot 1 by this reading, -180 to 180.
    """

    gone: int
    instead: int
    turned_deg: float


def settled(found: list[Candidate]) -> list[Candidate]:
    """The candidates, best first, with all readings of one ring on the same footing."""
    known: dict[Ring, tuple[float, Candidate]] = {}
    for c in found:
        damage, paid, off = _read_as(c)
        ring = ring_of(c.layout, damage) if damage is not None else None
        if ring is None:
            continue
        raw = c.likelihood - paid + off
        if ring not in known or raw > known[ring][0]:
            known[ring] = (raw, c)
    return sorted((_best_reading(_capped(c, known), known) for c in found), key=lambda c: -c.score)


def _read_as(c: Candidate) -> tuple[Damage | None, float, float]:
    """(damage, what was paid for it, what any other reading pays besides) in nats; None where it is no reading.

    Damage not spelt out: the teeth missed in most turns. None where edges are left without a place in most turns.
    Passes in which a dead tooth gave its edge, or metal gave none, are paid by other designs one by one: to those such
    an edge is one too many, and no damage tells when it comes.
    """
    t = c.tally
    if c.damage:
        shown = sum(int(t.seen[tooth]) for tooth, _ in c.damage.dead)
        silent = sum((1.0 - share) * c.turns for _, share in c.damage.extra)
        paid = damage_cost(c.layout, c.damage, t, c.turns)
        return c.damage, paid, shown * c.tempo.log_extra + silent * c.tempo.log_missed
    gone, teeth = _gone(c)
    left = np.delete(t.missed / np.maximum(t.seen + t.missed, 1), teeth)
    stray = max((hits for _, hits, _ in clusters(t.extra_deg, c.layout.pitch_deg / 4.0)), default=0)
    odd = int(np.delete(t.missed, teeth).sum()) + len(t.extra_deg)
    if odd > MOST_ODD * c.marks or left.max(initial=0.0) > MOSTLY or stray > MOSTLY * c.turns:
        return None, 0.0, 0.0
    shown = max(0, round(len(gone) * c.turns) - int(t.missed[list(teeth)].sum()))
    return Damage(dead=tuple((tooth, 0.97) for tooth in gone)), dead_nats(t, teeth), shown * c.tempo.log_extra


def _gone(c: Candidate) -> tuple[tuple[int, ...], tuple[int, ...]]:
    """Teeth missed in most turns, and the teeth whose misses that explains.

    One tooth beside the gap may be put on either side by different windows: both ends then share its misses.
    """
    missed, seen = c.tally.missed, c.tally.seen
    gone = tuple(int(i) for i in np.flatnonzero((missed >= 2) & (missed > MOSTLY * (seen + missed))))
    ends = (0, len(c.layout.teeth_deg) - 1)
    beside = bool(c.layout.missing) and c.layout.periods == 1 and ends[1] > 1 and not set(ends) & set(gone)
    both, passes = int(missed[list(ends)].sum()), int((seen + missed)[list(ends)].max())
    if beside and both >= 2 and abs(both - passes) <= max(1.0, 0.1 * passes):
        return (*gone, max(ends, key=lambda tooth: missed[tooth])), (*gone, *ends)
    return gone, gone


def _best_reading(c: Candidate, known: dict[Ring, tuple[float, Candidate]]) -> Candidate:
    """The candidate, sound or with one slot of a gap filled, where another's alignment of that ring is better."""
    best = c
    broken = (*_filled(c.layout), *_dead(c.layout)) if c.likelihood > CLEAR * c.marks else ()
    for damage in (SOUND, *broken):
        ring = ring_of(c.layout, damage)
        raw, other = known.get(ring, (0.0, c)) if ring is not None else (0.0, c)
        if other is c:
            continue
        turns = other.turns * _pitches(other) / _pitches(c) if ring == (0,) else other.turns
        cost = damage_cost(c.layout, damage, _like(c, damage), turns) if damage else 0.0
        gain = raw + cost - c.likelihood
        if gain > best.score - c.score:
            damage = replace(damage, flank=other.damage.flank)
            likely = c.likelihood + gain
            best = replace(c, score=c.score + gain, likelihood=likely, damage=damage, turns=turns, tempo=other.tempo)
    return replace(best, tally=_like(best, best.damage)) if best is not c else c


def _like(c: Candidate, damage: Damage) -> Tally:
    """What a path over this wheel with this damage would tell: every tooth seen but the dead ones."""
    turns = max(1, round(c.turns))
    gone = np.isin(np.arange(len(c.layout.teeth_deg)), [tooth for tooth, _ in damage.dead])
    return replace(c.tally, seen=np.where(gone, 0, turns), missed=np.where(gone, turns, 0), extra_deg=[])


def with_filled(ranked: list[Candidate]) -> list[Candidate]:
    """The candidates, and where the best has a gap of one slot the design that leaves one more out, filled by metal.

    Nothing on the line tells the two apart: what remains is how rarely metal lodges just there.
    """
    best = ranked[0]
    layout = best.layout
    if not layout.regular or len(layout.missing) != 1 or best.damage:
        return ranked
    missing = (layout.slots - 1, layout.slots)
    listed = [x for x in layouts.catalogue() if x.regular and (x.slots, x.missing) == (layout.slots, missing)]
    if any(c.layout.slots == layout.slots and c.layout.missing == missing and c.damage for c in ranked[:6]):
        return ranked
    prior = family_prior(layout.slots, 2)
    wider = listed[0] if listed else layouts.single_gap(layout.slots, 2, prior=prior, source="family", mark="derived")
    metal = Damage(extra=(((missing[0] - 1) * layout.pitch_deg, 0.97),), flank=best.damage.flank)
    tally = replace(best.tally, seen=best.tally.seen[:-1], missed=best.tally.missed[:-1])
    cost = damage_cost(wider, metal, tally, best.turns)
    score = best.score + cost + float(np.log(wider.prior / layout.prior))
    twin = replace(best, layout=wider, score=score, likelihood=best.likelihood + cost, damage=metal, tally=tally)
    return sorted((*ranked, twin), key=lambda c: -c.score)


def _pitches(c: Candidate) -> int:
    """Slots of a regular wheel: on a ring without a gap the turn is as long as the design says."""
    return c.layout.slots


def _filled(layout: Layout) -> list[Damage]:
    """One slot of a gap filled. Without a setup a gap must be left: a wheel without one is rather drawn so."""
    least = {"setup": 1, "catalogue": 2}.get(layout.source, 99)
    if not layout.regular or len(layout.missing) < least:
        return []
    return [Damage(extra=(((slot - 1) * layout.pitch_deg, 0.97),)) for slot in layout.missing]


def _dead(layout: Layout) -> list[Damage]:
    """One tooth gone: without it a common wheel may look like a rarer one with more gaps."""
    if not layout.regular or layout.source == "learnt" or not layout.missing:
        return []
    return [Damage(dead=((tooth, 0.97),)) for tooth in range(len(layout.teeth_deg))]


def _capped(c: Candidate, known: dict[Ring, tuple[float, Candidate]]) -> Candidate:
    """Edges in most turns at slots empty by design are no better explained by calling them extra one by one."""
    guests = Damage() if c.damage else _guests(c)
    ring = ring_of(c.layout, guests) if guests else None
    if ring is None or ring not in known:
        return c
    most = known[ring][0] + damage_cost(c.layout, guests, c.tally, c.turns)
    if most >= c.likelihood:
        return c
    return replace(c, score=c.score - (c.likelihood - most), likelihood=most)


def _guests(c: Candidate) -> Damage:
    """Edges that come in most turns at a slot that is empty by design, of a candidate whose damage is not spelt out."""
    pitch = c.layout.pitch_deg
    places = []
    for angle, hits, _ in clusters(c.tally.extra_deg, pitch / 4.0):
        slot = np.round(angle / pitch)
        if hits > MOSTLY * c.turns and abs(angle / pitch - slot) < NEAR:
            places.append((float(slot * pitch % 360.0), 0.97))
    return Damage(extra=tuple(places))


@lru_cache(maxsize=4096)
def ring_of(layout: Layout, damage: Damage) -> Ring | None:
    """Intervals of the wheel with this damage, turned so that all turns of it are one; (0,) without any gap.

    None where the wheel is on no grid (unequal teeth of a setup or learnt), or the damage shows in some turns only, or
    moves teeth that are left.
    """
    gone = [tooth for tooth, _ in damage.dead]
    if layout.source not in DRAWN and not layout.regular:
        return None
    if any(shift for tooth, shift in enumerate(damage.shift_deg) if tooth not in gone):
        return None
    if any(share < MOSTLY for _, share in (*damage.dead, *damage.extra)):
        return None
    if is_even(layout) and not damage:
        return (0,)
    places = np.sort(np.append(np.delete(np.asarray(layout.teeth_deg), gone), [a for a, _ in damage.extra]))
    if places.size < 2:
        return None
    steps = [int(x) for x in np.round(np.diff(np.append(places, places[0] + 360.0)) / STEP_DEG)]
    if max(steps) == min(steps):
        return (0,)
    return _least_turn(steps)


def _least_turn(steps: list[int]) -> Ring:
    """The turn of a cyclic list that sorts first (Booth, Information Processing Letters 10, 1980: in one pass)."""
    n, twice = len(steps), steps + steps
    i, j, k = 0, 1, 0  # two turns that might be it, and how many of their steps are alike
    while i < n and j < n and k < n:
        a, b = twice[i + k], twice[j + k]
        if a == b:
            k += 1
            continue
        if a > b:
            i += k + 1
        else:
            j += k + 1
        j += i == j
        k = 0
    first = min(i, j)
    return tuple(twice[first : first + n])


def readings(layout: Layout, gone: int) -> list[Reading]:
    """Every other tooth whose loss leaves the same ring of intervals as this one's, the teeth beside it first.

    On a wheel with one gap these are the two teeth beside it, with a gap of one slot any two teeth as far from it on
    either side. On an even wheel every tooth would do: none, because slots carry no numbers there that could be
    confused.
    """
    n = len(layout.teeth_deg)
    if n < 3 or layout.periods == n:
        return []
    mine = _intervals(layout, gone)
    out = []
    for other in dict.fromkeys(i % n for i in (gone - 1, gone + 1, *range(n))):
        # teeth a whole period of the pattern apart are alike by design, not by the damage
        if other == gone or _alike(layout, gone, other):
            continue
        turn = _turn(mine, _intervals(layout, other))
        if turn is not None:
            there = np.delete(np.arange(n), other)
            first = 1 if gone == 0 else 0
            moved = layout.teeth_deg[int(there[turn])] - layout.teeth_deg[first]
            out.append(Reading(gone, other, float((moved + 180.0) % 360.0 - 180.0)))
    return out


def other_reading(layout: Layout, gone: int) -> Reading | None:
    """The first of ``readings``; None if there is none."""
    return next(iter(readings(layout, gone)), None)


def read_otherwise(damage: Damage, layout: Layout, reading: Reading) -> Damage:
    """The same damage by the other reading: every tooth but the one gone is a tooth by that one too."""
    teeth = np.asarray(layout.teeth_deg)
    place = [int(np.argmin(np.abs((teeth - a - reading.turned_deg + 180.0) % 360.0 - 180.0))) for a in teeth]
    place[reading.gone] = reading.instead
    moved = [i for i, s in enumerate(damage.shift_deg) if s]
    shift = np.zeros(len(damage.shift_deg))
    for i in moved:
        shift[place[i]] = damage.shift_deg[i]
    return Damage(
        tuple(float(s) for s in shift),
        tuple((place[tooth], share) for tooth, share in damage.dead),
        tuple(((angle + reading.turned_deg) % 360.0, share) for angle, share in damage.extra),
        damage.flank,
    )


def _intervals(layout: Layout, without: int) -> Array:
    teeth = np.delete(np.asarray(layout.teeth_deg), without)
    return np.diff(np.append(teeth, teeth[0] + 360.0))


def _turn(a: Array, b: Array) -> int | None:
    """By how many places ring b must be turned to be ring a; None where they differ."""
    n = a.size
    turned = b[np.add.outer(np.arange(n), np.arange(n)) % n]
    same = np.flatnonzero((np.abs(turned - a) < SAME_DEG).all(axis=1))
    return int(same[0]) if same.size else None


def _alike(layout: Layout, a: int, b: int) -> bool:
    """Whether two teeth are alike by the symmetry of the sound wheel."""
    teeth = np.asarray(layout.teeth_deg)
    step = np.diff(np.append(teeth, teeth[0] + 360.0))
    return layout.periods > 1 and bool(np.allclose(np.roll(step, -a), np.roll(step, -b), atol=SAME_DEG))
