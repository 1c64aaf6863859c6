"""What moved and what was warm: every line around an event against the minute before it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from witnessmark.recording.model import Recording
from witnessmark.report.model import Analysis
from witnessmark.report.plain import number
from witnessmark.report.words import ROLES
from witnessmark.signals.model import Line

F64 = NDArray[np.float64]

BEFORE_S = 60.0
AROUND_S = 0.5  # to either side of an event of no known length
LEAST_S = 0.1  # of an event: in less, too few edges come
BLOCK_S = 0.01  # means over blocks: shorter than a dip of the supply while cranking, longer than a pulse of ignition
# Lines that are told by their level, whatever they look like; the others by their edges where they have any.
LEVEL_ROLES = frozenset(
    {"battery", "starter-current", "temperature", "sensor-supply", "sensor-ground", "cylinder-pressure"}
    | {"intake-pressure", "exhaust-pressure"}
)
SHARE = 0.1  # a level that leaves the band of the minute before by this share of the band's larger end has moved
NOISES = 5.0  # and by more than this many standard deviations of its noise
RATIO = 2.0  # edges that come this many times more or less often than they did in the minute before


@dataclass(frozen=True, slots=True)
class Reading:
    """One line (or the engine speed) at the event and before it, in ``unit``; None: not recorded or not known.

    low, high: 5 and 95 % quantile of the minute before.
    """

    what: str
    role: str
    unit: str
    at_event: float | None
    median_before: float | None
    low_before: float | None
    high_before: float | None
    moved: bool

    @property
    def text(self) -> str:
        """In words."""
        now = "not known" if self.at_event is None else f"{self.at_event:.4g}"
        before = "not known"
        if self.low_before is not None and self.high_before is not None:
            before = f"{self.low_before:.4g} to {self.high_before:.4g}"
        return f"{self.what} {now} {self.unit} (before: {before})"


def stretch_of(at_s: float, end_s: float | None = None) -> tuple[float, float]:
    """The stretch that counts as the event: its own as far as it is known (0.1 to 1 s of it), else around it."""
    if end_s is None:
        return at_s - AROUND_S, at_s + AROUND_S
    return at_s, min(max(end_s, at_s + LEAST_S), at_s + 2 * AROUND_S)


def readings(analysis: Analysis, stretch: tuple[float, float]) -> tuple[Reading, ...]:
    """Engine speed first, then every line of the recording in its order; the marker itself is left out.

    ``stretch``: start and end of the event in s.
    """
    recording = analysis.recording
    lines = [line for line in analysis.signals.lines if line.role != "marker" and line.info.rate_hz is not None]
    blocks = _Blocks.of(analysis, [line for line in lines if not _by_level(line)], stretch)
    told = [_level(recording, line, stretch) if _by_level(line) else blocks.reading(line) for line in lines]
    return (_speed(analysis, stretch), *told)


def _by_level(line: Line) -> bool:
    return line.role in LEVEL_ROLES or len(line.edges) == 0


def _speed(analysis: Analysis, stretch: tuple[float, float]) -> Reading:
    start = max(analysis.recording.start_s, stretch[0] - BEFORE_S)
    times = np.asarray(np.arange(start, stretch[1], 0.05), dtype=np.float64)
    return _judged("engine speed", "speed", "rpm", times, _rpm(analysis, times), stretch)


def _rpm(analysis: Analysis, times: F64) -> F64:
    """Engine speed at these times; NaN where it is not known."""
    if analysis.wheel.layout is None:
        return np.full(len(times), np.nan)
    return np.asarray(analysis.wheel.angle.rpm(times), dtype=np.float64)


def _level(recording: Recording, line: Line, stretch: tuple[float, float]) -> Reading:
    """Means over short blocks of what the line shows."""
    info = line.info
    assert info.rate_hz is not None
    size = max(1, round(BLOCK_S * info.rate_hz))
    first = max(0, int((stretch[0] - BEFORE_S - info.start_s) * info.rate_hz))
    stop = min(info.samples, int((stretch[1] - info.start_s) * info.rate_hz) + 1)
    means: list[NDArray[np.float64]] = []
    step = size * max(1, (1 << 20) // size)
    for at in range(first, stop, step):
        values = recording.values(info.name, at, min(at + step, stop))
        whole = len(values) // size * size
        means.append(values[:whole].reshape(-1, size).mean(axis=1))
    level = np.concatenate([np.empty(0), *means])
    middle = first + size * (np.arange(len(level), dtype=np.float64) + 0.5)
    times = np.asarray(info.start_s + middle / info.rate_hz, dtype=np.float64)
    return _judged(line.label, line.role, info.unit, times, level, stretch, line.levels.noise)


@dataclass(frozen=True)
class _Blocks:
    """Stretches of time in which the edges of the lines are counted: the event last, seconds before it.

    limits [n + 1]; turns [n]: turns in each, NaN where the speed is not known. turning [n]: some line has edges in it.
    """

    stretch: tuple[float, float]
    limits: F64
    turns: F64
    turning: NDArray[np.bool_]

    @classmethod
    def of(cls, analysis: Analysis, lines: list[Line], stretch: tuple[float, float]) -> _Blocks:
        """The event and up to a minute before it, as far as the record goes."""
        start, stop = stretch
        whole = int(min(BEFORE_S, max(0.0, start - analysis.recording.start_s)))
        limits = np.append(start - np.arange(whole, -1, -1.0), stop)
        turns = _rpm(analysis, (limits[:-1] + limits[1:]) / 2) / 60.0 * np.diff(limits)
        counts = [np.histogram(line.edges.time_s, limits)[0] for line in lines]
        return cls(stretch, limits, turns, np.sum([np.zeros(len(turns)), *counts], axis=0) > 0)

    def reading(self, line: Line) -> Reading:
        """Edges a turn where the speed at the event is known, else a second; held against times of turning only."""
        counts = np.asarray(np.histogram(line.edges.time_s, self.limits)[0], dtype=np.float64)
        by_turn = bool(np.isfinite(self.turns[-1]) and self.turns[-1] > 0)
        rates = counts / (self.turns if by_turn else np.diff(self.limits))
        rates[:-1][~self.turning[:-1]] = np.nan
        middle = (self.limits[:-1] + self.limits[1:]) / 2
        unit = "edges/turn" if by_turn else "edges/s"
        return _judged(line.label, line.role, unit, middle, rates, self.stretch, is_rate=True)


def _judged(
    what: str,
    role: str,
    unit: str,
    times: F64,
    values: F64,
    stretch: tuple[float, float],
    noise: float = 0.0,
    is_rate: bool = False,
) -> Reading:
    known = np.isfinite(values)
    here = values[known & (times >= stretch[0]) & (times <= stretch[1])]
    before = values[known & (times < stretch[0])]
    now = float(np.median(here)) if len(here) else None
    if not len(before):
        return Reading(what, role, unit, now, None, None, None, False)
    low, middle, high = (float(q) for q in np.quantile(before, [0.05, 0.5, 0.95]))
    moved = False
    if now is not None and is_rate:
        moved = now > RATIO * high or now < low / RATIO
    elif now is not None:
        far = max(SHARE * max(abs(low), abs(high)), NOISES * noise)
        moved = now > high + far or now < low - far
    return Reading(what, role, unit, now, middle, low, high, moved)


def summary(found: tuple[Reading, ...]) -> str:
    """What was warm and under which voltage, and what moved, in one line."""
    always = [r for r in found if r.role in ("speed", "battery", "temperature") and r.at_event is not None]
    moved = [r for r in found if r.moved]
    parts = [r.text for r in always]
    parts.append("moved: " + (", ".join(r.text if r not in always else r.what for r in moved) or "nothing else"))
    return "; ".join(parts)


def as_json(found: tuple[Reading, ...]) -> list[dict[str, Any]]:
    """Plain data; unknown is None."""
    return [
        {
            "what": r.what,
            "role": r.role if r.role in ROLES else None,
            "unit": r.unit,
            "at_event": number(r.at_event, 6),
            "before": {
                "median": number(r.median_before, 6),
                "low": number(r.low_before, 6),
                "high": number(r.high_before, 6),
            },
            "moved": r.moved,
        }
        for r in found
    ]
