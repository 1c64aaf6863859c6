"""The starting system over one attempt: battery at rest, in the inrush notch and while cranking; starter current."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from witnessmark.engine.model import SUPPLY_STEP_S, Supply
from witnessmark.engine.sampled import smooth, thinned, thinned_pieces
from witnessmark.recording.model import Recording
from witnessmark.signals.model import Line, Signals

Array = NDArray[np.float64]

# The locked starter's inrush is over in 15 to 50 ms, the crank moves some tens of ms after the current (published:
# ISO 7637-2 pulse 4 envelope, quoted by an instrument maker); 0.3 s about the first motion holds all of it.
INRUSH_S = 0.3
# Rest is read in this stretch before the current comes.
REST_S = 1.0


@dataclass(frozen=True, slots=True)
class StartingSystem:
    """Volts and amperes of one attempt; None where the line, its scale or the stretch is missing."""

    rest_v: float | None = None
    min_v: float | None = None
    cranking_v: float | None = None
    current_a: float | None = None
    inrush_a: float | None = None


def _line(signals: Signals, role: str) -> Line | None:
    """The first line of this role whose unit can be trusted."""
    usable = [x for x in signals.by_role(role) if x.scale_known and x.info.kind == "sampled"]
    return usable[0] if usable else None


def _part(time: Array, value: Array, start_s: float, end_s: float) -> Array:
    return value[(time >= start_s) & (time < end_s)]


def _at_rest(time: Array, value: Array, from_s: float, motion_s: float) -> Array:
    """Values before the starter: well before the motion, or where the record begins late, what there is."""
    for ahead in (INRUSH_S, 0.1, 0.05):
        part = _part(time, value, from_s, motion_s - ahead)
        if len(part) >= 20:
            return part
    return np.empty(0)


def measure(
    signals: Signals,
    recording: Recording,
    start_s: float,
    cranking_end_s: float,
    rest_from_s: float,
    cranking: bool = True,
) -> StartingSystem:
    """Measure one attempt. start_s: first motion; rest_from_s: end of the attempt before (or start of the record)."""
    battery, current = _line(signals, "battery"), _line(signals, "starter-current")
    rest = low = mid = amps = inrush = None
    steady = start_s + INRUSH_S if cranking_end_s - start_s > 2 * INRUSH_S else start_s
    if battery is not None:
        time, value = thinned(recording, battery.name, max(rest_from_s, start_s - REST_S - INRUSH_S), cranking_end_s)
        before = _at_rest(time, value, rest_from_s, start_s)
        if len(before) and cranking:
            rest = float(np.quantile(before, 0.75))  # what little of the inrush may be in it lies below
        during = _part(time, smooth(value, 5), start_s - INRUSH_S, cranking_end_s)
        after = _part(time, value, steady, cranking_end_s)
        low = float(during.min()) if len(during) and cranking else None
        mid = float(after.mean()) if len(after) and cranking else None
    if current is not None:
        time, value = thinned(recording, current.name, max(rest_from_s, start_s - REST_S - INRUSH_S), cranking_end_s)
        before = _at_rest(time, value, rest_from_s, start_s)
        zero = float(np.median(before)) if len(before) else 0.0
        value = value - zero
        after = _part(time, value, steady, cranking_end_s)
        # a clamp may sit on the lead either way round
        sign = -1.0 if len(after) and after.mean() < 0 else 1.0
        peak = _part(time, smooth(sign * value, 5), start_s - INRUSH_S, start_s + INRUSH_S)
        if cranking:
            amps = float(sign * after.mean()) if len(after) else None
            inrush = float(peak.max()) if len(peak) else None
    return StartingSystem(rest, low, mid, amps, inrush)


def supply_of(signals: Signals, recording: Recording) -> Supply | None:
    """Battery voltage of the whole record, the lowest of each ``SUPPLY_STEP_S``; None without a line in volts."""
    line = _line(signals, "battery")
    if line is None:
        return None
    starts: list[float] = []
    lowest: list[float] = []
    last = -1  # number of the stretch that the piece before ended in
    for time, value in thinned_pieces(recording, line.name, line.info.start_s, recording.end_s):
        if not len(value):
            continue
        stretch = np.floor((time - (starts[0] if starts else time[0])) / SUPPLY_STEP_S).astype(np.int64)
        first = np.flatnonzero(np.append(True, np.diff(stretch) > 0))
        low = np.minimum.reduceat(value, first)
        goes_on = int(stretch[0] == last)
        if goes_on:
            lowest[-1] = min(lowest[-1], float(low[0]))
        starts += time[first[goes_on:]].tolist()
        lowest += low[goes_on:].tolist()
        last = int(stretch[-1])
    return Supply(line.name, np.array(starts), np.array(lowest)) if starts else None


__all__ = ["StartingSystem", "measure", "supply_of"]
