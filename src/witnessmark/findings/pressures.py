"""Pressure lines: a cylinder that leaks, and pulses at intake or exhaust that are lower than the others'."""

from __future__ import annotations

from dataclasses import replace

from witnessmark.engine.pressure_model import CylinderPressure, Pulse, Pulses
from witnessmark.findings import asked
from witnessmark.findings.measured import Family, Measured, Outcome, beyond
from witnessmark.findings.model import Finding, NotAssessed

TIGHT = "Is the cylinder with the pressure line tight?"
TURN = "Which of the cycle's two turns is cylinder 1's firing one?"
PULSES = "Do the pulses at intake and exhaust name a cylinder?"


def find(m: Measured, earlier: Outcome) -> Outcome:
    """compression-uneven by a leak in the measured cylinder; pulses as hints."""
    out = Outcome()
    for p in m.engine.pressures:
        out += _leak(m, p)
    for line in m.engine.pulses:
        out += _pulses(m, line, earlier)
    phase = m.engine.phase
    if m.engine.pulses and phase.why_no_turn and not phase.turn_known:
        out += Outcome(not_assessed=(NotAssessed(
            TURN, phase.why_no_turn, "a cam line, a coil of its own cylinder, or the pressure in a cylinder",
        ),))  # fmt: skip
    return out


def _leak(m: Measured, p: CylinderPressure) -> Outcome:
    if p.leak_per_s is None or p.leak_sd is None or p.symmetry is None:
        return Outcome(not_assessed=(NotAssessed(
            f"{TIGHT[:-1]} ({p.channel})?", p.why_not or "no motored compression",
            asked.compressions(m.setup),
        ),))  # fmt: skip
    limit = m.limits["pressure.leak_per_s"] + m.limits["pressure.heat_per_s_rpm"] * (p.rpm or 0.0)
    sure = p.leak_per_s / max(p.leak_sd, 1e-9) / m.limits["pressure.leak_sure"]
    confidence = beyond(p.leak_per_s / limit) * min(1.0, sure)
    if p.used < m.limits["pressure.leak_cycles"] or sure < 1.0:
        confidence = min(confidence, 0.45)
    if confidence <= 0.05:
        return Outcome(bounds=(
            f"The pressure in {_name(p)} falls as it rose: 60 degrees after top dead centre it is "
            f"{100 * p.symmetry:.0f} % of that 60 before ({p.used} compressions at {p.rpm or 0.0:.0f} rpm).",
        ))  # fmt: skip
    who, count = _name(p), f"{p.used} compression{'s' if p.used != 1 else ''}"
    return Outcome((Finding(
        "", "compression-uneven", p.channel, "cycle",
        f"{who[0].upper()}{who[1:]} leaks: 60 degrees after top dead centre its pressure is {100 * p.symmetry:.0f} % "
        f"of that 60 before at {p.rpm or 0.0:.0f} rpm; it loses {p.leak_per_s:.1f} (± {2 * p.leak_sd:.1f}) charges a "
        f"second at high pressure, heat loss included, which explains {limit:.0f} at most ({count}).",
        confidence, tuple(m.stretch(p.channel, c.peak_s - 0.08, c.peak_s + 0.08) for c in p.each[:20]), None,
        cylinder=p.cylinder, value=p.symmetry, unit="of the compression",
        evidence={
            "expansion_over_compression": p.symmetry, "leak_per_s": p.leak_per_s, "leak_sd": p.leak_sd,
            "compressions": p.used, "peak": p.peak, "peak_before_tdc_deg": p.peak_before_deg, **_agrees(m, p.cylinder),
        },
    ),))  # fmt: skip


def beside_uneven(m: Measured, found: tuple[Finding, ...]) -> tuple[Finding, ...]:
    """An error of the whole wheel taken back to a hint where one cylinder is proven to work unlike the others.

    A cylinder that leaks, or that does not fire because the transducer sits in it, moves the crank's speed once a turn
    too.
    """
    leaks = any(f.kind == "compression-uneven" and "leak_per_s" in f.evidence and f.confidence > 0.2 for f in found)
    runs = m.limits["record.running_rpm"]
    idle = any(p.used > p.fired and any(c.rpm > runs for c in p.each) for p in m.engine.pressures)

    def doubted(f: Finding) -> bool:
        cranked = f.evidence.get("running_share") == 0.0
        return f.kind == "wheel-runout" and ((leaks and cranked) or (idle and not cranked))

    return tuple(replace(f, confidence=min(f.confidence, 0.45)) if doubted(f) else f for f in found)


def _name(p: CylinderPressure) -> str:
    return f"cylinder {p.cylinder}" if p.cylinder is not None else f"the cylinder of {p.channel}"


def _agrees(m: Measured, cylinder: int | None) -> dict[str, object]:
    """What crank speed says of the same cylinder."""
    for r in m.engine.cylinder_results:
        if r.cylinder is not None and r.cylinder == cylinder and r.compression_rel is not None:
            return {"compression_rel_by_speed": r.compression_rel}
    return {}


# --- pulses -----------------------------------------------------------------------------------------------------------


def _pulses(m: Measured, line: Pulses, earlier: Outcome) -> Outcome:
    if line.why_not:
        return Outcome(not_assessed=(NotAssessed(
            f"{PULSES[:-1]} ({line.channel})?", line.why_not,
            "ten seconds of steady cranking or idle, pressure at intake or exhaust, crank and cam recorded, and a "
            "setup with firing order and TDC",
        ),))  # fmt: skip
    # a cylinder that does not fire because a transducer sits in it blows a lower pulse, as it should
    idle = {p.cylinder for p in m.engine.pressures if p.used > p.fired}
    told = [p for p in line.each if p.cylinder not in idle] if line.rpm > m.limits["record.running_rpm"] else line.each
    if not told:
        return Outcome()
    worst = min(told, key=lambda p: p.rel)
    short, limit = 1.0 - worst.rel, m.limits["pressure.pulse_short"]
    sure = short / max(worst.sd, 1e-9) / m.limits["cylinders.sure"]
    confidence = 0.0 if sure < 1.0 else min(0.45, beyond(short / limit))
    where = "intake" if line.role == "intake-pressure" else "exhaust"
    if confidence <= 0.05:
        return Outcome(bounds=(
            f"No cylinder's pulse at the {where} is more than {100 * limit:.0f} % lower than the others' "
            f"({line.cycles} cycles).",
        ))  # fmt: skip
    return Outcome((_lower(m, line, worst, confidence, where, earlier),))


def _lower(m: Measured, line: Pulses, worst: Pulse, confidence: float, where: str, earlier: Outcome) -> Finding:
    """A hint: runners differ between sound cylinders too."""
    running = line.rpm > m.limits["record.running_rpm"]
    kind = "contribution-uneven" if running and where == "exhaust" else "compression-uneven"
    known = {f.cylinder for f in earlier.found if f.kind == kind and f.cylinder is not None}
    which = f"cylinder {worst.cylinder}"
    if worst.or_cylinder is not None:
        which += f" (or {worst.or_cylinder}: the pulse's delay is not known well enough)"
    same = worst.cylinder in known
    return Finding(
        "", kind, line.channel, "cycle",
        f"The pulse of {which} at the {where} is {100 * (1.0 - worst.rel):.0f} % lower than the others' "
        f"(± {200 * worst.sd:.0f} %, {line.cycles} cycles at {line.rpm:.0f} rpm)"
        f"{', which agrees with the work measured on the crank' if same else '; its runner alone may do that'}.",
        confidence, (m.stretch(line.channel, m.recording.start_s, m.recording.end_s),), None,
        cylinder=worst.cylinder, value=worst.rel, unit="of the others",
        evidence={
            "pulse_rel": worst.rel, "pulse_sd": worst.sd, "cycles": line.cycles, "delay_deg": line.delay_deg,
            "agrees_with_crank": int(same), "explained": line.explained,
        },
    )  # fmt: skip


FAMILY = Family(
    "pressures",
    ("compression-uneven", "contribution-uneven"),
    ("cylinder pressure", "intake and exhaust pressure", "crank angle", "firing order, TDC and turn"),
    (
        "pressure.leak_per_s", "pressure.heat_per_s_rpm", "pressure.leak_sure", "pressure.leak_cycles",
        "pressure.pulse_short",
    ),
    "polytropic law and slider-crank (Heywood ch. 2 and 9); a leak lowers the expansion against the compression",
    find,
)  # fmt: skip
