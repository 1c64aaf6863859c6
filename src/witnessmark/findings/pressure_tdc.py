"""The wheel against the piston: TDC by a cylinder's pressure beside the TDC slot of the setup."""

from __future__ import annotations

from witnessmark.findings.measured import Measured, Outcome, beyond
from witnessmark.findings.model import Finding, NotAssessed

IN_PLACE = "Does the wheel stand right on the crank?"


def late(m: Measured) -> float | None:
    """How late TDC by pressure is against the setup's slot; None where the cylinder of the line is in doubt."""
    by = m.engine.tdc_by_pressure
    return None if by is None or by.other_cylinder is not None else by.late_deg


def ratio(m: Measured) -> float:
    """How late TDC by pressure is over what it has to be; 0 where it is not compared."""
    by = m.engine.tdc_by_pressure
    if by is None or by.late_deg is None or by.other_cylinder is not None:
        return 0.0
    return abs(by.late_deg) / max(m.limits["pressure.tdc_deg"], m.limits["pressure.tdc_sure"] * by.sd_deg)


def alone(m: Measured) -> Outcome:
    """wheel-shifted by the pressure alone, where no cam was compared or the cams stand by the pressure's word."""
    by = m.engine.tdc_by_pressure
    if by is None or by.late_deg is None:
        return Outcome()
    if by.other_cylinder is not None:
        return Outcome(not_assessed=(NotAssessed(
            IN_PLACE,
            f"the pressure called cylinder {by.cylinder}'s peaks where cylinder {by.other_cylinder} has its TDC by the "
            "setup's slot: the cylinder's number, the firing order or the slot is wrong",
            "the transducer's cylinder checked, then the same record again",
        ),))  # fmt: skip
    far = ratio(m)
    if far < 0.8:
        return Outcome(bounds=(
            f"Top dead centre by the pressure in cylinder {by.cylinder} lies within {abs(by.late_deg):.1f} degrees "
            f"(± {2.0 * by.sd_deg:.1f}) of the setup's slot.",
        ))  # fmt: skip
    side = m.engine.side
    if side is not None and side.gone is None:
        return Outcome(not_assessed=(NotAssessed(
            IN_PLACE, f"it is open whether slot {side.slot} or {side.other} is gone, and with it where slot 1 is",
            "the wheel looked at through the sensor's hole",
        ),))  # fmt: skip
    judged = [c.offset_deg for c in m.engine.cams if c.offset_deg is not None]
    if judged and all(abs(x) < 0.5 * abs(by.late_deg) for x in judged):
        return Outcome(not_assessed=(NotAssessed(
            IN_PLACE,
            f"TDC by the pressure in cylinder {by.cylinder} is {abs(by.late_deg):.1f} degrees from the setup's slot, "
            "but the cams stand where the setup says: the setup's slot or the transducer's delay is in doubt",
            "the setup's slot checked against a piston stop or a good engine of the kind",
        ),))  # fmt: skip
    confidence = beyond(far) if by.cycles >= 2 else min(beyond(far), 0.45)
    way = "late" if by.late_deg < 0 else "early"
    few = "" if by.cycles >= 2 else "; one compression only"
    return Outcome((Finding(
        "", "wheel-shifted", m.channel, "none",
        f"Top dead centre by the pressure in cylinder {by.cylinder} is {abs(by.late_deg):.1f} degrees "
        f"(± {2.0 * by.sd_deg:.1f}, {by.cycles} compression{'s' if by.cycles != 1 else ''}) "
        f"{'after' if by.late_deg > 0 else 'before'} the setup's TDC slot: the wheel stands that much {way} on the "
        f"crank, or the slot in the setup is wrong{few}.",
        confidence, (m.stretch(by.channel, m.recording.start_s, m.recording.end_s),), None,
        value=-by.late_deg, unit="deg",
        evidence={
            "tdc_by_pressure_deg": by.late_deg, "tdc_sd_deg": by.sd_deg, "cycles": by.cycles,
            "measured_cylinder": by.cylinder, "cams_judged": len(judged),
        },
    ),))  # fmt: skip
