"""What pressure lines say, in crank degrees."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Kind = Literal["motored", "fired", "unclear"]


@dataclass(frozen=True, slots=True)
class PressureCycle:
    """One compression. peak_s: time of the pressure peak. peak: highest pressure over the level at bottom dead centre
    before it, in the channel's unit. tdc_deg: by the flanks, before the loss angle is added, after the mean TDC of the
    line. kind: a motored compression, a fired one (late peak, more pressure after TDC than before), or neither.
    """

    peak_s: float
    peak: float
    rpm: float
    kind: Kind
    tdc_deg: float | None = None
    peak_deg: float | None = None
    symmetry: float | None = None


@dataclass(frozen=True, slots=True)
class ValveEvent:
    """One landmark of the valves in degrees after firing TDC: mean, spread over the cycles, cycles in which seen."""

    deg: float
    sd_deg: float
    cycles: int


@dataclass(frozen=True, slots=True)
class CylinderPressure:
    """Pressure in one cylinder, over its motored compressions (``used`` of them).

    tdc_deg: its firing TDC on the scale of ``Phase.tdc_deg`` (modulo the cycle); loss_deg: loss angle taken (added to
    the centre of the flanks); sd: stated uncertainty of the TDC, spread: over the cycles. peak_before_deg: how far
    before TDC the pressure peaks. exponent None without the engine's dimensions in the setup (``why_no_exponent``).
    leak_per_s: share of the charge lost a second at high pressure. symmetry: pressure 60 degrees after TDC over that
    60 before, at the speed of the record. peak: median height over the level at bottom dead centre, in ``unit``.
    """

    channel: str
    cylinder: int | None
    cylinder_said: bool
    used: int
    fired: int
    unclear: int
    why_not: str = ""
    tdc_deg: float | None = None
    tdc_sd_deg: float | None = None
    tdc_spread_deg: float | None = None
    loss_deg: float = 0.0
    peak_before_deg: float | None = None
    exponent: float | None = None
    exponent_sd: float | None = None
    why_no_exponent: str = ""
    leak_per_s: float | None = None
    leak_sd: float | None = None
    symmetry: float | None = None
    symmetry_sd: float | None = None
    zero: float | None = None
    peak: float | None = None
    peak_sd: float | None = None
    unit: str = ""
    rpm: float | None = None
    exhaust_opens: ValveEvent | None = None
    intake_closes: ValveEvent | None = None
    each: tuple[PressureCycle, ...] = ()
    cut_off: float = 0.0  # how much of the peak's height the flanks lead to and the record does not show


@dataclass(frozen=True, slots=True)
class TdcByPressure:
    """Cylinder 1's firing TDC as a cylinder's pressure shows it, against the setup's slot.

    late_deg: how late it is against the TDC of the setup's slot (None without one), within half a turn. sd_deg: of
    both. apart: the setup's TDC is nearer to another cylinder's, so the cylinder of the line is in doubt.
    """

    channel: str
    cylinder: int
    tdc_deg: float
    late_deg: float | None
    sd_deg: float
    cycles: int
    other_cylinder: int | None = None


@dataclass(frozen=True, slots=True)
class Pulse:
    """One cylinder's pulse at intake or exhaust over the median of the others', with its standard deviation.

    or_cylinder: the neighbour in firing order whose pulse it may be instead, where delay leaves that open.
    """

    cylinder: int
    rel: float
    sd: float
    or_cylinder: int | None = None


@dataclass(frozen=True, slots=True)
class Pulses:
    """Pulses of one intake or exhaust line, averaged over ``cycles`` of steady speed by crank angle.

    height: a common pulse in the channel's unit. delay_deg: how late the pulses come against the event they follow.
    explained: share of the averaged wave's variance that one pulse a cylinder explains. once_per_cycle: share of the
    variance that repeats with the cycle but not with the firing interval.
    """

    channel: str
    role: str
    cycles: int
    rpm: float
    height: float
    delay_deg: float
    explained: float
    once_per_cycle: float
    each: tuple[Pulse, ...]
    unit: str = ""
    why_not: str = ""
