"""Slots in words, their neighbours, and which two slots leave the same pattern when one of them is gone."""

from __future__ import annotations

import numpy as np

from witnessmark.findings.measured import Measured
from witnessmark.wheel.model import Layout
from witnessmark.wheel.rings import other_reading


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
    """Another slot whose loss leaves the same ring of intervals as the loss of this one; None if there is none."""
    layout = m.layout
    reading = None if layout is None else other_reading(layout, tooth)
    return None if layout is None or reading is None else int(layout.tooth_slots[reading.instead])


def twin_words(m: Measured, slot: int, twin: int | None) -> tuple[str, dict[str, object]]:
    """(words, evidence) about a slot whose loss leaves the same pattern: which of the two it is, or that it is open."""
    if twin is None:
        return "", {}
    side = m.engine.side
    about = side is not None and {side.slot, side.other} == {slot, twin}
    if side is None or not about or side.gone != slot:
        why = "" if side is None or not about else f" ({side.because})"
        return f"; slot {twin} gone would leave the same pattern of teeth, so it is one of the two{why}", {
            "or_slot": twin
        }
    sure = side.probability if side.slot == slot else 1.0 - side.probability
    words = f"; slot {twin} gone would leave the same pattern of teeth, but {side.because}"
    return words, {"not_slot": twin, "side_probability": sure}
