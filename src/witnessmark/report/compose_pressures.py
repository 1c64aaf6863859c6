"""Pressures beside each other: what each line says of its cylinder, and the pulses at intake and exhaust."""

from __future__ import annotations

from witnessmark.engine.pressure_model import CylinderPressure, Pulses, ValveEvent
from witnessmark.report.model import Analysis, Section, Table
from witnessmark.report.words import ROLES

DASH = "–"


def pressures_section(analysis: Analysis) -> Section:
    """The tables of pressures; empty where none was recorded."""
    return Section("pressures", "Pressures", (), (), pressure_tables(analysis))


def pressure_tables(analysis: Analysis) -> tuple[Table, ...]:
    """One row a cylinder with a pressure line, one a pulse; none where no pressure was recorded."""
    out = []
    if analysis.engine.pressures:
        columns = (
            "Line", "Cyl.", "Compressions", "TDC against setup", "Peak before TDC", "Exponent",
            "60° after / before TDC", "Leak per s", "Peak", "Exhaust opens", "Intake closes",
        )  # fmt: skip
        caption = (
            "Pressure in a cylinder without spark. TDC is the centre of the two flanks, leak taken out, plus 0.6° "
            "for heat loss, ± two standard deviations. Leak: share of the charge lost a second at high pressure, heat "
            "loss included. Valves are landmarks in degrees after firing TDC, good to some degrees; the intake's is "
            "where compression is followed back to the pressure at bottom dead centre."
        )
        rows = tuple(_row(p, analysis) for p in analysis.engine.pressures)
        out.append(Table("pressures", columns, rows, (), caption))
    if analysis.engine.pulses:
        caption = (
            "Pulses averaged over cycles of steady speed, each over the median of the others' (1 is equal) with one "
            "standard deviation. Runners differ between sound cylinders, so a low pulse alone is a hint."
        )
        rows = tuple(r for p in analysis.engine.pulses for r in _pulse_rows(p))
        out.append(Table("pulses", ("Line", "Role", "Cycles", "Cylinder", "Pulse"), rows, (), caption))
    return tuple(out)


def _row(p: CylinderPressure, analysis: Analysis) -> tuple[str, ...]:
    cylinder = DASH if p.cylinder is None else str(p.cylinder)
    left = f"{p.used} used, {p.fired} fired, {p.unclear} unclear"
    if p.tdc_deg is None:
        return (p.channel, cylinder, f"{left}: {p.why_not}", *(DASH,) * 8)
    by = analysis.engine.tdc_by_pressure
    late = DASH
    if by is not None and by.channel == p.channel and by.late_deg is not None:
        late = f"{by.late_deg:+.1f}° ± {2 * by.sd_deg:.1f}"
    return (
        p.channel, cylinder, left, late, f"{p.peak_before_deg or 0.0:.1f}° ± {2 * (p.tdc_sd_deg or 0.0):.1f}",
        DASH if p.exponent is None else f"{p.exponent:.3f} ± {p.exponent_sd or 0.0:.3f}",
        DASH if p.symmetry is None else f"{p.symmetry:.2f}",
        DASH if p.leak_per_s is None else f"{p.leak_per_s:.1f} ± {p.leak_sd or 0.0:.1f}",
        DASH if p.peak is None else f"{p.peak:.1f} {p.unit}".strip(), _valve(p.exhaust_opens), _valve(p.intake_closes),
    )  # fmt: skip


def _valve(event: ValveEvent | None) -> str:
    return DASH if event is None else f"{event.deg:.0f}° ± {event.sd_deg:.0f}"


def _pulse_rows(p: Pulses) -> list[tuple[str, ...]]:
    role = ROLES.get(p.role, p.role)
    if p.why_not:
        return [(p.channel, role, str(p.cycles) if p.cycles else DASH, DASH, p.why_not)]
    return [
        (
            p.channel, role, str(p.cycles),
            str(x.cylinder) if x.or_cylinder is None else f"{x.cylinder} (or {x.or_cylinder})",
            f"{x.rel:.2f} ± {x.sd:.2f}",
        )
        for x in p.each
    ]  # fmt: skip
