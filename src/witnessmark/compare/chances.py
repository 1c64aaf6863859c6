"""Whether a fault that shows now and then had the chance to show after the repair.

Zero of n chances leaves a rate of up to 1 - 0.05^(1/n) open with 95 %: a fault is gone only where it showed in more of
them before. What it showed in is itself known from few chances: of the share seen and the share by the rule of
succession, (k + 1) / (n + 2), the smaller counts (one failed start of one is no proof that every start would fail).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeGuard

import numpy as np

from witnessmark.engine.model import Attempt
from witnessmark.findings.limits import default_limits
from witnessmark.findings.measured import Bools, Measured
from witnessmark.findings.model import Finding
from witnessmark.report.model import Analysis

# A record after the repair counts at speeds this close to those at which the fault showed (ratio on both sides).
SPEED_BAND = 1.15
# The same for what is not tied to one tooth: cranking is no running, but speeds within a third are alike.
WIDE_BAND = 1.33
# Turns within which a control unit in order is in time (common practice: one to two); a shorter touch is no start.
LEAST_START_TURNS = 2.0


@dataclass(frozen=True)
class Chances:
    """rate: share of the chances in which it showed before. after: chances after; hits: of which it showed.

    of: what a chance is, in words (plural). speeds: the speeds that count, rev/min, None where all do.
    """

    rate: float
    after: int
    hits: int
    of: str
    speeds: tuple[float, float] | None = None


def careful(hits: float, of: float) -> float:
    """Share of the chances in which it shows, not taken for more than so few chances tell."""
    return min(hits / of, (hits + 1.0) / (of + 2.0), 1.0)


def measured_of(analysis: Analysis) -> Measured:
    """The analysis as the findings see it."""
    a = analysis
    return Measured(a.signals, a.wheel, a.engine, a.setup, a.recording, default_limits())


def at_slot(finding: Finding, before: Analysis, after: Analysis) -> Chances | None:
    """Chances of a tooth that gives no edge a control unit would see: its passages at the speeds it failed at."""
    a, b = measured_of(before), measured_of(after)
    mine, theirs = _passages(a, finding.slot), _passages(b, finding.slot)
    if mine is None or theirs is None:
        return None
    failed = mine & a.unseen
    if not failed.any():
        return None
    rpm = a.wheel.passes.speed_rpm
    low, high = (float(v) for v in np.nanquantile(rpm[failed], [0.0, 1.0]))
    everywhere = finding.kind == "tooth-absent"
    band = None if everywhere else (low / SPEED_BAND, high * SPEED_BAND)
    near, now = _within(mine, rpm, band), _within(theirs, b.wheel.passes.speed_rpm, band)
    if not near.any():
        return None
    rate = careful(float(failed.sum()), float(near.sum()))
    return Chances(rate, int(now.sum()), int((now & b.unseen).sum()), f"passages of slot {finding.slot}", band)


def _passages(m: Measured, slot: int | None) -> Bools | None:
    if m.layout is None or slot not in m.layout.tooth_slots:
        return None
    return np.asarray(m.wheel.passes.used & (m.wheel.passes.tooth == m.layout.tooth_slots.index(slot)))


def _within(rows: Bools, rpm: np.ndarray, band: tuple[float, float] | None) -> Bools:
    if band is None:
        return rows
    return np.asarray(rows & (rpm >= band[0]) & (rpm <= band[1]))


def by_turn(finding: Finding, before: Analysis, after: Analysis) -> Chances | None:
    """Chances of what comes so and so often a turn: extra edges, bursts, losses; turns at the speeds it came at."""
    band = speeds_of(finding, before)
    then, now = turns_at(before, band), turns_at(after, band)
    e = finding.evidence
    counts = {"tooth-extra": "turns_hit", "edges-spurious": "stray_edges", "signal-lost": "stretches"}
    hits = e.get(counts.get(finding.kind, ""))
    if finding.kind == "edges-dropped":
        hits, whole = e.get("single_losses"), e.get("passages")
        if not is_count(whole):
            return None
        teeth = len(before.wheel.layout.teeth_deg) if before.wheel.layout is not None else 1
        events = max(float(hits), 1.0) if is_count(hits) else 1.0
        return Chances(careful(events, max(then * teeth, 1.0)), int(now * teeth), 0, "passages of teeth", band)
    if not is_count(hits) or then < 1.0:
        return None
    rate = careful(min(float(hits), then), then)
    return Chances(rate, int(now), 0, "turns", band)


def speeds_of(finding: Finding, analysis: Analysis) -> tuple[float, float] | None:
    """Speeds in rev/min at which a fault showed, widened; None where they are not known."""
    middle = np.array([0.5 * (r.start_s + r.end_s) for r in finding.ranges])
    if middle.size == 0 or not analysis.wheel.angle.segments:
        return None
    rpm = analysis.wheel.angle.rpm(middle, 180.0)
    rpm = rpm[np.isfinite(rpm)]
    return (float(rpm.min()) / WIDE_BAND, float(rpm.max()) * WIDE_BAND) if rpm.size else None


def turns_at(analysis: Analysis, band: tuple[float, float] | None) -> float:
    """Decoded turns at these speeds (all of them where None)."""
    layout, p = analysis.wheel.layout, analysis.wheel.passes
    if layout is None:
        return 0.0
    if band is None:
        return analysis.wheel.angle.turns
    return float(_within(p.used, p.speed_rpm, band).sum() / len(layout.teeth_deg))


def by_start(finding: Finding, before: Analysis, after: Analysis) -> Chances | None:
    """Chances of what shows at starts: the attempts after."""
    every = len(before.engine.attempts)
    names = {"no-start": "attempts_failed", "late-sync": "attempts_late"}
    failed = finding.evidence.get(names.get(finding.kind, "attempts"))
    if not is_count(failed) or not every:
        return None
    return Chances(careful(min(float(failed), every), every), len(starts(after)), 0, "starts")


def starts(analysis: Analysis) -> list[Attempt]:
    """Attempts that had the chance to start, or to fail: they ran, or the crank turned a working cycle or more."""
    return [a for a in analysis.engine.attempts if a.started or a.turns >= LEAST_START_TURNS]


def is_count(value: object) -> TypeGuard[int | float]:
    """Whether the evidence holds a number above 0 here."""
    return isinstance(value, int | float) and not isinstance(value, bool) and value > 0
