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

BEFORE_S = 60.0
AROUND_S = 0.5  # to either side of the event
BLOCK_S = 0.01  # means over blocks: shorter than a dip of the supply while cranking, longer than a pulse of ignition
EDGE_BLOCK_S = 0.5
# Lines that are told by their level, whatever they look like; the others by their edges where they have any.
LEVEL_ROLES = frozenset(
    {"battery", "starter-current", "temperature", "sensor-supply", "sensor-ground", "cylinder-pressure"}
    | {"intake-pressure", "exhaust-pressure"}
)
SHARE = 0.25  # a level that leaves the band of the minute before by this share of the band's middle has moved
NOISES = 5.0  # and by more than this many standard deviations of its noise
RATIO = 2.0  # edges that come this many times more or less often than at any time in the minute before


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
        now = "unknown" if self.at_event is None else f"{self.at_event:.4g}"
        before = "unknown"
        if self.low_before is not None and self.high_before is not None:
            before = f"{self.low_before:.4g} to {self.high_before:.4g}"
        return f"{self.what} {now} {self.unit} (before: {before})"


def readings(analysis: Analysis, event_s: float) -> tuple[Reading, ...]:
    """Engine speed first, then every line of the recording in its order; the marker itself is left out."""
    recording = analysis.recording
    lines = [line for line in analysis.signals.lines if line.role != "marker" and line.info.rate_hz is not None]
    told = [_level(recording, line, event_s) if _by_level(line) else _edges(line, event_s) for line in lines]
    return (_speed(analysis, event_s), *told)


def _by_level(line: Line) -> bool:
    return line.role in LEVEL_ROLES or len(line.edges) == 0


def _speed(analysis: Analysis, event_s: float) -> Reading:
    start, stop = max(analysis.recording.start_s, event_s - BEFORE_S), event_s + AROUND_S
    times = np.arange(start, stop, 0.05, dtype=np.float64)
    rpm = analysis.wheel.angle.rpm(times) if analysis.wheel.layout is not None else np.full(len(times), np.nan)
    return _judged(
        "engine speed", "speed", "rpm", times, np.asarray(rpm, dtype=np.float64), event_s, 0.0, is_rate=False
    )


def _level(recording: Recording, line: Line, event_s: float) -> Reading:
    """Means over short blocks of what the line shows."""
    info = line.info
    assert info.rate_hz is not None
    size = max(1, round(BLOCK_S * info.rate_hz))
    first = max(0, int((event_s - BEFORE_S - info.start_s) * info.rate_hz))
    stop = min(info.samples, int((event_s + AROUND_S - info.start_s) * info.rate_hz) + 1)
    means: list[NDArray[np.float64]] = []
    step = size * max(1, (1 << 20) // size)
    for at in range(first, stop, step):
        values = recording.values(info.name, at, min(at + step, stop))
        whole = len(values) // size * size
        means.append(values[:whole].reshape(-1, size).mean(axis=1))
    level = np.concatenate([np.empty(0), *means])
    times = info.start_s + (first + size * (np.arange(len(level)) + 0.5)) / info.rate_hz
    return _judged(line.label, line.role, info.unit, times, level, event_s, line.levels.noise, is_rate=False)


def _edges(line: Line, event_s: float) -> Reading:
    """Edges a second over short blocks."""
    start = max(line.info.start_s, event_s - BEFORE_S)
    blocks = np.arange(event_s + AROUND_S, start - EDGE_BLOCK_S / 2, -EDGE_BLOCK_S)[::-1]
    counts, _ = np.histogram(line.edges.time_s, blocks) if len(blocks) > 1 else (np.empty(0), None)
    middle = (blocks[:-1] + blocks[1:]) / 2
    return _judged(line.label, line.role, "edges/s", middle, counts / EDGE_BLOCK_S, event_s, 0.0, is_rate=True)


def _judged(
    what: str,
    role: str,
    unit: str,
    times: NDArray[np.float64],
    values: NDArray[np.float64],
    event_s: float,
    noise: float,
    *,
    is_rate: bool,
) -> Reading:
    known = np.isfinite(values)
    here = values[known & (np.abs(times - event_s) <= AROUND_S)]
    before = values[known & (times < event_s - AROUND_S)]
    now = float(np.median(here)) if len(here) else None
    if not len(before):
        return Reading(what, role, unit, now, None, None, None, False)
    low, middle, high = (float(q) for q in np.quantile(before, [0.05, 0.5, 0.95]))
    moved = False
    if now is not None and is_rate:
        moved = now > RATIO * max(high, 1.0) or (low > 0 and now < low / RATIO)
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
