"""TDC by compression: where the ripple of the cranking speed puts it, from the model of gas torque over whole cycles.

Good to a few degrees on a crank that is only cranked (simulated engines of three to eight cylinders: within 4 degrees);
it is modulo the firing interval, so it tells a wheel that has moved from a cam that has, not one cylinder from another.
"""

from __future__ import annotations

import numpy as np

from witnessmark.engine import circular
from witnessmark.engine.facts import Facts
from witnessmark.engine.model import Phase, TdcByGas
from witnessmark.wheel import cycles
from witnessmark.wheel.model import WheelResult
from witnessmark.wheel.passes import angle_of_passes, piece_of

# Half width within which TDC lies: the model's own figures of compression and leak are those of a usual engine.
DOUBT_DEG = 6.0
# Cycles that must agree, and by how much their own figures may scatter.
LEAST_CYCLES = 3
MOST_SCATTER_DEG = 4.0
MOST_CYCLES = 16
CRANKING_RPM = 450.0


def find(wheel: WheelResult, facts: Facts, phase: Phase, cylinders: int | None) -> TdcByGas | None:
    """TDC by compression over steady cranking; None with fewer than three cylinders, odd firing or too few cycles."""
    layout = wheel.layout
    if layout is None or not layout.regular or cylinders is None or cylinders not in cycles.COUNTS:
        return None
    if facts.strokes == 2 or not _even(facts, cylinders):
        return None
    p = wheel.passes
    rows = np.flatnonzero(p.used & (p.edge >= 0))
    piece = piece_of(p, wheel.angle)
    rows = rows[piece[rows] >= 0]
    angle = angle_of_passes(p, layout)
    teeth = len(layout.teeth_deg)
    found = cycles.windows(angle[rows], p.time_s[rows], piece[rows], p.tooth[rows].astype(np.int64), teeth, MOST_CYCLES)
    slow = [w for w in found if w.rpm < CRANKING_RPM]
    interval = 720.0 / cylinders
    fold = interval if cylinders % 2 == 0 else interval / 2.0  # odd numbers: the turn moves it by half an interval
    each = [b.tdc_deg for w in slow if (b := cycles.beat([w], False, cylinders)) is not None]
    if len(each) < LEAST_CYCLES:
        return None
    centre = circular.median(np.asarray(each), fold)
    if circular.spread(np.asarray(each), centre, fold) > MOST_SCATTER_DEG:
        return None
    late = None
    if phase.known and phase.tdc_source == "setup" and phase.tdc_deg is not None:
        late = float(circular.signed(centre - phase.tdc_deg, fold))
    return TdcByGas(centre, fold, late, DOUBT_DEG, len(each))


def _even(facts: Facts, cylinders: int) -> bool:
    if len(facts.firing_deg) < 2:
        return True
    steps = np.diff(np.sort(list(facts.firing_deg.values())))
    return bool(np.allclose(steps, 720.0 / cylinders, atol=2.0))
