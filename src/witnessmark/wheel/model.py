"""The toothed wheel: its layout, the crank angle it gives, and each tooth as the sensor saw it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from witnessmark.provenance import Step
from witnessmark.spans import Span


@dataclass(frozen=True, slots=True)
class Layout:
    """A wheel as designed. Angles in crank degrees from slot 1's marking edge, in the direction of rotation.

    slots: equal divisions of one turn (regular wheels), or the number of teeth (unequal wheels, ``regular`` False).
    missing: slots without a tooth by design (regular wheels only).
    teeth_deg: marking edge of every tooth, rising from 0. tooth_slots: the slot number of each of them.
    widths_deg: tooth widths where the design codes them, else None. width_after: whether a tooth's mark is the edge it
    begins with, so that its width follows the mark (else it ends there).
    periods: how many times the pattern repeats in one turn (1: a slot is unique in a turn).
    learnt_deg: how much later than drawn each tooth of a good wheel comes, in ``teeth_deg`` already but for the first,
    from which angles are counted; None where nothing was learnt. learnt_amplitude: pulse of each tooth of a good wheel,
    of the median tooth's.
    """

    name: str
    slots: int
    missing: tuple[int, ...]
    teeth_deg: tuple[float, ...]
    tooth_slots: tuple[int, ...]
    regular: bool = True
    widths_deg: tuple[float, ...] | None = None
    prior: float = 1.0
    source: Literal["catalogue", "family", "setup", "learnt"] = "catalogue"
    mark: str = ""  # evidence mark of the catalogue row
    periods: int = 1
    learnt_deg: tuple[float, ...] | None = None
    learnt_amplitude: tuple[float, ...] | None = None
    width_after: bool = False

    def __hash__(self) -> int:
        """Of what tells most layouts apart: they are looked up thousands of times, and have dozens of teeth."""
        return hash((self.slots, self.missing, self.source, self.teeth_deg[1:3], len(self.teeth_deg)))

    @property
    def pitch_deg(self) -> float:
        """Angle of one slot in degrees (median tooth distance on unequal wheels)."""
        if self.regular:
            return 360.0 / self.slots
        gaps = np.diff(np.append(np.asarray(self.teeth_deg), self.teeth_deg[0] + 360.0))
        return float(np.median(gaps))


MANY_VALUES = 64
"""Values from which it pays to see whether they are in order."""


@dataclass(frozen=True, slots=True)
class Segment:
    """A stretch of steady decoding: knots [start, stop) of CrankAngle, one direction of rotation, no break."""

    start: int
    stop: int
    start_s: float
    end_s: float
    turns: float


def _parts(
    values: NDArray[np.float64], ranges: list[tuple[float, float, Segment]]
) -> Iterator[tuple[Segment, slice | NDArray[np.bool_]]]:
    """(segment, which of the values [n] lie in its range), segments without any left out.

    Long records have hundreds of segments, and most questions touch one of them.
    """
    least = np.fmin.reduce(values, axis=None, initial=np.inf)
    most = np.fmax.reduce(values, axis=None, initial=-np.inf)
    rising = values.ndim == 1 and values.size > MANY_VALUES and bool(np.all(values[1:] >= values[:-1]))
    for first, last, segment in ranges:
        if not (last >= least and first <= most):
            continue
        if rising:
            a, b = np.searchsorted(values, first, "left"), np.searchsorted(values, last, "right")
            if b > a:
                yield segment, slice(int(a), int(b))
        else:
            inside = (values >= first) & (values <= last)
            if inside.any():
                yield segment, inside


@dataclass(frozen=True, slots=True)
class CrankAngle:
    """Crank angle over time. Knots are the decoded tooth edges.

    time_s [k], angle_deg [k]: cumulative angle at each knot (slot 1 passes at whole multiples of 360; rising within a
    segment; each segment starts at a fresh whole turn so that turns are never shared between segments).
    segments: stretches between standstills, losses and rock-back. undecoded: stretches where the crank turns but its
    angle is not known, with reasons.
    """

    time_s: NDArray[np.float64]
    angle_deg: NDArray[np.float64]
    segments: tuple[Segment, ...]
    undecoded: tuple[Span, ...] = ()

    def at(self, time_s: NDArray[np.float64] | float) -> NDArray[np.float64]:
        """Cumulative crank angle in degrees at these times; NaN outside the segments."""
        t = np.atleast_1d(np.asarray(time_s, dtype=np.float64))
        out = np.full(t.shape, np.nan)
        for seg, inside in _parts(t, [(s.start_s, s.end_s, s) for s in self.segments]):
            out[inside] = np.interp(t[inside], self.time_s[seg.start : seg.stop], self.angle_deg[seg.start : seg.stop])
        return out

    def when(self, angle_deg: NDArray[np.float64] | float) -> NDArray[np.float64]:
        """Time in s at which these cumulative angles pass; NaN outside the segments."""
        a = np.atleast_1d(np.asarray(angle_deg, dtype=np.float64))
        out = np.full(a.shape, np.nan)
        for seg, inside in _parts(a, self._angles()):
            out[inside] = np.interp(a[inside], self.angle_deg[seg.start : seg.stop], self.time_s[seg.start : seg.stop])
        return out

    def rpm(self, time_s: NDArray[np.float64] | float, window_deg: float = 90.0) -> NDArray[np.float64]:
        """Mean speed in rev/min over ``window_deg`` about these times; NaN outside the segments."""
        here = self.at(time_s)
        out = np.full(here.shape, np.nan)
        for seg, inside in _parts(here, self._angles()):
            angle, time = self.angle_deg[seg.start : seg.stop], self.time_s[seg.start : seg.stop]
            a = np.maximum(here[inside] - window_deg / 2, angle[0])
            b = np.minimum(here[inside] + window_deg / 2, angle[-1])
            dt = np.interp(b, angle, time) - np.interp(a, angle, time)
            with np.errstate(divide="ignore", invalid="ignore"):
                out[inside] = (b - a) / 6.0 / dt
        return out

    def _angles(self) -> list[tuple[float, float, Segment]]:
        """First and last angle of every segment."""
        return [(float(self.angle_deg[s.start]), float(self.angle_deg[s.stop - 1]), s) for s in self.segments]

    @property
    def turns(self) -> float:
        """Turns decoded over all segments."""
        return float(sum(s.turns for s in self.segments))


@dataclass(frozen=True, slots=True)
class Passes:
    """Every passage of a designed tooth inside the decoded segments, m of them in order of time.

    tooth [m] index into Layout.teeth_deg. turn [m] whole turn (angle_deg // 360). time_s [m] time of the edge, or the
    time at which it was due where it is missing. edge [m] index into the crank line's Edges, -1 where none was seen.
    error_deg [m] lateness against the speed-smoothed expectation (positive late), NaN where not measurable.
    speed_rpm [m] local speed. amplitude_v [m] mean size of the two half waves (variable reluctance), NaN otherwise.
    residual [m] for missing edges: amplitude left in the raw line where the tooth was due, relative to its
    neighbours (NaN unknown). arm_margin [m] as Edges. used [m] False where the passage is kept out of the statistics;
    reason [m] indexes ``reasons`` ("" = used).
    """

    tooth: NDArray[np.int32]
    turn: NDArray[np.int32]
    time_s: NDArray[np.float64]
    edge: NDArray[np.int64]
    error_deg: NDArray[np.float64]
    speed_rpm: NDArray[np.float64]
    amplitude_v: NDArray[np.float64]
    residual: NDArray[np.float64]
    arm_margin: NDArray[np.float64]
    used: NDArray[np.bool_]
    reason: NDArray[np.uint8]
    reasons: tuple[str, ...] = ("",)


@dataclass(frozen=True, slots=True)
class Extras:
    """Edges of the crank line that belong to no designed tooth, inside the decoded segments.

    edge [x] index into Edges, time_s [x], angle_deg [x] cumulative, speed_rpm [x]. Marking edges only.
    """

    edge: NDArray[np.int64]
    time_s: NDArray[np.float64]
    angle_deg: NDArray[np.float64]
    speed_rpm: NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Tooth:
    """One slot over the whole record. ``present`` is the share of used passages with an edge (seen of passages).

    error_deg mean lateness, error_sd_deg its spread between turns, error_se_deg the uncertainty of the mean.
    amplitude: amplitude over speed relative to the median tooth (variable reluctance), None otherwise.
    """

    slot: int
    expected: bool
    seen: int
    passages: int
    error_deg: float | None
    error_sd_deg: float | None
    error_se_deg: float | None
    amplitude: float | None
    arm_margin: float | None
    residual: float | None = None

    @property
    def present(self) -> float | None:
        """Share of the used passages in which the tooth gave an edge; None without passages."""
        return self.seen / self.passages if self.passages else None


@dataclass(frozen=True, slots=True)
class Alternative:
    """Another design that could have made this record, with its probability and why it is (not) believed."""

    layout: Layout
    probability: float
    because: str = ""
    damaged_slots: tuple[int, ...] = ()  # what would have to be damaged if this were the design


@dataclass(frozen=True, slots=True)
class Motion:
    """A stretch in which the crank turns, bounded by standstills (times in s)."""

    start_s: float
    end_s: float
    reversed: bool = False  # rock-back at the end of a run-down


@dataclass(frozen=True, slots=True)
class Runout:
    """Once-per-turn angle error of the wheel with its standard error.

    amplitude_deg (half of peak to peak), phase_deg (angle from slot 1 where the edge comes latest), se_deg, turns.
    se_deg: standard error along any direction. gas_deg: what the cylinders' differences do at order 1, taken out.
    cylinders: what the ripple says. running: share of the cycles at running speed. first: passage (row of Passes) at
    which each cycle begins. rpm: its mean speed. single_deg, single_se_deg [teeth]: lateness of each tooth beside gas
    and order 1, over the same cycles.
    """

    amplitude_deg: float
    phase_deg: float
    se_deg: float
    turns: int
    gas_deg: float
    cylinders: int
    running: float
    first: NDArray[np.int64]
    rpm: NDArray[np.float64]
    single_deg: NDArray[np.float64]
    single_se_deg: NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class WheelResult:
    """All that the crank line says about wheel and rotation.

    layout None: not decodable, ``why_not`` says why. marking_rising: which edge marks a tooth. belief: probability of
    the layout (with the alternatives it sums to 1). nats_per_turn: margin of the decode over "no pattern".
    residual_rms: rms of the log-interval residual, the honest floor of what can be seen.
    runout_deg amplitude and phase (angle from slot 1 where the edge comes latest), runout_se_deg its uncertainty.
    amplitude_runout: order-1 amplitude modulation relative to the mean (variable reluctance).
    """

    channel: str | None
    layout: Layout | None
    source: Literal["setup", "inferred"]
    belief: float
    alternatives: tuple[Alternative, ...]
    marking_rising: bool
    angle: CrankAngle
    passes: Passes
    extras: Extras
    teeth: tuple[Tooth, ...]
    motions: tuple[Motion, ...]
    slot_reference: str
    runout_deg: float | None
    runout_phase_deg: float | None
    runout_se_deg: float | None
    amplitude_runout: float | None
    nats_per_turn: float | None
    residual_rms: float | None
    why_not: str = ""
    undecidable: str = ""  # what the record cannot decide about the design, as a sentence
    polarity: Literal["as expected", "reversed", "unknown"] = "unknown"
    polarity_reason: str = ""
    polarity_confidence: float = 0.0
    steps: tuple[Step, ...] = ()
    once: Runout | None = None  # how runout_deg was measured
