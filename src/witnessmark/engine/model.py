"""The engine around the wheel: phase, cams, outputs, starting system, attempts and timeline."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from witnessmark.engine.count import Count
from witnessmark.engine.pressure_model import CylinderPressure, Pulses, TdcByPressure
from witnessmark.provenance import Step

# A control unit's supply rides through a millisecond or two on its own capacitors (common practice, no source).
SUPPLY_STEP_S = 0.005
# Certainty of a TDC by pressure from three compressions and more, in a cylinder that the setup names.
SURE_BY_PRESSURE = 0.9


@dataclass(frozen=True, slots=True)
class Phase:
    """Where cylinder 1's firing top dead centre lies. tdc_deg: cumulative crank angle (CrankAngle scale) modulo 720.

    known False: angles are counted 0..360 from slot 1. turn_known False: the turn (0 or 360) is not decided and
    tdc_deg is modulo 360.
    """

    known: bool
    turn_known: bool
    tdc_deg: float | None
    source: str  # "setup", "pressure", "cam", "coil", ... or ""
    certainty: float
    reference: str  # in words, for ``angle_reference``
    per_segment_turn: tuple[int, ...] = ()  # turn offset (0 or 1; -1 unknown) to add for each segment of CrankAngle
    tdc_source: str = (
        ""  # "setup", "pressure", "cam", "ripple", "coil", "injector" or "": a line's own TDC cannot judge that line
    )
    # what tells the turns of the cycle apart: "pressure", "cam", "coil", "injector", "ripple", "pulses" or ""
    turn_source: str = ""
    tdc_doubt_deg: float | None = None  # half width within which the TDC is believed to lie
    why_no_turn: str = ""  # why the pulses in intake or exhaust pipes do not tell the turn, where they were asked

    @property
    def tdc_is_measured(self) -> bool:
        """Whether the TDC comes from the setup, or from the pressure in a cylinder whose number was said."""
        return self.tdc_source == "setup" or (self.tdc_source == "pressure" and self.certainty >= SURE_BY_PRESSURE)


@dataclass(frozen=True, slots=True)
class CamEdge:
    """One edge of a cam pattern over the cycles: mean angle, spread, share of cycles in which it was seen."""

    angle_deg: float
    sd_deg: float
    kind: Literal["rising", "falling"]
    present: float


@dataclass(frozen=True, slots=True)
class CamMotion:
    """One cam against the crank over the cycles, n of them.

    time_s, shift_deg, rpm [n]: how late the cam as a whole is against its learnt pattern, at which speed.
    edge_sd_deg, edge_seen [edges]: spread of each edge against the others of its cycle, and how often it was seen.
    """

    time_s: NDArray[np.float64]
    shift_deg: NDArray[np.float64]
    rpm: NDArray[np.float64]
    edge_sd_deg: tuple[float, ...]
    edge_seen: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class Cam:
    """One cam line in crank degrees.

    late_deg: how late each edge of the setup's cam wheel is seen, in its order (NaN: not seen); empty without one.
    """

    channel: str
    bank: int | None
    camshaft: str | None
    edges: tuple[CamEdge, ...]
    offset_deg: float | None
    cycles: int
    motion: CamMotion | None = None
    late_deg: tuple[float, ...] = ()
    tolerance_deg: float | None = None
    phaser_range_deg: float | None = None
    inverted: bool = False  # the line is the other way up than the setup describes it


@dataclass(frozen=True, slots=True)
class OutputEvent:
    """One command on a coil or injector line; degrees per ``Phase.reference`` (None where the angle is not known)."""

    start_s: float
    end_s: float
    start_deg: float | None
    end_deg: float | None


@dataclass(frozen=True, slots=True)
class Output:
    """One coil or injector line."""

    channel: str
    role: Literal["coil", "injector"]
    cylinder: int | None
    active_high: bool
    events: tuple[OutputEvent, ...]
    peaks: tuple[float, ...] = ()  # analog current lines: largest value above rest of each event, in the line's unit


@dataclass(frozen=True, slots=True)
class Supply:
    """Battery voltage over the record: the lowest value in each short stretch. time_s [n] begins of the stretches."""

    channel: str
    time_s: NDArray[np.float64]
    lowest_v: NDArray[np.float64]

    def lowest(self, start_s: float, end_s: float) -> float | None:
        """Lowest voltage over [start, end]; None where nothing was recorded then."""
        here = (self.time_s >= start_s - SUPPLY_STEP_S) & (self.time_s <= end_s)
        return float(self.lowest_v[here].min()) if here.any() else None


@dataclass(frozen=True, slots=True)
class Attempt:
    """One start attempt. turns: crank turns from motion to the end; started: 450 rpm held for 0.4 s."""

    start_s: float
    end_s: float
    turns: float
    started: bool
    cranking_rpm: float | None
    turns_to_sync: float | None
    first_fuel_s: float | None = None
    first_spark_s: float | None = None
    sync_s: float | None = None
    running_s: float | None = None
    running_rpm: float | None = None
    cranking_rpm_min: float | None = None
    cranking_rpm_max: float | None = None
    battery_rest_v: float | None = None
    battery_min_v: float | None = None
    battery_cranking_v: float | None = None
    starter_current_a: float | None = None
    sparks: int | None = None
    injections: int | None = None
    turning_at_start: bool = False  # the record begins with the engine turning: no first motion in it
    turning_at_end: bool = False  # the record ends with the engine turning
    first_firing_s: float | None = None  # speed rises above cranking for the first time
    cranking_end_s: float | None = None  # first firing, or the starter lets go (the run-down is not cranking)
    inrush_a: float | None = None
    seen_on: str = "crank"  # which line showed the motion: a crank line that stays dead shows none


@dataclass(frozen=True, slots=True)
class Timeline:
    """The last attempt in the terms of CONTRACT 5; None for what the record does not hold."""

    motion_s: float | None
    first_fuel_s: float | None
    first_spark_s: float | None
    sync_s: float | None
    running_s: float | None
    end_s: float | None
    turns: float
    turns_to_sync: float | None
    cranking_rpm: float | None
    running_rpm: float | None


@dataclass(frozen=True, slots=True)
class Side:
    """Two teeth of which either one gone leaves the same pattern, and which of them it is.

    slot: the one the decoding took; other: its twin. gone: the one decided for, None where it stays open.
    probability: of ``slot``. turned_deg: what the other reading adds to every angle from slot 1. because: in words.
    """

    slot: int
    other: int
    gone: int | None
    probability: float
    turned_deg: float
    because: str


@dataclass(frozen=True, slots=True)
class TdcByGas:
    """TDC as compression shows it in the cranking speed, modulo the firing interval; CrankAngle scale in degrees.

    late_deg: how late it is against the TDC of the setup's slot (None without one): a wheel that sits late shows its
    TDC early. doubt_deg: half width within which it is believed to lie.
    """

    tdc_deg: float
    interval_deg: float
    late_deg: float | None
    doubt_deg: float
    cycles: int


@dataclass(frozen=True, slots=True)
class CylinderResult:
    """One cylinder (or, where it cannot be named, one event of the cycle) against the median of the others.

    cylinder None: the record tells the event, not whose it is. at_deg: its firing TDC after cylinder 1's, or after the
    first event where no TDC is known. compression_rel: work absorbed while cranking; contribution_rel: energy given
    while running (1 as the others). sd: own uncertainty. cycles: of cranking. sources: (line, rel, sd).
    """

    cylinder: int | None
    at_deg: float
    compression_rel: float | None
    compression_sd: float | None
    contribution_rel: float | None = None
    contribution_sd: float | None = None
    cycles: int = 0
    sources: tuple[tuple[str, float, float], ...] = ()
    back_rel: float | None = None
    misfires: int | None = None  # cycles in which it gave nothing
    run_cycles: int = 0
    run_start_s: float | None = None
    run_end_s: float | None = None
    roughness_per_s2: float | None = None  # running: how much longer its segment takes than the one before (roughness)
    roughness_sd: float | None = None


@dataclass(frozen=True, slots=True)
class Feed:
    """Supply or ground of a sensor while the engine turns, in V.

    usual_v: 90 % quantile, the second before it included (supply). lowest_v, low_share, low_start_s, low_end_s: the
    lowest, and how long and when it was nearer to that than to the usual. with_starter: correlation with the starter
    current (0: not recorded).
    """

    channel: str
    role: str
    of: str
    usual_v: float
    lowest_v: float
    low_share: float
    low_start_s: float
    low_end_s: float
    start_s: float
    end_s: float
    with_starter: float


@dataclass(frozen=True, slots=True)
class Held:
    """The crank line's samples change at multiples of ``held`` only, over ``changes`` changes."""

    channel: str
    held: int
    changes: int


@dataclass(frozen=True, slots=True)
class EngineResult:
    """All that lines other than the crank say, put on crank angle."""

    phase: Phase
    cams: tuple[Cam, ...]
    outputs: tuple[Output, ...]
    attempts: tuple[Attempt, ...]
    timeline: Timeline
    cylinders: int | None
    event_time_s: dict[str, NDArray[np.float64]] = field(default_factory=dict)  # channel -> times of its edges
    steps: tuple[Step, ...] = ()
    tdc_by_gas: TdcByGas | None = None
    feeds: tuple[Feed, ...] = ()
    held: Held | None = None
    supply: Supply | None = None
    side: Side | None = None  # where the crank line alone leaves open which of two teeth is gone
    cylinder_results: tuple[CylinderResult, ...] = ()
    why_no_compression: str = ""
    why_no_contribution: str = ""
    pressures: tuple[CylinderPressure, ...] = ()
    tdc_by_pressure: TdcByPressure | None = None
    pulses: tuple[Pulses, ...] = ()
    counted: Count | None = None  # where the number of cylinders comes from
