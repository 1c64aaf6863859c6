"""The numbers of both records side by side: teeth, cams, starts."""

from __future__ import annotations

import statistics
from collections.abc import Iterable

import numpy as np

from witnessmark.compare.model import CamPair, CamSide, StartSide, ToothPair
from witnessmark.engine import circular
from witnessmark.engine.model import Cam
from witnessmark.report.model import Analysis
from witnessmark.wheel.model import Layout

SAME_DEG = 0.6  # two drawings of one wheel differ by less than this (a tenth of the finest pitch in use)
NEAR_DEG = 30.0  # a cam edge is the same one within this distance (a chain tooth or two)


def same_wheel(before: Analysis, after: Analysis) -> str:
    """Why the slots of the two records cannot be held against each other; empty where they can."""
    for name, analysis in (("before", before), ("after", after)):
        if analysis.wheel.layout is None:
            why = analysis.wheel.why_not or "no wheel pattern stands out"
            return f"the wheel is not decoded in the record {name} the repair ({why})"
    a, b = before.wheel.layout, after.wheel.layout
    assert a is not None
    assert b is not None
    if not alike(a, b):
        return f"the wheel reads as {a.name} before and as {b.name} after"
    if a.periods > 1:
        return f"the pattern repeats {a.periods} times a turn, so slot 1 need not be the same tooth in both records"
    return ""


def alike(a: Layout, b: Layout) -> bool:
    """Whether two designs are one, slot for slot."""
    if (a.slots, a.missing, len(a.teeth_deg)) != (b.slots, b.missing, len(b.teeth_deg)):
        return False
    return a.regular == b.regular and (a.regular or bool(np.allclose(a.teeth_deg, b.teeth_deg, atol=SAME_DEG)))


def teeth_of(before: Analysis, after: Analysis) -> tuple[ToothPair, ...]:
    """Every slot that either wheel has, side by side."""
    a = {t.slot: t for t in before.wheel.teeth} if before.wheel.layout is not None else {}
    b = {t.slot: t for t in after.wheel.teeth} if after.wheel.layout is not None else {}
    return tuple(ToothPair(slot, a.get(slot), b.get(slot)) for slot in sorted({*a, *b}))


def cams_of(before: Analysis, after: Analysis) -> tuple[CamPair, ...]:
    """Every cam line; the same channel name is the same line, and where each record has one only, so is that."""
    a = {c.channel: c for c in before.engine.cams}
    b = {c.channel: c for c in after.engine.cams}
    if len(a) == len(b) == 1 and set(a) != set(b):
        pairs = [(next(iter(a.values())), next(iter(b.values())))]
        return tuple(_pair(x.channel, x, y, before, after) for x, y in pairs)
    return tuple(_pair(name, a.get(name), b.get(name), before, after) for name in dict.fromkeys([*a, *b]))


def _pair(name: str, a: Cam | None, b: Cam | None, before: Analysis, after: Analysis) -> CamPair:
    same = before.engine.phase.tdc_source == after.engine.phase.tdc_source == "setup"
    told = before.engine.phase.turn_known and after.engine.phase.turn_known
    moved = None if a is None or b is None or not (same and told) else _moved(a, b)
    return CamPair(name, None if a is None else _side(a), None if b is None else _side(b), moved)


def _side(cam: Cam) -> CamSide:
    sd = [e.sd_deg for e in cam.edges]
    present = [e.present for e in cam.edges]
    return CamSide(
        cam.channel, len(cam.edges), cam.cycles, cam.offset_deg, max(sd, default=None), min(present, default=None)
    )


def _moved(a: Cam, b: Cam) -> float | None:
    """Median shift of the edges that both have, positive where they come later after."""
    shifts = []
    for edge in a.edges:
        off = [float(circular.signed(e.angle_deg - edge.angle_deg, 720.0)) for e in b.edges if e.kind == edge.kind]
        near = [d for d in off if abs(d) <= NEAR_DEG]
        if near:
            shifts.append(min(near, key=abs))
    return statistics.median(shifts) if 2 * len(shifts) >= len(a.edges) and shifts else None


def starts_of(analysis: Analysis) -> StartSide:
    """The record's start attempts in numbers."""
    attempts = analysis.engine.attempts
    runs = [a.running_s - a.start_s for a in attempts if a.running_s is not None and not a.turning_at_start]
    return StartSide(
        attempts=len(attempts),
        started=sum(a.started for a in attempts),
        turns_to_sync=_median(a.turns_to_sync for a in attempts),
        cranking_rpm=_median(a.cranking_rpm for a in attempts),
        time_to_run_s=_median(runs),
    )


def _median(values: Iterable[float | None]) -> float | None:
    known = [v for v in values if v is not None]
    return statistics.median(known) if known else None
