"""Pressure lines as plain JSON data."""

from __future__ import annotations

from typing import Any

from witnessmark.engine.model import EngineResult
from witnessmark.engine.pressure_model import CylinderPressure, PressureCycle, Pulses, TdcByPressure, ValveEvent
from witnessmark.report.plain import angle, number, plain, seconds, share


def pressures_json(engine: EngineResult) -> list[dict[str, Any]]:
    """One entry a line: pressures in cylinders first, then intake and exhaust."""
    out = [_cylinder(p, engine.tdc_by_pressure) for p in engine.pressures]
    return out + [_pulses(p) for p in engine.pulses]


def _cylinder(p: CylinderPressure, tdc: TdcByPressure | None) -> dict[str, Any]:
    mine = tdc if tdc is not None and tdc.channel == p.channel else None
    return {
        "channel": p.channel,
        "role": "cylinder-pressure",
        "cylinder": plain(p.cylinder),
        "cycles": int(p.used),
        "cycles_fired": int(p.fired),
        "cycles_unclear": int(p.unclear),
        "rpm": number(p.rpm, 2),
        "tdc_deg": angle(p.tdc_deg),
        "tdc_sd_deg": angle(p.tdc_sd_deg),
        "tdc_spread_deg": angle(p.tdc_spread_deg),
        "loss_angle_deg": angle(p.loss_deg) if p.tdc_deg is not None else None,
        "peak_before_tdc_deg": angle(p.peak_before_deg),
        "tdc_late_deg": None if mine is None else angle(mine.late_deg),
        "exponent": number(p.exponent, 4),
        "exponent_sd": number(p.exponent_sd, 4),
        "why_no_exponent": p.why_no_exponent or None,
        "leak_per_s": number(p.leak_per_s, 4),
        "leak_sd": number(p.leak_sd, 4),
        "expansion_over_compression": share(p.symmetry),
        "peak": number(p.peak, 4),
        "peak_sd": number(p.peak_sd, 4),
        "zero": number(p.zero, 4),
        "unit": p.unit,
        "exhaust_opens": _valve(p.exhaust_opens),
        "intake_closes": _valve(p.intake_closes),
        "each": [_cycle(c) for c in p.each],
        "why_not": p.why_not or None,
    }


def _valve(event: ValveEvent | None) -> dict[str, Any] | None:
    if event is None:
        return None
    return {"angle_deg": angle(event.deg), "sd_deg": angle(event.sd_deg), "cycles": int(event.cycles)}


def _cycle(c: PressureCycle) -> dict[str, Any]:
    return {"peak_s": seconds(c.peak_s), "peak": number(c.peak, 4), "rpm": number(c.rpm, 2), "kind": c.kind}


def _pulses(p: Pulses) -> dict[str, Any]:
    told = not p.why_not
    return {
        "channel": p.channel,
        "role": p.role,
        "cycles": int(p.cycles),
        "rpm": number(p.rpm, 2) if p.cycles else None,
        "height": number(p.height, 6) if told else None,
        "unit": p.unit,
        "delay_deg": angle(p.delay_deg) if told else None,
        "explained": share(p.explained) if told else None,
        "once_per_cycle": share(p.once_per_cycle) if told else None,
        "pulses": [
            {"cylinder": int(x.cylinder), "rel": share(x.rel), "sd": share(x.sd), "or_cylinder": plain(x.or_cylinder)}
            for x in p.each
        ],
        "why_not": p.why_not or None,
    }
