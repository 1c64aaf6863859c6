"""Slots in words, their neighbours, and which two slots leave the same pattern when one of them is gone."""

from __future__ import annotations

import numpy as np

from witnessmark.findings.measured import Measured
from witnessmark.wheel.model import Layout


def slot_name(m: Measured, slot: int) -> str:
    """ "Slot 23", or "Tooth 3" on wheels whose teeth are numbered in order."""
    return f"{'Slot' if m.layout is None or m.layout.regular else 'Tooth'} {slot}"


def intervals(layout: Layout) -> np.ndarray:
    """Degrees from each tooth to the next [n]."""
    teeth = np.asarray(layout.teeth_deg)
    return np.diff(np.append(teeth, teeth[0] + 360.0))


def gap_neighbours(layout: Layout) -> frozenset[int]:
    """Teeth (indices) next to an interval clearly longer than the usual one."""
    step = intervals(layout)
    long = np.flatnonzero(step > 1.4 * np.median(step))
    return frozenset(int(i) for i in long) | frozenset(int((i + 1) % step.size) for i in long)


def beside(m: Measured, tooth: int) -> bool:
    """Whether a tooth stands beside a gap by design."""
    return m.layout is not None and tooth in gap_neighbours(m.layout)


def same_without(m: Measured, tooth: int) -> int | None:
    """Another slot whose loss leaves the same ring of intervals as the loss of this one; None if there is none.

    On a wheel with one gap these are the two teeth beside the gap. On an even wheel every slot would do: None, because
    slots carry no numbers there that could be confused.
    """
    layout = m.layout
    if layout is None or len(layout.teeth_deg) < 3 or layout.periods == len(layout.teeth_deg):
        return None
    mine = _without(layout, tooth)
    others = [tooth - 1, tooth + 1, *range(len(layout.teeth_deg))]
    for other in dict.fromkeys(i % len(layout.teeth_deg) for i in others):
        # teeth a whole period of the pattern apart are alike by design, not by the damage
        alike = other != tooth and _same_cycle(mine, _without(layout, other))
        if alike and not _same_cycle_shift(layout, tooth, other):
            return int(layout.tooth_slots[other])
    return None


def _without(layout: Layout, tooth: int) -> np.ndarray:
    teeth = np.delete(np.asarray(layout.teeth_deg), tooth)
    return np.diff(np.append(teeth, teeth[0] + 360.0))


def _same_cycle(a: np.ndarray, b: np.ndarray) -> bool:
    """Whether two rings of intervals are one ring turned."""
    return any(np.allclose(a, np.roll(b, k), atol=0.05) for k in range(a.size))


def _same_cycle_shift(layout: Layout, a: int, b: int) -> bool:
    """Whether two teeth are alike by the symmetry of the sound wheel."""
    step = intervals(layout)
    return layout.periods > 1 and bool(np.allclose(np.roll(step, -a), np.roll(step, -b), atol=0.05))
