"""One ring of edges, two readings: a sound design, and another design with damage that leaves the same ring.

Both explain the same edges equally well, whatever the aligner made of them (it may have chosen a worse flank, or have
put ripple off on an edge it called extra). So the better of the two alignments holds for both, and only how common the
designs are and what the damage costs decide between them.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from witnessmark.wheel.damage import Damage
from witnessmark.wheel.identify import Candidate, clusters, damage_cost, filled
from witnessmark.wheel.model import Layout

MOSTLY = 0.6  # share of turns from which a missing tooth or an extra edge belongs to the ring
NEAR = 0.15  # pitches within which an extra edge is taken to stand in a slot
SAME = 0.05  # pitches by which two rings of one design may differ (drawings are exact)


def settled(found: list[Candidate]) -> list[Candidate]:
    """The candidates, best first, with twins put on the same footing."""
    out = list(found)
    for at, c in enumerate(found):
        ring, spelt = _ring(c.layout, c.damage if c.damage else _extra_only(c)), bool(c.damage)
        if ring is None:
            continue
        twins = [i for i, o in enumerate(found) if i != at and _is_sound(o) and _same(ring, o)]
        for i in twins if spelt else ():
            gain = c.likelihood - damage_cost(c.layout, c.damage, c.tally, c.turns) - out[i].likelihood
            if gain > 0:
                out[i] = _raised(out[i], gain, Damage(flank=c.damage.flank))
        if twins and not spelt:
            most = out[twins[0]].likelihood + damage_cost(c.layout, _extra_only(c), c.tally, c.turns)
            if most < c.likelihood:
                out[at] = _raised(c, most - c.likelihood, c.damage)
    return sorted((_as_filled(c, out) for c in out), key=lambda c: -c.score)


def _as_filled(c: Candidate, others: list[Candidate]) -> Candidate:
    """The candidate with a slot of its gap filled, where that makes the ring of another one that fits better."""
    for damage in filled(c.layout, c.damage.flank):
        ring = _ring(c.layout, damage)
        for o in others:
            if ring is not None and o is not c and _is_sound(o) and _same(ring, o):
                gain = o.likelihood + damage_cost(c.layout, damage, o.tally, o.turns) - c.likelihood
                if gain > 0:
                    c = _raised(c, gain, replace(damage, flank=o.damage.flank))
    return c


def _raised(c: Candidate, gain: float, damage: Damage) -> Candidate:
    return replace(c, score=c.score + gain, likelihood=c.likelihood + gain, damage=damage)


def _is_sound(c: Candidate) -> bool:
    return not c.damage and c.layout.regular and bool(c.layout.missing) and not _extra_only(c)


def _extra_only(c: Candidate) -> Damage:
    """Edges that come in most turns at a slot that is empty by design, of a candidate whose damage is not spelt out."""
    pitch = c.layout.pitch_deg
    places = []
    for angle, hits, _ in clusters(c.tally.extra_deg, pitch / 4.0):
        slot = np.round(angle / pitch)
        if hits > MOSTLY * c.turns and abs(angle / pitch - slot) < NEAR:
            places.append((float(slot * pitch % 360.0), 0.97))
    return Damage(extra=tuple(places))


def _ring(layout: Layout, damage: Damage) -> NDArray[np.float64] | None:
    """Intervals of the wheel with this damage; None where it is sound, or its damage makes no ring of whole slots."""
    if not damage or any(damage.shift_deg) or not layout.regular:
        return None
    if any(share < MOSTLY for _, share in (*damage.dead, *damage.extra)):
        return None
    gone = [tooth for tooth, _ in damage.dead]
    places = np.sort(np.append(np.delete(np.asarray(layout.teeth_deg), gone), [a for a, _ in damage.extra]))
    return np.diff(np.append(places, places[0] + 360.0))


def _same(ring: NDArray[np.float64], other: Candidate) -> bool:
    """Whether a sound candidate's teeth make this ring, turned as it may be."""
    teeth = np.asarray(other.layout.teeth_deg)
    if teeth.size != ring.size:
        return False
    mine = np.diff(np.append(teeth, teeth[0] + 360.0))
    reach = SAME * other.layout.pitch_deg
    return any(np.allclose(ring, np.roll(mine, k), atol=reach) for k in range(mine.size))
