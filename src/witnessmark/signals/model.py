"""Edges and levels of each line, with the role the line plays."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from witnessmark.provenance import Step
from witnessmark.recording.model import ChannelInfo

Sensor = Literal["hall", "vr", "analog"]

PLAIN = 0
GLITCH = 1  # one of the two edges of a pulse far shorter than the line's habit, or of an overloaded input's fold; kept
FIRST = 2  # first edge after a gap or the start of the record: its pulse was not seen whole


@dataclass(frozen=True, slots=True)
class Edges:
    """All edges of one line in order of time, n of them.

    time_s [n] float64, seconds on the recording's clock. sample [n] int64 and fraction [n] float32: the crossing lies
    at sample + fraction (0 <= fraction < 1) on sampled channels; on change lists sample is the change's number and
    fraction 0. rising [n] bool. label [n] uint8 (PLAIN, GLITCH, FIRST).
    Variable reluctance only (NaN elsewhere), all [n] float32, volts about the line's zero:
    peak_before_v, peak_after_v: size of the half wave before and after the crossing (positive numbers);
    slope_v_per_s: size of the slope at the crossing; arm_margin: peak_before over the arming threshold a control unit
    with the nominal adaptive rule would use there (below 1: that unit would not have seen this edge).
    """

    channel: str
    time_s: NDArray[np.float64]
    sample: NDArray[np.int64]
    fraction: NDArray[np.float32]
    rising: NDArray[np.bool_]
    label: NDArray[np.uint8]
    peak_before_v: NDArray[np.float32]
    peak_after_v: NDArray[np.float32]
    slope_v_per_s: NDArray[np.float32]
    arm_margin: NDArray[np.float32]

    def __len__(self) -> int:
        return len(self.time_s)


@dataclass(frozen=True, slots=True)
class Levels:
    """What the line's voltage does, in the channel's unit.

    low/high: the two modes of a two-level line (5/95 % quantiles of an analog one); for variable reluctance the
    median trough and peak. zero: the crossing level. noise: robust standard deviation about a level (two-level) or of
    the second difference (others). swing: high - low. clipped: share of samples at the extreme codes in runs.
    minimum, maximum: extremes of the record. moving: False when the line never leaves its noise. step: the recorder's,
    0 where it cannot be told.
    """

    low: float
    high: float
    zero: float
    noise: float
    minimum: float
    maximum: float
    clipped: float
    moving: bool
    step: float = 0.0

    @property
    def swing(self) -> float:
        """High minus low."""
        return self.high - self.low


@dataclass(frozen=True, slots=True)
class Line:
    """One channel with its role, sensor kind, levels and edges."""

    info: ChannelInfo
    label: str
    role: str  # CONTRACT 4
    role_source: Literal["setup", "inferred"]
    role_confidence: float  # 0..1; 1 when the setup says so
    role_reason: str
    sensor: Sensor
    sensor_source: Literal["setup", "inferred"]
    levels: Levels
    edges: Edges  # empty on analog lines
    of: str = ""  # for a second tap, supply or ground: the channel it belongs to
    bank: int | None = None
    cylinder: int | None = None
    scale_known: bool = True  # False where the unit is a guess (a WAV without a setup)

    @property
    def name(self) -> str:
        """The channel's name in the recording."""
        return self.info.name


@dataclass(frozen=True, slots=True)
class Signals:
    """Every line of a recording, in the file's order."""

    lines: tuple[Line, ...]
    steps: tuple[Step, ...] = ()
    cautions: tuple[str, ...] = ()

    def by_role(self, role: str) -> tuple[Line, ...]:
        """The lines with this role."""
        return tuple(line for line in self.lines if line.role == role)

    def line(self, name: str) -> Line:
        """The line with this channel name; KeyError if there is none."""
        for line in self.lines:
            if line.name == name:
                return line
        raise KeyError(name)
