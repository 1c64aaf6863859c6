"""Coil and injector lines: which level is "on", and every command as on-time.

The on state is the one the line holds in short pulses: dwell and injection are a small part of the cycle. A coil sparks
at the END of its on-time.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from witnessmark.engine.model import Output, OutputEvent, Phase
from witnessmark.engine.sampled import thinned, thinned_pieces
from witnessmark.engine.unroll import cycle_deg
from witnessmark.recording.model import Recording
from witnessmark.signals.model import Edges, Line, Signals
from witnessmark.special import median
from witnessmark.wheel.model import CrankAngle

Array = NDArray[np.float64]
Bools = NDArray[np.bool_]

# A coil of 3 mH carries under 1 A after 0.2 ms at 14 V (worked: (V/R)(1-exp(-tR/L)), R 0.6 ohm), an injector opens
# after 1 ms and more (common practice): a shorter pulse commands nothing.
SHORTEST_ON_S = 0.2e-3
# Off-times this short inside a command are chatter of a current-limited stage or a spike, not a new command.
SHORTEST_OFF_S = 0.2e-3
# A dwell of 0.1 s would burn the coil, an injection of 1 s would flood the engine (common practice): a longer "on" is
# the line's supply coming or going.
LONGEST_ON_S = {"coil": 0.1, "injector": 1.0}
# Share of the largest current above rest from which an analog coil or injector line counts as on.
CURRENT_ON_SHARE = 0.15
CURRENT_BEGIN_SHARE = 0.03
# Samples a second that show a current's begin and end well enough (twenty microseconds), and as many samples as tell
# rest and largest of a line.
CURRENT_HZ, ENOUGH_SAMPLES = 50_000.0, 4e6
# A line that switches comes near zero volts on one of its levels (common practice: low below 0.5 V of 5, driver pulled
# down to 1 V of 12); one whose lower level stays above this share of the upper is a supply that sags and ripples.
LOW_SHARE = 0.4
# A line leaves its two modes by this share of their distance where a third level is hidden (a driver's voltage).
THIRD_LEVEL_SHARE = 0.15


@dataclass(frozen=True, slots=True)
class Commands:
    """Commands of one line in order of time: on [start_s, end_s)."""

    line: Line
    role: Literal["coil", "injector"]
    start_s: Array
    end_s: Array
    active_high: bool
    dropped: int = 0  # pulses seen and not taken as commands
    because: str = ""
    peak: Array | None = None  # current lines: largest value above rest of each command, in the line's unit

    @property
    def main_s(self) -> Array:
        """What the command is for: the spark (end) of a coil, the begin of an injection."""
        return self.end_s if self.role == "coil" else self.start_s


def on_is_high(time_s: Array, rising: Bools, role: str) -> tuple[bool, str]:
    """Which level is the on state, and why: the one held in the shorter pulses."""
    width = np.diff(time_s)
    high, low = width[rising[:-1]], width[~rising[:-1]]
    longest = LONGEST_ON_S[role]
    # pulses that cannot be commands say nothing about which level commands
    fit_high = high[(high >= SHORTEST_ON_S) & (high <= longest)]
    fit_low = low[(low >= SHORTEST_ON_S) & (low <= longest)]
    if len(fit_high) == 0 or len(fit_low) == 0:
        return len(fit_high) >= len(fit_low), "only this level is held for times a command can last"
    a, b = (float(np.median(x[x >= SHORTEST_ON_S])) for x in (high, low))
    if max(a, b) < 1.5 * min(a, b):
        # near half duty (high speed): a commanded time is steady, the rest of the cycle follows the speed
        even_high, even_low = (float(np.std(x) / np.mean(x)) for x in (fit_high, fit_low))
        return even_high <= even_low, "held for the steadier times"
    return a < b, "held for the shorter times"


def _joined(start: Array, end: Array) -> tuple[Array, Array]:
    """Pulses with a very short off-time between them joined."""
    if len(start) < 2:
        return start, end
    apart = start[1:] - end[:-1] >= SHORTEST_OFF_S
    return start[np.append(True, apart)], end[np.append(apart, True)]


def is_supply(line: Line) -> bool:
    """Whether a sampled line only stands at a supply that sags and ripples."""
    top = line.levels.maximum
    return line.info.kind == "sampled" and top > 0 and line.levels.low > LOW_SHARE * top


def commands_of_edges(line: Line, edges: Edges, role: Literal["coil", "injector"]) -> Commands:
    """Commands on a two-level line."""
    if is_supply(line):
        return Commands(line, role, np.empty(0), np.empty(0), False, because="the line rests at its supply")
    time, rising = edges.time_s, edges.rising
    if len(time) < 2:
        return Commands(line, role, np.empty(0), np.empty(0), True, because="no pulse on the line")
    high, why = on_is_high(time, rising, role)
    begins = rising[:-1] == high
    start, end = _joined(time[:-1][begins], time[1:][begins])
    width = end - start
    usual = float(np.median(width)) if len(width) else 0.0
    shortest = max(SHORTEST_ON_S, min(0.1 * usual, 0.5e-3))
    keep = (width >= shortest) & (width <= LONGEST_ON_S[role])
    return Commands(line, role, start[keep], end[keep], high, int((~keep).sum()), why)


def commands_of_current(recording: Recording, line: Line, role: Literal["coil", "injector"]) -> Commands:
    """Commands on an analog line (current clamp): on while the current stands above a share of its largest."""
    nothing = Commands(line, role, np.empty(0), np.empty(0), True, because="no current pulse on the line")
    if not line.levels.moving or is_supply(line):
        return nothing
    rate, start = min(line.info.rate_hz or 0.0, CURRENT_HZ), line.info.start_s
    # rest and largest of a long record from fewer samples
    some = min(rate, ENOUGH_SAMPLES / max(recording.end_s - start, 1e-9))
    _, value = thinned(recording, line.name, start, recording.end_s, some)
    if len(value) < 3:
        return nothing
    rest = float(np.median(value))
    up = line.levels.maximum - rest >= rest - line.levels.minimum
    size = value - rest if up else rest - value
    top = float(np.quantile(size, 0.9995))
    if top <= 6 * line.levels.noise:
        return nothing
    del value, size
    # the current climbs from nothing: the command begins where it leaves rest, and is one where it gets somewhere
    least = max(CURRENT_BEGIN_SHARE * top, 4 * line.levels.noise)
    pieces = (
        (time, value - rest if up else rest - value)
        for time, value in thinned_pieces(recording, line.name, start, recording.end_s, rate)
    )
    found = [_pulses(t, x, least, top, role) for t, x in _between_pulses(pieces, least, LONGEST_ON_S[role])]
    begin, end, peak = (np.concatenate([f[i] for f in found]) for i in (0, 1, 2))
    return Commands(line, role, begin, end, up, sum(f[3] for f in found), "current above rest", peak)


def _between_pulses(
    pieces: Iterator[tuple[Array, Array]], least: float, longest_s: float
) -> Iterator[tuple[Array, Array]]:
    """(time, size) of the pieces, cut anew where the line has been at rest for a while; the sample there is in both.

    At rest is what is not above ``least``. A line that stays on longer than any command keeps its ends and its top.
    """
    time, size = np.empty(0), np.empty(0)
    for more_time, more_size in pieces:
        time, size = np.concatenate((time, more_time)), np.concatenate((size, more_size))
        # the latest sample with rest behind it, longer than an off-time that would join two pulses
        busy = np.concatenate(([0], np.cumsum(size > least)))
        before = np.searchsorted(time, time - 2 * SHORTEST_OFF_S)
        still = np.flatnonzero((busy[1:] == busy[before]) & (before > 0))
        if len(still):
            yield time[: still[-1] + 1], size[: still[-1] + 1]
            time, size = time[still[-1] :], size[still[-1] :]
        elif len(time) and time[-1] - time[0] > 4 * longest_s:
            some = np.unique([0, np.argmax(size), len(size) - 1])
            time, size = time[some], size[some]
    yield time, size


def _pulses(
    time: Array, size: Array, least: float, top: float, role: Literal["coil", "injector"]
) -> tuple[Array, Array, Array, int]:
    """(begin in s, end in s, largest value, number not taken) of the commands in a stretch that ends at rest."""
    on = size > least
    change = np.flatnonzero(np.diff(np.concatenate(([0], on.astype(np.int8), [0]))))
    start, stop = change[::2], change[1::2]
    peak = np.maximum.reduceat(size, start) if len(start) else np.empty(0)
    whole = (peak > CURRENT_ON_SHARE * top) & (start > 0) & (stop < len(size))
    begin, end = _joined(time[start[whole]], time[stop[whole]])
    width = end - begin
    keep = (width >= SHORTEST_ON_S) & (width <= LONGEST_ON_S[role])
    begin, end = begin[keep], end[keep]
    a, b = np.searchsorted(time, begin), np.searchsorted(time, end, "right")
    # a largest value over a dwell is some noise too high: the 98 % quantile near its end is not
    peak = np.asarray([float(np.quantile(size[i:j], 0.98)) for i, j in zip(a, b, strict=True)])
    return begin, end, peak, int((~keep).sum())


def is_driver_line(rest: float, line: Line) -> bool:
    """Whether a line rests at the supply, is pulled down and flies up when let go: an open driver's own voltage.

    Its two modes may then be rest and flyback, and edges between those are not the command's.
    """
    levels = line.levels
    down, up = rest - levels.minimum, levels.maximum - rest
    return rest > 6 * levels.noise and down > max(0.6 * rest, 6 * levels.noise) and up > 0.5 * rest


def commands_of_driver(recording: Recording, line: Line, role: Literal["coil", "injector"], rest: float) -> Commands:
    """Commands on a driver's voltage: on while the line is pulled below half of where it rests.

    Reads the whole line in chunks, in native numbers; times interpolated between samples.
    """
    info = line.info
    rate = float(info.rate_hz or 1.0)
    level = (0.5 * rest - info.offset) / info.gain
    on_below = info.gain > 0
    times: list[float] = []
    falls: list[bool] = []
    last: float | None = None
    for start, native in recording.chunks(line.name):
        if last is not None:
            native = np.concatenate((np.asarray([last], dtype=np.float64), native))
            start -= 1
        below = (native < level) == on_below
        for i in np.flatnonzero(below[1:] != below[:-1]):
            a, b = float(native[i]), float(native[i + 1])
            times.append(info.start_s + (start + i + (level - a) / (b - a)) / rate)
            falls.append(bool(below[i + 1]))
        last = float(native[-1]) if len(native) else last
    time, pulled = np.asarray(times), np.asarray(falls, dtype=np.bool_)
    if len(time) < 2:
        return Commands(line, role, np.empty(0), np.empty(0), False, because="never pulled down and let go")
    begins = pulled[:-1]
    start_s, end_s = _joined(time[:-1][begins], time[1:][begins])
    width = end_s - start_s
    keep = (width >= SHORTEST_ON_S) & (width <= LONGEST_ON_S[role])
    return Commands(line, role, start_s[keep], end_s[keep], False, int((~keep).sum()), "pulled down from the supply")


def _rest_level(recording: Recording, line: Line) -> float | None:
    """Where a line of more than two levels stands most of the time; None for change lists and plain two-level lines."""
    levels = line.levels
    beyond = max(levels.low - levels.minimum, levels.maximum - levels.high)
    if line.info.kind != "sampled" or (line.sensor == "hall" and beyond < THIRD_LEVEL_SHARE * levels.swing):
        return None
    values = [v for _, v in thinned_pieces(recording, line.name, line.info.start_s, recording.end_s, 500.0)]
    value = np.concatenate(values) if values else np.empty(0)
    return median(value) if len(value) else None


def find_commands(signals: Signals, recording: Recording) -> tuple[Commands, ...]:
    """Commands of every coil and injector line, in the file's order."""
    found: list[Commands] = []
    for line in signals.lines:
        if line.role == "coil" or line.role == "injector":
            role: Literal["coil", "injector"] = "coil" if line.role == "coil" else "injector"
            rest = _rest_level(recording, line)
            current = line.info.unit in ("A", "mA")
            if rest is not None and not current and is_driver_line(rest, line):
                found.append(commands_of_driver(recording, line, role, rest))
            elif (len(line.edges) or line.sensor == "hall") and not current:
                found.append(commands_of_edges(line, line.edges, role))
            else:
                found.append(commands_of_current(recording, line, role))
    return tuple(found)


def _maybe(x: float) -> float | None:
    return None if np.isnan(x) else float(x)


def to_output(commands: Commands, angle: CrankAngle, phase: Phase) -> Output:
    """The commands with their crank degrees."""
    start_deg = cycle_deg(angle, phase, commands.start_s)
    end_deg = cycle_deg(angle, phase, commands.end_s)
    rows = zip(commands.start_s, commands.end_s, start_deg, end_deg, strict=True)
    events = tuple(OutputEvent(float(a), float(b), _maybe(c), _maybe(d)) for a, b, c, d in rows)
    peaks = () if commands.peak is None else tuple(float(p) for p in commands.peak)
    return Output(commands.line.name, commands.role, commands.line.cylinder, commands.active_high, events, peaks)
