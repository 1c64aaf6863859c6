"""Slots of a wheel that looks the same after part of a turn, counted from another of its like teeth.

A wheel without a gap, or with gaps that tie, is numbered from the first tooth decoded; once other lines tell where TDC
is, from the one nearest after it. Nothing is decoded anew: the pattern is the same from every like tooth.
"""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from witnessmark.wheel.model import CrankAngle, Layout, Passes, Tooth, WheelResult

# What is said of a wheel without a gap until TDC is known.
OPEN = ", and which tooth is slot 1 is open"
# A tooth this little before TDC (degrees, or share of the repeat) counts as standing at it: TDC is not known better.
AT_TDC_DEG, AT_TDC_SHARE = 1.0, 0.1


def repeat_deg(layout: Layout) -> float:
    """Degrees after which the pattern repeats."""
    return 360.0 / layout.periods


def repeats_to_tdc(layout: Layout, tdc_deg: float) -> int:
    """Number of the repeat (from slot 1 on, 0 where it is right already) whose first tooth is nearest after TDC.

    tdc_deg: cylinder 1's TDC in crank degrees after slot 1.
    """
    repeat = repeat_deg(layout)
    snap = min(AT_TDC_DEG, AT_TDC_SHARE * repeat)
    after = (-tdc_deg) % 360.0  # of the present slot 1 after TDC
    return int(-np.floor((after + snap) / repeat)) % layout.periods


def repeats_to_slot(layout: Layout, tdc_deg: float, slot_deg: float) -> int:
    """Number of the repeat from which counted TDC comes nearest to ``slot_deg`` after slot 1."""
    return round((tdc_deg - slot_deg) / repeat_deg(layout)) % layout.periods


def can_be_renumbered(wheel: WheelResult) -> bool:
    """Whether the pattern repeats and no slot has been named in words, or learnt, before."""
    layout = wheel.layout
    if layout is None or layout.periods < 2 or layout.learnt_deg is not None:
        return False
    return len(layout.teeth_deg) % layout.periods == 0 and not re.search(
        r"slots? \d", wheel.undecidable.replace(OPEN, "")
    )


def renumbered(wheel: WheelResult, repeats: int, slot_reference: str) -> WheelResult:
    """The same wheel with slot 1 ``repeats`` repeats further on (all angles so many degrees less)."""
    layout = wheel.layout
    assert layout is not None
    count = len(layout.teeth_deg)
    first = repeats * count // layout.periods
    moved = float(repeats * repeat_deg(layout))
    angle, lead = _turned(wheel.angle, moved)
    teeth = sorted((_tooth(t, layout, first) for t in wheel.teeth), key=lambda t: t.slot)
    once = wheel.once
    if once is not None:
        once = replace(
            once, phase_deg=(once.phase_deg - moved) % 360.0, single_deg=np.roll(once.single_deg, -first),
            single_se_deg=np.roll(once.single_se_deg, -first),
        )  # fmt: skip
    phase = wheel.runout_phase_deg
    extras = wheel.extras
    return replace(
        wheel,
        angle=angle,
        passes=_passes(wheel.passes, wheel.angle, lead, first, count),
        extras=replace(extras, angle_deg=extras.angle_deg + _of(wheel.angle, extras.time_s, lead) - moved),
        teeth=tuple(teeth),
        once=once,
        runout_phase_deg=None if phase is None else (phase - moved) % 360.0,
        slot_reference=slot_reference,
        undecidable=wheel.undecidable.replace(OPEN, ""),
    )


def _turned(angle: CrankAngle, moved_deg: float) -> tuple[CrankAngle, NDArray[np.float64]]:
    """(the angle counted from the new slot 1, whole turns in degrees added to each segment).

    Each segment goes a turn further than the one before, so that no turn is shared between two of them.
    """
    lead = 360.0 * np.arange(1, len(angle.segments) + 1, dtype=np.float64)
    out = angle.angle_deg.copy()
    for segment, more in zip(angle.segments, lead, strict=True):
        out[segment.start : segment.stop] += more - moved_deg
    return replace(angle, angle_deg=out), lead


def _of(angle: CrankAngle, time_s: NDArray[np.float64], lead: NDArray[np.float64]) -> NDArray[np.float64]:
    """The lead of the segment in which each time lies."""
    begins = np.array([s.start_s for s in angle.segments])
    return np.asarray(lead[np.clip(np.searchsorted(begins, time_s + 1e-9) - 1, 0, len(lead) - 1)])


def _passes(passes: Passes, angle: CrankAngle, lead: NDArray[np.float64], first: int, count: int) -> Passes:
    turn = passes.turn + np.round(_of(angle, passes.time_s, lead) / 360.0).astype(np.int32)
    turn = turn - (passes.tooth < first)
    return replace(passes, tooth=((passes.tooth - first) % count).astype(np.int32), turn=turn.astype(passes.turn.dtype))


def _tooth(tooth: Tooth, layout: Layout, first: int) -> Tooth:
    """The tooth with its new slot number; slots without a tooth by design move with the pattern."""
    moved = layout.tooth_slots[first] - 1
    return replace(tooth, slot=(tooth.slot - 1 - moved) % layout.slots + 1)
