"""What a good wheel's teeth teach: how late each comes, how large its pulse is, and how well that is known.

Over to another engine of the kind goes what the design makes: on a variable-reluctance line the teeth beside a gap come
late and early because one side of their flux is missing, on every wheel of the kind. A tooth's own error, runout and
the swing of the pulses are that one wheel's and stay with it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from witnessmark.findings.displaced import lateness
from witnessmark.findings.limits import default_limits
from witnessmark.findings.measured import Measured
from witnessmark.findings.slots import gap_neighbours
from witnessmark.report.model import Analysis
from witnessmark.wheel import pitch
from witnessmark.wheel.model import Layout

Floats = NDArray[np.float64]

# A table known less well than this teaches nothing (memory: good wheels' pitch errors are 0.03 to 0.2 degrees).
COARSE_DEG = 0.1
# An error beside a gap is the design's from this many standard errors, and deviations of the plain teeth, on.
SURE = 3.0
LEAST_PASSAGES = 6
# As in the measurement of lateness: a tooth beyond five deviations of the others is fitted by itself.
STANDS_OUT = 5.0
# No lateness is known better than this, degrees: torque ripple bends it alike in every turn, which the scatter between
# turns does not show (measured: with less, slow errors of 0.1 to 0.2 degrees come out of simulated wheels of 0.04).
LEAST_SE_DEG = 0.02


@dataclass(frozen=True)
class Teeth:
    """Errors by tooth in degrees [n], positive late; se_deg: how well they are known; tolerance_deg: what is left.

    amplitude [n]: pulse of the median tooth's, None on two-level lines. runout: (deg, phase deg, standard error).
    """

    error_deg: Floats | None
    se_deg: float
    tolerance_deg: float | None
    amplitude: Floats | None
    runout: tuple[float, float, float] | None
    why_not: str = ""


def measured_of(analysis: Analysis) -> Measured:
    """The analysis as the findings see it."""
    a = analysis
    return Measured(a.signals, a.wheel, a.engine, a.setup, a.recording, default_limits())


def teeth_of(analysis: Analysis, same_engine: bool, faulty: frozenset[int]) -> Teeth:
    """What to write of the teeth; ``faulty``: slots stated as wrong, of which nothing is learnt."""
    m = measured_of(analysis)
    late = lateness(m)
    if late is None or m.layout is None or m.layout.periods != 1:
        return Teeth(None, np.nan, None, None, None, "which tooth is which is not known, or too few passages")
    bad = np.isin(np.asarray(m.layout.tooth_slots), sorted(faulty))
    known = np.isfinite(late.mean_deg) & np.isfinite(late.se_deg) & (late.count >= LEAST_PASSAGES) & ~bad
    typical = float(np.median(late.se_deg[known])) if known.any() else np.inf
    if not late.running and not late.modelled:
        return Teeth(None, typical, None, None, None, "cranking ripple bends the errors of so short a record")
    if typical > COARSE_DEG or 2 * known.sum() < known.size:
        return Teeth(None, typical, None, None, None, f"they are known to {typical:.2f} degrees only")
    beside = np.isin(np.arange(m.teeth), list(near_gaps(m)))
    plain = known & ~beside
    spread = 1.4826 * float(np.median(np.abs(late.mean_deg[plain]))) if plain.sum() >= 6 else COARSE_DEG
    own = float(np.sqrt(max(spread**2 - typical**2, 0.0)))
    stands = np.where(known, np.nan_to_num(late.mean_deg), 0.0)
    if not late.modelled:
        stands = as_it_stands(m.layout, stands, typical, own, spread)
    if same_engine:
        error = np.where(known, stands, 0.0)
        error = _without_order_1(error, np.asarray(m.layout.teeth_deg), plain)
        return Teeth(error, typical, max(typical, LEAST_SE_DEG), _amplitude(m, known), _runout(analysis))
    sure = np.abs(late.mean_deg) > SURE * np.hypot(np.nan_to_num(late.se_deg), spread)
    design = known & beside & sure if m.is_vr else np.zeros(m.teeth, bool)
    error = np.where(design, stands, 0.0)
    return Teeth(error if design.any() else None, typical, None, None, None)


def as_it_stands(layout: Layout, late_deg: Floats, se_deg: float, own_deg: float, spread_deg: float) -> Floats:
    """Errors of the teeth themselves [n] from their lateness against their neighbours, whose errors are in it.

    Lateness is measured against a curve through the neighbours: late = error - W error, with the weights of that curve.
    Teeth that stand out far are fitted first and taken from their neighbours there, so their columns are left out. Of
    all errors that explain the lateness (known to se_deg) the likeliest are taken, where good teeth differ by own_deg:
    noise is shrunk, and slow changes around the wheel, which the curve follows, are left at nothing.
    """
    n, reach = late_deg.size, pitch.reach_for(layout)
    teeth = np.asarray(layout.teeth_deg)
    angle = np.concatenate([teeth + 360.0 * k for k in range(3)])
    smooth = pitch.smoother(
        angle, angle, np.zeros(angle.size, np.int64), reach, max(reach + 2.6, 1.0) * layout.pitch_deg
    )
    weights = np.zeros((n, n))
    for row, near, weight in zip(smooth.rows, smooth.near, smooth.weight, strict=True):
        if n <= row < 2 * n:
            np.add.at(weights[row % n], near % n, weight)
    apart = np.abs(late_deg) > STANDS_OUT * spread_deg
    weights[:, apart] = 0.0
    by = (np.eye(n) - weights) / max(se_deg, LEAST_SE_DEG)
    prior = np.where(apart, np.abs(late_deg), max(own_deg, LEAST_SE_DEG))
    information = by.T @ by + np.diag(prior**-2.0)
    return np.asarray(np.linalg.solve(information, by.T @ late_deg / max(se_deg, LEAST_SE_DEG)))


def _without_order_1(error: Floats, teeth_deg: Floats, plain: NDArray[np.bool_]) -> Floats:
    """Errors by tooth without what returns once per turn: that is runout, measured and written by itself."""
    a = np.radians(teeth_deg)
    design = np.column_stack([np.ones(a.size), np.cos(a), np.sin(a)])
    if plain.sum() < 6:
        return error
    solved = np.linalg.lstsq(design[plain], error[plain], rcond=None)[0]
    return np.asarray(error - design[:, 1:] @ solved[1:])


def near_gaps(m: Measured) -> frozenset[int]:
    """Teeth (indices) beside a gap and the next ones."""
    if m.layout is None:
        return frozenset()
    n, gaps = m.teeth, gap_neighbours(m.layout)
    return frozenset((i + d) % n for i in gaps for d in (-1, 0, 1))


def _amplitude(m: Measured, known: NDArray[np.bool_]) -> Floats | None:
    """Pulse of each tooth, 1 where it is not known; None on two-level lines."""
    if not m.is_vr or m.layout is None:
        return None
    by_slot = {t.slot: t.amplitude for t in m.wheel.teeth}
    values = np.array([by_slot.get(s) or np.nan for s in m.layout.tooth_slots], dtype=np.float64)
    good = known & np.isfinite(values) & (values > 0.2)
    return np.where(good, values, 1.0) if good.sum() > 0.5 * good.size else None


def _runout(analysis: Analysis) -> tuple[float, float, float] | None:
    """Once-per-turn error where it is known well enough to take off."""
    w = analysis.wheel
    if w.runout_deg is None or w.runout_phase_deg is None or w.runout_se_deg is None:
        return None
    return (w.runout_deg, w.runout_phase_deg, w.runout_se_deg) if w.runout_se_deg <= COARSE_DEG else None
