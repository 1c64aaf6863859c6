"""Everything the stages before measured, in one hand, with the views that more than one family of findings needs."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from witnessmark.engine.model import EngineResult
from witnessmark.findings.limits import Limits
from witnessmark.findings.model import Finding, NotAssessed
from witnessmark.recording.model import Recording
from witnessmark.recording.setup import Setup
from witnessmark.signals.model import Line, Signals
from witnessmark.spans import Evidence
from witnessmark.wheel.model import Layout, WheelResult

Bools = NDArray[np.bool_]
Floats = NDArray[np.float64]
Rows = NDArray[np.int64]

# A finding shows at most this many stretches, spread over the record; the counts are in its evidence.
MOST_RANGES = 40
# Pulse over speed beside a missing edge, of the usual one, below which the decoded speed is not believed: runout and
# amplitude modulation within tolerance take up to a quarter off on one side of the wheel (simulated).
TOO_SMALL = 0.72


@dataclass(frozen=True)
class Outcome:
    """What one family says: findings (ids still empty), questions it cannot answer, bounds on what was not seen.

    slots: teeth (indices into ``Layout.teeth_deg``) whose missing edges the family has explained; extras: rows of
    ``WheelResult.extras`` it has explained. Families after it leave both out.
    """

    found: tuple[Finding, ...] = ()
    not_assessed: tuple[NotAssessed, ...] = ()
    bounds: tuple[str, ...] = ()
    teeth: frozenset[int] = frozenset()
    extras: frozenset[int] = frozenset()
    passes: frozenset[int] = frozenset()

    def __add__(self, other: Outcome) -> Outcome:
        return Outcome(
            self.found + other.found,
            self.not_assessed + other.not_assessed,
            self.bounds + other.bounds,
            self.teeth | other.teeth,
            self.extras | other.extras,
            self.passes | other.passes,
        )


@dataclass(frozen=True)
class Family:
    """One family of findings: what it may find, what it looks at, the limits it applies, where the rule comes from."""

    name: str
    kinds: tuple[str, ...]
    inputs: tuple[str, ...]
    limits: tuple[str, ...]
    source: str
    find: Callable[[Measured, Outcome], Outcome]


@dataclass(frozen=True)
class Measured:
    """The record as all stages before see it, with the limits to apply. Views are indices into the wheel's arrays."""

    signals: Signals
    wheel: WheelResult
    engine: EngineResult
    setup: Setup
    recording: Recording
    limits: Limits

    @cached_property
    def line(self) -> Line | None:
        """The crank line; None where there is none."""
        if self.wheel.channel is None:
            return None
        return self.signals.line(self.wheel.channel)

    @property
    def channel(self) -> str:
        """Name of the crank channel, empty without one."""
        return self.wheel.channel or ""

    @property
    def is_vr(self) -> bool:
        """Whether the crank sensor is a variable-reluctance one."""
        return self.line is not None and self.line.sensor == "vr"

    @property
    def layout(self) -> Layout | None:
        """The wheel believed in."""
        return self.wheel.layout

    @property
    def teeth(self) -> int:
        """Number of teeth of the wheel, 0 when it is not decoded."""
        return 0 if self.wheel.layout is None else len(self.wheel.layout.teeth_deg)

    @cached_property
    def missing(self) -> Bools:
        """Passages in use that gave no edge at all [m]."""
        return self.wheel.passes.used & (self.wheel.passes.edge < 0)

    @cached_property
    def unseen(self) -> Bools:
        """Passages in use that a control unit with the nominal threshold would not have seen [m]."""
        p = self.wheel.passes
        return p.used & ((p.edge < 0) | (p.arm_margin < 1.0))

    @cached_property
    def angle_deg(self) -> Floats:
        """Cumulative nominal angle of each passage in degrees [m]."""
        if self.wheel.layout is None:
            return np.empty(0)
        p = self.wheel.passes
        return np.asarray(p.turn * 360.0 + np.asarray(self.wheel.layout.teeth_deg)[p.tooth])

    @cached_property
    def segment(self) -> Rows:
        """Number of the decoded segment each passage lies in, -1 outside [m]."""
        out = np.full(self.wheel.passes.time_s.size, -1, np.int64)
        for number, seg in enumerate(self.wheel.angle.segments):
            out[(self.wheel.passes.time_s >= seg.start_s) & (self.wheel.passes.time_s <= seg.end_s)] = number
        return out

    @cached_property
    def usable_extras(self) -> Bools:
        """Extra edges among passages in use: not at start-up, in run-down or in lost stretches [x]."""
        x, p = self.wheel.extras, self.wheel.passes
        if p.time_s.size == 0 or x.edge.size == 0:
            return np.zeros(x.edge.size, bool)
        after = np.searchsorted(p.time_s, x.time_s)
        right, left = np.minimum(after, p.time_s.size - 1), np.maximum(after - 1, 0)
        return np.asarray(p.used[left] & p.used[right])

    @cached_property
    def settled_extras(self) -> Bools:
        """Extra edges in use where the count of teeth is confirmed [x]."""
        x, p = self.wheel.extras, self.wheel.passes
        if not self.usable_extras.any():
            return self.usable_extras
        after = np.minimum(np.searchsorted(p.time_s, x.time_s), p.time_s.size - 1)
        return np.asarray(self.usable_extras & self.settled[after] & self.settled[np.maximum(after - 1, 0)])

    @cached_property
    def settled(self) -> Bools:
        """Passages where the count of teeth is confirmed: not right after a start of decoding nor before a break [m].

        There a slip of the decoding looks like an edge lost or one too many.
        """
        wait = 360.0 * self.limits["dropouts.settle_turns"]
        if self.layout is not None:
            wait = max(wait, self.limits["dropouts.settle_teeth"] * self.layout.pitch_deg)
        out = np.zeros(self.wheel.passes.time_s.size, bool)
        segments = self.wheel.angle.segments
        for number, seg in enumerate(segments):
            mine = self.segment == number
            if not mine.any():
                continue
            angle = self.angle_deg[mine]
            broken = number + 1 < len(segments) and segments[number + 1].start_s - seg.end_s < 0.3
            out[mine] = (angle > angle[0] + wait) & (angle < angle[-1] - (wait if broken else 0.0))
        return out

    @cached_property
    def lost_runs(self) -> tuple[tuple[int, int], ...]:
        """Runs of due passages [a, b) in a row without an edge, in use or lost, whose pause is as long as it should be.

        Compared with the intervals on both sides: at a slow point of a compression a decoding may take one long
        interval for two, but then it is less than ``dropouts.pause`` pitches long.
        """
        p = self.wheel.passes
        if self.layout is None:
            return ()
        counts = [i for i, why in enumerate(p.reasons) if why == "" or "without signal" in why]
        gone = (p.edge < 0) & np.isin(p.reason, counts)
        step = np.diff(np.concatenate(([0], gone.astype(np.int8), [0])))
        out = []
        for a, b in zip(np.flatnonzero(step == 1), np.flatnonzero(step == -1), strict=True):
            if a < 2 or b + 1 >= gone.size or self.segment[a - 2] != self.segment[b + 1] or self.segment[a] < 0:
                continue
            before, after = self.pace_s(int(a) - 2, int(a) - 1), self.pace_s(int(b), int(b) + 1)
            due = (self.angle_deg[b] - self.angle_deg[a - 1]) / self.layout.pitch_deg
            taken = float(p.time_s[b] - p.time_s[a - 1]) / np.sqrt(before * after)
            # the shortest the pause could be if nothing were missing, plus most of a pitch for every tooth that is
            if taken >= due - (b - a) + (self.limits["dropouts.pause"] - 1.0) * (b - a):
                out.append((int(a), int(b)))
        return tuple(out)

    def pace_s(self, a: int, b: int) -> float:
        """Seconds a pitch between two passages."""
        assert self.layout is not None
        turned = max(float(self.angle_deg[b] - self.angle_deg[a]), 1e-9)
        return (
            max(float(self.wheel.passes.time_s[b] - self.wheel.passes.time_s[a]), 1e-9) / turned * self.layout.pitch_deg
        )

    @cached_property
    def believed_missing(self) -> Bools:
        """Missing passages in use whose pause is long enough and where the count is confirmed [m]."""
        out = np.zeros(self.missing.size, bool)
        for a, b in self.lost_runs:
            out[a:b] = True
        return out & self.missing & self.settled & ~self.coarse & ~self.too_fast

    @cached_property
    def too_fast(self) -> Bools:
        """Missing passages beside which a pick-up's pulses are far too small for the speed decoded there [m].

        A pulse grows with speed (Faraday): the crank was slower, and passed fewer teeth than the decoding has it.
        """
        p = self.wheel.passes
        out = np.zeros(self.missing.size, bool)
        if not self.is_vr:
            return out
        with np.errstate(divide="ignore", invalid="ignore"):
            per_rpm = np.where(p.used & (p.edge >= 0), p.amplitude_v / p.speed_rpm, np.nan)
        if not np.isfinite(per_rpm).any():
            return out
        usual = float(np.nanmedian(per_rpm))
        for i in np.flatnonzero(self.missing):
            near = per_rpm[max(0, i - 2) : i + 3]
            near = near[np.isfinite(near)]
            out[i] = near.size >= 2 and float(np.median(near)) < TOO_SMALL * usual
        return out

    @cached_property
    def coarse(self) -> Bools:
        """Missing passages of a reluctance line whose pulse is there, too few recorder's steps high to be read [m]."""
        left = self.wheel.passes.residual
        return self.missing & (left > self.limits["dropouts.residual_max"]) if self.is_vr else np.zeros(left.size, bool)

    def stretch(self, channel: str, start_s: float, end_s: float) -> Evidence:
        """A stretch of a channel as evidence, with its samples (changes on a change list) and the decoded turn."""
        info = self.recording.info(channel)
        start_s, end_s = max(start_s, self.recording.start_s), min(end_s, self.recording.end_s)
        if info.kind == "changes" or info.rate_hz is None:
            times = self.recording.changes(channel).time_s
            start, stop = (int(i) for i in np.searchsorted(times, [start_s, end_s]))
            stop = max(stop, start + 1)
        else:
            start = int(np.clip(np.floor((start_s - info.start_s) * info.rate_hz), 0, max(info.samples - 1, 0)))
            stop = int(np.clip(np.ceil((end_s - info.start_s) * info.rate_hz), start + 1, max(info.samples, start + 1)))
        turn = self.turn_at(0.5 * (start_s + end_s))
        return Evidence(channel, float(start_s), float(end_s), start, stop, turn)

    def turn_at(self, time_s: float) -> int | None:
        """The decoded turn at a time."""
        angle = self.wheel.angle.at(time_s)[0] if self.wheel.angle.segments else np.nan
        return int(np.floor(angle / 360.0 + 1e-9)) if np.isfinite(angle) else None

    def around(self, time_s: Floats, speed_rpm: Floats, reach_deg: float, channel: str = "") -> tuple[Evidence, ...]:
        """Stretches of ``reach_deg`` on both sides of these moments, at most MOST_RANGES spread over them."""
        name = channel or self.channel
        take = spread(time_s.size)
        out = []
        for t, rpm in zip(time_s[take], speed_rpm[take], strict=True):
            wide = reach_deg / (6.0 * rpm) if np.isfinite(rpm) and rpm > 1.0 else 0.02
            out.append(self.stretch(name, t - wide, t + wide))
        return tuple(out)

    def at_passes(self, rows: Rows, pitches: float = 3.0) -> tuple[Evidence, ...]:
        """Stretches about passages, ``pitches`` tooth pitches on both sides."""
        p = self.wheel.passes
        pitch = 6.0 if self.wheel.layout is None else self.wheel.layout.pitch_deg
        return self.around(p.time_s[rows], p.speed_rpm[rows], pitches * pitch)


def spread(n: int, most: int = MOST_RANGES) -> Rows:
    """At most ``most`` of n indices, evenly over all."""
    return np.unique(np.round(np.linspace(0, n - 1, min(n, most))).astype(np.int64)) if n else np.empty(0, np.int64)


# What follows from a fault elsewhere as well as from one here, and what concerns the record: named after the rest.
_LAST = {k: 1 for k in ("late-sync", "no-start", "spark-absent", "fuel-absent", "fuel-without-spark")}
_LAST |= {k: 2 for k in ("record-clipped", "record-rate-low", "record-blocks-lost")}


def numbered(found: Iterable[Finding]) -> tuple[Finding, ...]:
    """Findings with ids F1, F2, ...: stated before hints, direct before consequences, then by confidence."""
    order = sorted(found, key=lambda f: (not f.stated, _LAST.get(f.kind, 0), -f.confidence))
    return tuple(replace(f, id=f"F{n}", evidence=_plain(f.evidence)) for n, f in enumerate(order, start=1))


def _plain(evidence: dict[str, object]) -> dict[str, object]:
    """Numbers as plain Python ones."""
    return {k: v.item() if isinstance(v, np.generic) else v for k, v in evidence.items()}


def beyond(ratio: float, steepness: float = 2.5) -> float:
    """Confidence of a value that is ``ratio`` times its limit: 0.5 at the limit, 0.86 at half more, towards 0.98.

    Below the limit a hint that fades out at four fifths of it (0 then).
    """
    if ratio >= 1.0:
        return float(0.5 + 0.48 * (1.0 - np.exp(-steepness * (ratio - 1.0))))
    return float(max(0.0, 0.45 * (ratio - 0.8) / 0.2))


def from_odds(log10_odds: float) -> float:
    """Probability of log10 odds, never above 0.99."""
    return float(min(0.99, 1.0 / (1.0 + 10.0 ** (-float(np.clip(log10_odds, -30.0, 30.0))))))


def speeds(rpm: Floats) -> str:
    """Range of speeds in words: "at 182-240 rpm"."""
    ok = rpm[np.isfinite(rpm)]
    if ok.size == 0:
        return "at unknown speed"
    low, high = np.quantile(ok, [0.02, 0.98])
    return f"at {low:.0f} rpm" if round(low) == round(high) else f"at {low:.0f}-{high:.0f} rpm"
