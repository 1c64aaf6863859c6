"""The engine around the wheel: phase, cams, outputs, starting system, attempts and timeline."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from witnessmark.provenance import Step

# A control unit's supply rides through a millisecond or two on its own capacitors (common practice, no source).
SUPPLY_STEP_S = 0.005


@dataclass(frozen=True, slots=True)
class Phase:
    """Where cylinder 1's firing top dead centre lies. tdc_deg: cumulative crank angle (CrankAngle scale) modulo 720.

    known False: angles are counted 0..360 from slot 1. turn_known False: the turn (0 or 360) is not decided and
    tdc_deg is modulo 360.
    """

    known: bool
    turn_known: bool
    tdc_deg: float | None
    source: str  # "setup", "coil", "cam", ... or ""
    certainty: float
    reference: str  # in words, for ``angle_reference``
    per_segment_turn: tuple[int, ...] = ()  # turn offset (0 or 1; -1 unknown) to add for each segment of CrankAngle
    tdc_source: str = ""  # "setup", "cam", "coil" or "": a TDC taken from a line cannot then judge that line
    turn_source: str = ""  # "cam", "coil", "injector" or "": what tells one turn of the cycle from the other
    tdc_doubt_deg: float | None = None  # half width within which the TDC is believed to lie


@dataclass(frozen=True, slots=True)
class CamEdge:
    """One edge of a cam pattern over the cycles: mean angle, spread, share of cycles in which it was seen."""

    angle_deg: float
    sd_deg: float
    kind: Literal["rising", "falling"]
    present: float


@dataclass(frozen=True, slots=True)
class Cam:
    """One cam line in crank degrees."""

    channel: str
    bank: int | None
    camshaft: str | None
    edges: tuple[CamEdge, ...]
    offset_deg: float | None
    cycles: int


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
    supply: Supply | None = None
    side: Side | None = None  # where the crank line alone leaves open which of two teeth is gone
