"""The ripple of cranking as the starter's current shows it: for wheels whose teeth are too few to show it themselves.

A direct-current motor draws the less the faster it turns, in proportion (its voltage balance: supply = current *
resistance + speed * constant; electrical handbooks). So between two marks of the wheel the current says how the speed
went; the marks say how far the crank turned. Place and size come out roughly only: lag and slope are not known well.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from witnessmark.engine.sampled import thinned
from witnessmark.recording.model import Recording
from witnessmark.signals.model import Line, Signals
from witnessmark.wheel import firing
from witnessmark.wheel.firing import Ripple
from witnessmark.wheel.model import CrankAngle

Array = NDArray[np.float64]

STEP_DEG = 6.0
TEETH_DEG = np.arange(0.0, 360.0, STEP_DEG)
SPIN_UP_S = 0.25  # the inrush, and the engine still gathering speed
LET_GO_S = 0.05
# Where the record does not hold the inrush: a stalled starter draws about four times what it draws cranking (common
# practice: 600 to 900 A against 150 to 250 A).
STALL_OVER_CRANKING = 4.0
SLOWEST = 0.15  # of the mean: no current is read as a speed below
LEAST_SAMPLES = 200


def ripples(
    signals: Signals, recording: Recording, angle: CrankAngle, starter: Sequence[tuple[float, float]],
    running_rpm: float,
) -> list[Ripple]:  # fmt: skip
    """The ripple of every stretch of cranking, by the first starter-current line; empty without one."""
    lines = [x for x in signals.by_role("starter-current") if x.info.kind == "sampled"]
    if not lines:
        return []
    at: list[Array] = []
    times: list[Array] = []
    group: list[NDArray[np.int64]] = []
    for begin, end in starter:
        inrush = _inrush(recording, lines[0], begin)
        for k, seg in enumerate(angle.segments):
            lo, hi = max(seg.start_s, begin + SPIN_UP_S), min(seg.end_s, end - LET_GO_S)
            if hi <= lo:
                continue
            grid, time = _turned(recording, lines[0], angle, lo, hi, inrush)
            at.append(grid)
            times.append(time)
            group.append(np.full(len(grid), len(angle.segments) * len(at) + k, dtype=np.int64))
    if not at:
        return []
    place = np.concatenate(at)
    tooth = np.rint(np.mod(place, 360.0) / STEP_DEG).astype(np.int64) % len(TEETH_DEG)
    found = firing.ripples(place, np.concatenate(times), np.concatenate(group), tooth, TEETH_DEG, running_rpm)
    return [r for r in found if not r.running]


def _inrush(recording: Recording, line: Line, begin_s: float) -> float | None:
    """The largest current as the starter comes in; None where the record begins later."""
    time, value = thinned(recording, line.name, begin_s - 0.05, begin_s + SPIN_UP_S)
    if len(time) < 2 or time[0] > begin_s - 0.01:
        return None
    return float(np.quantile(value, 0.995))


def _turned(
    recording: Recording, line: Line, angle: CrankAngle, lo: float, hi: float, inrush: float | None
) -> tuple[Array, Array]:
    """(angles every STEP_DEG on CrankAngle's scale, time s of each) of one stretch, by the current within a turn."""
    none = np.empty(0), np.empty(0)
    time, current = thinned(recording, line.name, lo, hi)
    if len(time) < LEAST_SAMPLES:
        return none
    first, last = (float(x) for x in angle.at(np.array([time[0], time[-1]])))
    marks = np.arange(np.ceil(first / 360.0), np.floor(last / 360.0) + 1) * 360.0
    marks_s = angle.when(marks)
    known = np.isfinite(marks_s)
    marks, marks_s = marks[known], marks_s[known]
    if len(marks) < 2:
        return none
    mean = float(np.mean(current))
    if mean <= 0.0:
        return none
    stall = inrush if inrush is not None and inrush > 1.5 * mean else STALL_OVER_CRANKING * mean
    speed = np.maximum((stall - current) / (stall - mean), SLOWEST)
    turned = np.concatenate(([0.0], np.cumsum(0.5 * (speed[1:] + speed[:-1]) * np.diff(time))))
    # as far as the wheel says from one turn to the next
    place = np.interp(turned, np.interp(marks_s, time, turned), marks)
    inside = (time >= marks_s[0]) & (time <= marks_s[-1])
    grid = np.arange(marks[0], marks[-1] + 0.5 * STEP_DEG, STEP_DEG)
    return grid, np.asarray(np.interp(grid, place[inside], time[inside]))
