"""Teeth whose loss leaves the same ring of intervals: the crank line alone cannot tell which of them is gone."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from witnessmark.wheel.damage import Damage
from witnessmark.wheel.model import Layout

Array = NDArray[np.float64]

SAME_DEG = 0.05  # two drawn intervals are one and the same within this


@dataclass(frozen=True, slots=True)
class Reading:
    """The same edges read the other way: tooth ``instead`` gone, not ``gone`` (indices into ``Layout.teeth_deg``).

    turned_deg: added to every angle from slot 1 by this reading, -180 to 180.
    """

    gone: int
    instead: int
    turned_deg: float


def other_reading(layout: Layout, gone: int) -> Reading | None:
    """The other tooth whose loss leaves the same ring of intervals as the loss of this one; None if there is none.

    On a wheel with one gap these are the two teeth beside it. On an even wheel every tooth would do: None, because
    slots carry no numbers there that could be confused.
    """
    n = len(layout.teeth_deg)
    if n < 3 or layout.periods == n:
        return None
    mine = _ring(layout, gone)
    for other in dict.fromkeys(i % n for i in (gone - 1, gone + 1, *range(n))):
        # teeth a whole period of the pattern apart are alike by design, not by the damage
        if other == gone or _alike(layout, gone, other):
            continue
        turn = _turn(mine, _ring(layout, other))
        if turn is not None:
            there = np.delete(np.arange(n), other)
            first = 1 if gone == 0 else 0
            moved = layout.teeth_deg[int(there[turn])] - layout.teeth_deg[first]
            return Reading(gone, other, float((moved + 180.0) % 360.0 - 180.0))
    return None


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


def _ring(layout: Layout, without: int) -> Array:
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
