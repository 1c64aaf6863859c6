"""Cylinder 1's firing TDC from the pressure in a cylinder whose number is known; how late it is against the setup."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from witnessmark.engine import circular
from witnessmark.engine.facts import Facts
from witnessmark.engine.model import Phase
from witnessmark.engine.pressure_model import CylinderPressure, TdcByPressure

# How sure a TDC by pressure is: the piston itself made it, but somebody said whose it is (estimate, no source).
SURE, FEW_SURE, NUMBER_INFERRED = 0.97, 0.85, 0.8
FEW_CYCLES = 3
# The turn is told where the pressure's TDC is within this share of a firing interval, and these degrees, of the one
# within the turn: farther off, wheel or cylinder number are wrong.
SHARE, MOST_DEG = 0.4, 80.0


@dataclass(frozen=True, slots=True)
class PressureTdc:
    """deg: cylinder 1's firing TDC (CrankAngle scale, modulo the cycle). doubt_deg: half width believed in."""

    channel: str
    cylinder: int
    deg: float
    sd_deg: float
    cycles: int
    certainty: float
    doubt_deg: float
    words: str
    interval_deg: float

    def turn(self, tdc_deg: float) -> int | None:
        """Which of the two turns after a TDC known within the turn is the firing one; None where they do not meet."""
        off = float(circular.signed(self.deg - tdc_deg, 360.0))
        if abs(off) > min(SHARE * self.interval_deg, MOST_DEG):
            return None
        return round((self.deg - off - tdc_deg) / 360.0) % 2


def of(pressures: Sequence[CylinderPressure], facts: Facts) -> PressureTdc | None:
    """The best of the pressure lines: one whose cylinder and its place in the firing order are known."""
    good = [p for p in pressures if p.tdc_deg is not None and p.cylinder is not None and p.cylinder in facts.firing_deg]
    if not good:
        return None
    best = min(good, key=lambda p: (not p.cylinder_said, p.tdc_sd_deg or 9.0))
    assert best.tdc_deg is not None
    assert best.cylinder is not None
    sd = best.tdc_sd_deg or 0.0
    certainty = (SURE if best.used >= FEW_CYCLES else FEW_SURE) * (1.0 if best.cylinder_said else NUMBER_INFERRED)
    number = f"{best.used} compression{'s' if best.used != 1 else ''} without firing"
    words = f"cylinder 1's TDC by the pressure in cylinder {best.cylinder} ({number}, good to {2.0 * sd:.1f} degrees)"
    deg = float(np.mod(best.tdc_deg - facts.firing_deg[best.cylinder], facts.cycle_deg))
    interval = facts.cycle_deg / (facts.cylinders or 4)
    return PressureTdc(best.channel, best.cylinder, deg, sd, best.used, certainty, 2.0 * sd, words, interval)


def against(found: PressureTdc | None, phase: Phase, facts: Facts) -> TdcByPressure | None:
    """The pressure's TDC against the TDC of the setup's slot."""
    if found is None:
        return None
    late, other, sd = None, None, found.sd_deg
    if phase.known and phase.tdc_source == "setup" and phase.tdc_deg is not None:
        late = float(circular.signed(found.deg - phase.tdc_deg, 360.0))
        # the setup's own doubt is a half width: half of it as a standard deviation
        sd = float(np.hypot(sd, 0.5 * (phase.tdc_doubt_deg or 0.0)))
        other = _nearer(found, phase.tdc_deg, late, facts)
    return TdcByPressure(found.channel, found.cylinder, found.deg, late, sd, found.cycles, other)


def _nearer(found: PressureTdc, tdc_deg: float, late: float, facts: Facts) -> int | None:
    """A cylinder whose TDC by the setup's slot fits the pressure better than the named one's, if the named one's is far
    off."""
    if abs(late) < 0.25 * min(found.interval_deg, 180.0):
        return None
    own = found.deg + facts.firing_deg[found.cylinder]
    off = {
        c: abs(float(circular.signed(own - tdc_deg - deg, 360.0)))
        for c, deg in facts.firing_deg.items() if c != found.cylinder
    }  # fmt: skip
    best = min(off, key=lambda c: off[c], default=None)
    return best if best is not None and off[best] < 0.5 * abs(late) else None
