"""Records made by hand for the engine tests: a crank angle over time, a 60-2 wheel on it, and other lines by angle."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from witnessmark.recording.model import Changes, ChannelInfo, Recording
from witnessmark.signals.model import Edges, Levels, Line, Signals
from witnessmark.wheel.model import CrankAngle, Extras, Layout, Motion, Passes, Segment, WheelResult

RATE = 10_000.0
TEETH = tuple(6.0 * k for k in range(58))
LAYOUT = Layout("60-2", 60, (59, 60), TEETH, tuple(range(1, 59)))
TDC_DEG = 48.0  # slot 9 stands at cylinder 1's TDC: (9 - 1) x 6 degrees
CAM = ((40.0, "rising"), (220.0, "falling"), (310.0, "rising"), (400.0, "falling"))


@dataclass
class MemorySource:
    """Arrays behind a Recording."""

    arrays: dict[int, NDArray[np.float64]] = field(default_factory=dict)

    def read(self, index: int, start: int, stop: int) -> NDArray[np.float64]:
        return self.arrays.get(index, np.zeros(0))[start:stop]

    def changes(self, index: int) -> Changes:
        raise NotImplementedError


@dataclass
class Bench:
    """theta_deg(t): crank angle after cylinder 1's firing TDC, rising, on an even grid of dt_s."""

    time_s: NDArray[np.float64]
    theta_deg: NDArray[np.float64]
    lines: list[Line] = field(default_factory=list)
    infos: list[ChannelInfo] = field(default_factory=list)
    arrays: dict[int, NDArray[np.float64]] = field(default_factory=dict)

    @classmethod
    def at_speed(cls, time_rpm: Sequence[tuple[float, float]], start_deg: float = 100.0, dt_s: float = 1e-4) -> Bench:
        """Speed by (time, rpm) points, straight lines between them."""
        t = np.arange(0.0, time_rpm[-1][0], dt_s)
        rpm = np.interp(t, [p[0] for p in time_rpm], [p[1] for p in time_rpm])
        theta = start_deg + np.concatenate(([0.0], np.cumsum(6.0 * 0.5 * (rpm[1:] + rpm[:-1]) * dt_s)))
        return cls(t, theta)

    def when(self, theta_deg: NDArray[np.float64] | float) -> NDArray[np.float64]:
        """Time at which angles pass; stretches of standstill are skipped."""
        moving = np.concatenate(([True], np.diff(self.theta_deg) > 1e-9))
        return np.interp(theta_deg, self.theta_deg[moving], self.time_s[moving])

    def angles(self, of_cycle_deg: float, period_deg: float = 720.0) -> NDArray[np.float64]:
        """All passages of an angle of the cycle within the record."""
        lo, hi = self.theta_deg[0], self.theta_deg[-1]
        k = np.arange(np.ceil((lo - of_cycle_deg) / period_deg), np.floor((hi - of_cycle_deg) / period_deg) + 1)
        return of_cycle_deg + period_deg * k

    def _info(self, name: str, unit: str = "V") -> ChannelInfo:
        info = ChannelInfo(name, len(self.infos) + 1, "sampled", round(self.time_s[-1] * RATE), RATE, 0.0, unit=unit)
        self.infos.append(info)
        return info

    def two_level(
        self, name: str, role: str, time_s: NDArray[np.float64], rising: NDArray[np.bool_], cylinder: int | None = None
    ) -> Bench:
        order = np.argsort(time_s, kind="stable")
        t, up = np.asarray(time_s)[order], np.asarray(rising, dtype=np.bool_)[order]
        nan = np.full(len(t), np.nan, dtype=np.float32)
        edges = Edges(
            name,
            t,
            np.floor(t * RATE).astype(np.int64),
            nan * 0,
            up,
            np.zeros(len(t), dtype=np.uint8),
            nan,
            nan,
            nan,
            nan,
        )
        levels = Levels(0.1, 5.0, 2.5, 0.01, 0.0, 5.1, 0.0, len(t) > 0)
        self.lines.append(
            Line(self._info(name), name, role, "setup", 1.0, "", "hall", "setup", levels, edges, cylinder=cylinder)
        )
        return self

    def cam(
        self, name: str = "cam", edges: Sequence[tuple[float, str]] = CAM, late_deg: float = 0.0, sd: float = 0.0
    ) -> Bench:
        rng = np.random.default_rng(3)
        parts = [(self.angles(a + late_deg), kind == "rising") for a, kind in edges]
        theta = np.concatenate([p for p, _ in parts])
        up = np.concatenate([np.full(len(p), k) for p, k in parts])
        inside = np.clip(theta + sd * rng.standard_normal(len(theta)), self.theta_deg[0], self.theta_deg[-1])
        return self.two_level(name, "cam", self.when(inside), up)

    def pulses(
        self,
        name: str,
        role: str,
        start_s: NDArray[np.float64],
        end_s: NDArray[np.float64],
        cylinder: int | None = 1,
        active_high: bool = True,
    ) -> Bench:
        t = np.concatenate([start_s, end_s])
        up = np.concatenate([np.full(len(start_s), active_high), np.full(len(end_s), not active_high)])
        return self.two_level(name, role, t, up, cylinder)

    def sparks(self, at_deg: NDArray[np.float64], dwell_s: float = 0.003, **more: object) -> Bench:
        end = self.when(at_deg)
        return self.pulses("coil 1", "coil", end - dwell_s, end, **more)  # type: ignore[arg-type]

    def analog(self, name: str, role: str, value: NDArray[np.float64], unit: str = "V") -> Bench:
        info = self._info(name, unit)
        sampled = np.interp(np.arange(info.samples) / RATE, self.time_s, value)
        self.arrays[len(self.infos) - 1] = sampled
        levels = Levels(*np.quantile(sampled, [0.05, 0.95]), 0.0, 0.01, sampled.min(), sampled.max(), 0.0, True)
        nothing = np.empty(0, dtype=np.float32)
        edges = Edges(
            name,
            np.empty(0),
            np.empty(0, np.int64),
            nothing,
            np.empty(0, np.bool_),
            np.empty(0, np.uint8),
            *[nothing] * 4,
        )
        self.lines.append(Line(info, name, role, "setup", 1.0, "", "analog", "setup", levels, edges))
        return self

    def signals(self) -> Signals:
        return Signals(tuple(self.lines))

    def recording(self) -> Recording:
        infos = self.infos or [ChannelInfo("crank", 1, "sampled", round(self.time_s[-1] * RATE), RATE, 0.0)]
        return Recording("made by hand", tuple(infos), MemorySource(self.arrays), float(self.time_s[-1]))

    def crank_angle(
        self, lost: Sequence[tuple[float, float]] = (), stops: Sequence[tuple[float, float]] = ()
    ) -> CrankAngle:
        """Decoded angle; every segment renumbered from a fresh whole turn. lost, stops: (start, end) in s."""
        wheel = self.theta_deg + TDC_DEG
        turns = np.arange(np.floor(wheel[0] / 360), np.ceil(wheel[-1] / 360) + 1)
        marks = (360.0 * turns[:, None] + np.asarray(TEETH)[None, :]).ravel()
        marks = marks[(marks > wheel[0]) & (marks < wheel[-1])]
        t = self.when(marks - TDC_DEG)
        cuts = sorted([*lost, *stops])
        time: list[NDArray[np.float64]] = []
        angle: list[NDArray[np.float64]] = []
        segments: list[Segment] = []
        at, next_turn, begin = 0, 0, -np.inf
        for a, b in [*cuts, (np.inf, np.inf)]:
            here = (t >= begin) & (t < a)
            begin = b
            if here.sum() < 3:
                continue
            fresh = marks[here] + 360.0 * (next_turn - np.floor(marks[here][0] / 360.0))
            next_turn = int(fresh[-1] // 360) + 1
            n = int(here.sum())
            time.append(t[here])
            angle.append(fresh)
            segments.append(Segment(at, at + n, t[here][0], t[here][-1], (fresh[-1] - fresh[0]) / 360.0))
            at += n
        return CrankAngle(np.concatenate(time), np.concatenate(angle), tuple(segments))

    def wheel(
        self,
        motions: Sequence[tuple[float, float]],
        lost: Sequence[tuple[float, float]] = (),
        layout: Layout | None = LAYOUT,
    ) -> WheelResult:
        stops = [(a[1], b[0]) for a, b in pairwise(motions)]
        angle = self.crank_angle(lost, stops) if layout else CrankAngle(np.empty(0), np.empty(0), ())
        return wheel_of(angle, tuple(Motion(*m) for m in motions), layout)


def wheel_of(angle: CrankAngle, motions: tuple[Motion, ...], layout: Layout | None = LAYOUT) -> WheelResult:
    """A WheelResult around a crank angle."""
    no_i, no_f = np.empty(0, np.int64), np.empty(0)
    passes = Passes(
        no_i.astype(np.int32),
        no_i.astype(np.int32),
        no_f,
        no_i,
        *[no_f] * 5,
        np.empty(0, np.bool_),
        np.empty(0, np.uint8),
    )
    return WheelResult(
        "crank", layout, "setup", 1.0, (), False, angle, passes, Extras(no_i, no_f, no_f, no_f), (), motions, "",
        None, None, None, None, None, None,
    )  # fmt: skip
