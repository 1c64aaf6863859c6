"""Crank lines made edge by edge, as the stages before would hand them on: what is in them is known exactly."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from witnessmark.engine import geometry
from witnessmark.engine.model import Attempt, EngineResult, Phase, Timeline
from witnessmark.findings.find import find
from witnessmark.findings.limits import default_limits
from witnessmark.findings.measured import Measured
from witnessmark.findings.model import Finding, Findings
from witnessmark.recording.model import ChannelInfo, Recording
from witnessmark.recording.setup import Setup
from witnessmark.signals.model import Edges, Levels, Line, Signals
from witnessmark.spans import Span
from witnessmark.wheel import layouts, runout
from witnessmark.wheel.model import CrankAngle, Extras, Layout, Motion, Passes, Segment, Tooth, WheelResult

RATE_HZ = 100_000.0


class NoSamples:
    """Findings read headers only; a read of samples is a mistake."""

    def read(self, index: int, start: int, stop: int) -> NDArray[Any]:
        raise AssertionError("findings must not read samples")

    changes = read  # type: ignore[assignment]


def steady(rpm: float) -> Callable[[NDArray[np.float64]], NDArray[np.float64]]:
    """Time in s of a cumulative angle in degrees at constant speed."""
    return lambda angle: np.asarray(angle / (6.0 * rpm))


def gas_driven(
    charge: list[float], rpm: float, fired: bool, tdc_deg: Sequence[float] = ()
) -> Callable[[NDArray[np.float64]], NDArray[np.float64]]:
    """Time in s of an angle for an engine turned by its gas torque and a starter or load that bears its mean.

    charge: of each cylinder in firing order over the usual one (0 and fired: compresses and does not burn). Polytropic
    motored pressure and slider-crank of the engine stage; the starter slows by 6 Nm per rad/s. tdc_deg: firing TDCs
    after the first one's at 97 degrees; even where not given.
    """
    size, n = geometry.CylinderGeometry(), len(charge)
    step = 0.5
    cycle = np.arange(0.0, 720.0, step)
    torque = np.zeros(cycle.size)
    for k, share in enumerate(charge):
        own = tdc_deg[k] if tdc_deg else 720.0 / n * k
        angle = np.mod(cycle - 97.0 - own + 360.0, 720.0) - 360.0
        inlet = 0.4 if fired else 1.0
        pressure = geometry.motored_pressure_bar(angle, size, 1.3, manifold_bar=inlet * (1.0 if fired else share))
        burnt = 2.5 * share * (1.0 - np.exp(-6.9 * np.maximum((angle + 8.0) / 48.0, 0.0) ** 3))
        closed = np.abs(angle) < 130.0
        torque += geometry.gas_torque_nm(angle, np.where(fired & closed, pressure * (1.0 + burnt), pressure), size)
    torque -= torque.mean()
    inertia, slope = 0.18, 0.0 if fired else 6.0
    mean = rpm * np.pi / 30.0
    speed, out = mean, np.empty(0)
    for _ in range(4):  # the last of four cycles is periodic
        out = np.empty(cycle.size)
        for k, t in enumerate(torque):
            out[k] = speed
            speed += (t - slope * (speed - mean)) / (inertia * speed) * np.radians(step)
        speed += mean - float(out.mean()) if fired else 0.0
    clock = np.concatenate([[0.0], np.cumsum(np.radians(step) / out)])
    return lambda angle: (
        np.interp(np.mod(angle, 720.0), np.append(cycle, 720.0), clock)
        + np.floor(np.asarray(angle) / 720.0) * clock[-1]
    )


def ramp(from_rpm: float, to_rpm: float, turns: float) -> Callable[[NDArray[np.float64]], NDArray[np.float64]]:
    """Time of an angle when the speed rises evenly with angle from one value to another."""
    grid = np.linspace(0.0, turns * 360.0 + 720.0, 20_000)
    rpm = from_rpm + (to_rpm - from_rpm) * np.clip(grid / (turns * 360.0), 0.0, 1.0)
    time = np.concatenate([[0.0], np.cumsum(np.diff(grid) / (6.0 * 0.5 * (rpm[1:] + rpm[:-1])))])
    return lambda angle: np.interp(angle, grid, time)


@dataclass
class Scene:
    """One crank line. Teeth are indices into the layout.

    missing: (tooth, turn) without an edge; lost: (tooth, turn) likewise, in a stretch the decoding marked as lost.
    stray: cumulative angles in degrees of edges too many, with their size over a tooth's. late_deg: by tooth, a number
    or a function of the turn. size: pulse over the usual one by tooth. start_s: time of the first edge.
    """

    layout: Layout = field(default_factory=lambda: layouts.single_gap(60, 2))
    turns: int = 31
    when: Callable[[NDArray[np.float64]], NDArray[np.float64]] = field(default_factory=lambda: steady(200.0))
    sensor: str = "vr"
    missing: Iterable[tuple[int, int]] = ()
    lost: Iterable[tuple[int, int]] = ()
    stray: Iterable[tuple[float, float]] = ()
    late_deg: dict[int, Any] = field(default_factory=dict)
    scatter_deg: float = 0.02
    size: dict[int, float] = field(default_factory=dict)
    peak_v: float = 0.5  # half wave at 200 rpm
    threshold_v: float = 0.12
    residual: float = 0.0
    source: str = "inferred"
    start_s: float = 0.2
    tail_s: float = 0.0
    lines: tuple[Line, ...] = ()
    attempts: tuple[Attempt, ...] = ()
    events: dict[str, NDArray[np.float64]] = field(default_factory=dict)
    setup: Setup = field(default_factory=Setup)
    levels: Levels | None = None
    wheel_more: dict[str, Any] = field(default_factory=dict)
    info_more: dict[str, Any] = field(default_factory=dict)
    scale_known: bool = True
    setup_cylinders: int | None = 4

    def made(self) -> Measured:
        """Everything handed to the findings."""
        rng = np.random.default_rng(7)
        n = len(self.layout.teeth_deg)
        tooth = np.tile(np.arange(n), self.turns)
        turn = np.repeat(np.arange(self.turns), n)
        nominal = turn * 360.0 + np.asarray(self.layout.teeth_deg)[tooth]
        late = rng.normal(0.0, self.scatter_deg, n)[tooth] + rng.normal(0.0, 0.3 * self.scatter_deg, tooth.size)
        for which, by in self.late_deg.items():
            mine = tooth == which
            late[mine] += np.array([by(int(t)) for t in turn[mine]]) if callable(by) else by
        time = self.start_s + self.when(nominal + late)
        rpm = 6.0 / np.maximum(self.when(nominal + 3.0) - self.when(nominal - 3.0), 1e-12) / 6.0
        gone = np.zeros(tooth.size, bool)
        lost = np.zeros(tooth.size, bool)
        for flag, pairs in ((gone, self.missing), (lost, self.lost)):
            for a, b in pairs:
                flag |= (tooth == a) & (turn == b)
        seen = ~(gone | lost)
        relative = np.array([self.size.get(int(i), 1.0) for i in tooth])
        size = self.peak_v * rpm / 200.0 * relative
        return self._assembled(tooth, turn, nominal, time, rpm, seen, lost, late, size)

    def _assembled(
        self, tooth: Any, turn: Any, nominal: Any, time: Any, rpm: Any, seen: Any, lost: Any, late: Any, size: Any
    ) -> Measured:
        stray = sorted(self.stray)
        at = np.array([a for a, _ in stray])
        stray_s = self.start_s + self.when(at) if at.size else np.empty(0)
        stray_v = np.array([self.peak_v * r for _, r in stray])
        mark_s = np.concatenate([time[seen], stray_s])
        mark_v = np.concatenate([size[seen], stray_v])
        order = np.argsort(mark_s, kind="stable")
        place = np.empty(order.size, np.int64)
        place[order] = np.arange(order.size)
        vr = self.sensor == "vr"
        margin = mark_v / self.threshold_v if vr else np.full(mark_v.size, np.nan)
        edges = _edges(mark_s[order], mark_v[order] if vr else np.full(order.size, np.nan), margin[order])
        edge = np.full(tooth.size, -1, np.int64)
        edge[seen] = 2 * place[: int(seen.sum())]
        amplitude = np.where(seen & vr, size, np.nan)
        passes = Passes(
            tooth.astype(np.int32), turn.astype(np.int32), time, edge, np.where(seen, late, np.nan), rpm, amplitude,
            np.where(seen, np.nan, self.residual), np.where(seen & vr, size / self.threshold_v, np.nan), ~lost,
            lost.astype(np.uint8), ("", "inside a stretch without signal"),
        )  # fmt: skip
        extras = Extras(
            2 * place[int(seen.sum()) :], stray_s, at, np.interp(stray_s, time, rpm) if at.size else np.empty(0)
        )
        end = float(time[-1]) + self.tail_s
        info = ChannelInfo("crank", 1, "sampled", round((end + 0.01) * RATE_HZ), RATE_HZ, 0.0, unit="V")
        info = replace(info, **self.info_more)
        level = self.levels or (
            Levels(-0.5, 0.5, 0.0, 0.005, -1.0, 1.0, 0.0, True)
            if vr
            else Levels(0.1, 5.0, 2.5, 0.01, 0.0, 5.1, 0.0, True)
        )
        line = Line(
            info, "crank", "crank", "setup", 1.0, "", self.sensor, "setup", level, edges,  # type: ignore[arg-type]
            scale_known=self.scale_known,
        )  # fmt: skip
        segment = Segment(0, int(seen.sum()), float(time[0]), float(time[-1]), self.turns - 0.1)
        wheel = WheelResult(
            channel="crank", layout=self.layout, source=self.source, belief=0.99, alternatives=(),  # type: ignore[arg-type]
            marking_rising=False, angle=CrankAngle(time[seen], nominal[seen], (segment,)), passes=passes, extras=extras,
            teeth=self._teeth(passes), motions=(Motion(float(time[0]), float(time[-1])),), slot_reference="",
            runout_deg=None, runout_phase_deg=None, runout_se_deg=None, amplitude_runout=None, nats_per_turn=50.0,
            residual_rms=0.01,
        )  # fmt: skip
        once = runout.of_passes(passes, self.layout, wheel.angle, vr, (), self.setup_cylinders)
        wheel = replace(wheel, once=once, **self.wheel_more)
        recording = Recording(
            "made", (info, *(x.info for x in self.lines)), NoSamples(), max(end, *(0.0,)), format="made"
        )
        engine = EngineResult(
            Phase(False, False, None, "", 0.0, ""), (), (), self.attempts,
            Timeline(None, None, None, None, None, None, 0.0, None, None, None), 4, self.events,
        )  # fmt: skip
        return Measured(Signals((line, *self.lines)), wheel, engine, self.setup, recording, default_limits())

    def _teeth(self, p: Passes) -> tuple[Tooth, ...]:
        out = []
        for i, slot in enumerate(self.layout.tooth_slots):
            mine = (p.tooth == i) & p.used
            seen = mine & (p.edge >= 0) & ~(p.arm_margin < 1.0)
            strength = self.size.get(i, 1.0) if self.sensor == "vr" else None
            left = self.residual if np.any(mine & (p.edge < 0)) else None
            out.append(
                Tooth(slot, True, int(seen.sum()), int(mine.sum()), float(np.nanmean(p.error_deg[mine]))
                      if np.isfinite(p.error_deg[mine]).any() else None, 0.02, 0.01, strength, None, left)
            )  # fmt: skip
        return tuple(out)

    def found(self) -> Findings:
        """What the findings say."""
        return results(self.made())


def results(m: Measured) -> Findings:
    """All findings of what was made."""
    return find(m.signals, m.wheel, m.engine, m.setup, m.recording)


def _edges(marks_s: Any, volts: Any, margin: Any) -> Edges:
    """Marking (falling) edges with a rising one half-way before each."""
    n = marks_s.size
    step = np.diff(marks_s, prepend=marks_s[0] - 0.005) / 2.0
    time = np.empty(2 * n)
    time[0::2], time[1::2] = marks_s, marks_s + np.minimum(np.append(step[1:], step[-1]), 0.002)
    both = np.repeat(volts, 2).astype(np.float32)
    sample = np.floor(time * RATE_HZ).astype(np.int64)
    return Edges(
        "crank", time, sample, (time * RATE_HZ - sample).astype(np.float32), np.arange(2 * n) % 2 == 1,
        np.zeros(2 * n, np.uint8), both, both, both, np.repeat(margin, 2).astype(np.float32),
    )  # fmt: skip


def line_of(name: str, role: str, times_s: Iterable[float] = (), **more: Any) -> Line:
    """Another line of the recording, with edges at these times."""
    t = np.asarray(list(times_s), dtype=np.float64)
    nan = np.full(t.size, np.nan, np.float32)
    edges = Edges(
        name, t, np.floor(t * RATE_HZ).astype(np.int64), np.zeros(t.size, np.float32), np.arange(t.size) % 2 == 0,
        np.zeros(t.size, np.uint8), nan, nan, nan, nan,
    )  # fmt: skip
    info = ChannelInfo(name, 2, "sampled", 10_000_000, RATE_HZ, 0.0, unit=more.pop("unit", "V"))
    level = Levels(0.0, 5.0, 2.5, 0.01, 0.0, 5.0, 0.0, bool(t.size))
    return Line(info, name, role, "setup", 1.0, "", more.pop("sensor", "hall"), "setup", level, edges, **more)


def kinds(found: Findings, stated: bool = True) -> list[str]:
    """Kinds found, the stated ones or all."""
    return [f.kind for f in found.found if f.stated or not stated]


def the(found: Findings, kind: str) -> Finding:
    """The one finding of a kind."""
    (one,) = [f for f in found.found if f.kind == kind]
    return one


def gap(start_s: float, end_s: float) -> Span:
    """A stretch without samples."""
    return Span(start_s, end_s, "made")
