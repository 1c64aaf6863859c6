"""Crank degrees for the strip: at times, at steps of a turn, at the passages of a tooth, and against another recording.

A run is what is decoded without a break, or over losses short enough that the turns passed in them are known: only
within a run can degrees be told from one time to another.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from witnessmark.workbench.teeth import Teeth

FLOATS = NDArray[np.float64]
MOST_PASSES = 2000  # of a tooth in one window: more would be a solid bar
FAR = 1.5  # times the widest usual distance of two edges, and FAR_DEG at least: the angle between is a guess
FAR_DEG = 45.0  # seven teeth of 60-2
NEAR_DEG = 1.0  # an edge this near to where a tooth is due is its own: teeth of 60-2 stand 6 degrees apart


@dataclass(frozen=True)
class Run:
    """Times in s and degrees of the knots of one run, both rising."""

    time_s: FLOATS
    deg: FLOATS


def run_of(teeth: Teeth, number: int) -> Run:
    """The knots of a run."""
    members = teeth.runs.members(number)
    segments = [(teeth.angle.segments[i], teeth.runs.shift_turns[i]) for i in members]
    times = [teeth.angle.time_s[s.start : s.stop] for s, _ in segments]
    degs = [teeth.angle.angle_deg[s.start : s.stop] + 360.0 * shift for s, shift in segments]
    return Run(np.concatenate(times), np.concatenate(degs))


def angle_at(teeth: Teeth | None, t_s: float) -> dict[str, Any]:
    """Turn, degrees from slot 1, degrees of the cycle, run and speed at a time; null with a reason where not known."""
    keys = ("turning_deg", "turn", "slot_deg", "cycle_deg", "run", "run_deg", "rpm", "interpolated")
    nothing: dict[str, Any] = dict.fromkeys(keys)
    if teeth is None:
        return nothing | {"reason": "not analysed yet"}
    t = np.array([t_s])
    turning, cycle, rpm = (float(x[0]) for x in (teeth.turning_deg(t), teeth.cycle_deg(t), teeth.rpm(t)))
    if not math.isfinite(turning):
        return nothing | {"reason": why_not(teeth, t_s)}
    deg, segment = teeth.runs.at(t)
    return {
        "turning_deg": turning, "turn": math.floor(turning / 360.0), "slot_deg": turning % 360.0,
        "cycle_deg": cycle if math.isfinite(cycle) else None, "run": teeth.runs.chain[int(segment[0])],
        "run_deg": float(deg[0]), "rpm": rpm if math.isfinite(rpm) else None,
        "interpolated": bool(unseen(teeth, t_s, t_s)),
    }  # fmt: skip


def unseen(teeth: Teeth, start_s: float, end_s: float) -> list[list[float]]:
    """[start, end] of stretches inside a run in which no tooth was seen for long: the angle is interpolated there.

    The widest usual distance is that of the gap by design: once in a turn, so within the 99th percentile of wheels with
    up to a hundred teeth; of more teeth FAR_DEG is what counts.
    """
    time_s, deg = teeth.angle.time_s, teeth.angle.angle_deg
    if len(deg) < 2:
        return []
    step = np.diff(deg)
    far = max(FAR_DEG, FAR * float(np.percentile(step, 99)))
    ends = np.array([s.stop - 1 for s in teeth.angle.segments])
    wide = np.setdiff1d(np.flatnonzero(step > far), ends)
    inside = wide[(time_s[wide + 1] >= start_s) & (time_s[wide] <= end_s)]
    return [[float(time_s[k]), float(time_s[k + 1])] for k in inside.tolist()]


def why_not(teeth: Teeth, t_s: float) -> str:
    """Why the angle at a time is not known."""
    if not teeth.angle.segments:
        return "no toothed wheel was decoded"
    for span in teeth.angle.undecoded:
        if span.start_s <= t_s <= span.end_s:
            return span.reason or "the crank turns here, but its teeth could not be told"
    return "the crank stands still here, or its teeth are not decoded"


def stepped(teeth: Teeth | None, t_s: float, step_deg: float) -> dict[str, Any]:
    """The time a number of crank degrees after (or before) another; null with a reason where not known."""
    here = angle_at(teeth, t_s)
    if here["run"] is None or teeth is None:
        return {"t_s": None, "reason": here["reason"]}
    run = run_of(teeth, here["run"])
    goal = here["run_deg"] + step_deg
    if not run.deg[0] <= goal <= run.deg[-1]:
        side = "ends" if step_deg > 0 else "begins"
        return {"t_s": None, "reason": f"what is decoded {side} before that"}
    return {"t_s": float(np.interp(goal, run.deg, run.time_s))}


def passing(teeth: Teeth | None, turning_deg: float) -> dict[str, Any]:
    """The time at which a cumulative crank angle passes; null with a reason where it does not."""
    t_s = math.nan if teeth is None else float(teeth.angle.when(turning_deg)[0])
    if math.isfinite(t_s):
        return {"t_s": t_s}
    return {"t_s": None, "reason": "that angle does not pass in what is decoded"}


def passes(teeth: Teeth, slot_deg: float, start_s: float, end_s: float) -> tuple[FLOATS, NDArray[np.bool_]]:
    """(times at which a tooth is due, whether an edge was seen there) in a window, at most MOST_PASSES.

    slot_deg: of the tooth, from slot 1. Of more passages, those without an edge are kept first.
    """
    times, seen = [np.empty(0)], [np.empty(0, dtype=bool)]
    for s in teeth.angle.segments:
        if s.end_s < start_s or s.start_s > end_s:
            continue
        time_s, deg = teeth.angle.time_s[s.start : s.stop], teeth.angle.angle_deg[s.start : s.stop]
        a, b = np.interp([start_s, end_s], time_s, deg)
        turns = np.arange(math.ceil((a - slot_deg) / 360.0), math.floor((b - slot_deg) / 360.0) + 1)
        due = turns * 360.0 + slot_deg
        right = np.clip(np.searchsorted(deg, due), 1, len(deg) - 1)
        nearest = np.minimum(np.abs(deg[right] - due), np.abs(deg[right - 1] - due))
        times.append(np.interp(due, deg, time_s))
        seen.append(nearest <= NEAR_DEG)
    t, s_ = np.concatenate(times), np.concatenate(seen)
    if len(t) > MOST_PASSES:
        keep = np.sort(np.concatenate((np.flatnonzero(~s_), np.flatnonzero(s_)))[:MOST_PASSES])
        t, s_ = t[keep], s_[keep]
    return t, s_


@dataclass(frozen=True)
class Warp:
    """How the times of a recording lie on those of another: own_s [n] stands at onto_s [n]; NaN where nothing does.

    words: what was laid on what.
    """

    onto_s: FLOATS
    own_s: FLOATS
    words: str


def by_time(zero_s: float, onto_zero_s: float, start_s: float, end_s: float) -> Warp:
    """One moment of each laid on the other's."""
    onto = np.array([start_s, end_s])
    return Warp(onto, onto - onto_zero_s + zero_s, "laid over by time from the beginning of motion")


def by_angle(own: Teeth, zero_s: float, onto: Teeth, onto_zero_s: float, borders: FLOATS) -> Warp | None:
    """Crank degrees laid on crank degrees, counted from the first firing TDC of cylinder 1 after a moment of each.

    From the first passage of slot 1 where one of the two does not know its cycle. None where nothing is decoded after.
    """
    cycle = own.phase.turn_known and onto.phase.turn_known
    mine, other = _zero(own, zero_s, cycle), _zero(onto, onto_zero_s, cycle)
    if mine is None or other is None:
        return None
    run, onto_run = run_of(own, mine[0]), run_of(onto, other[0])
    nan = math.nan
    goal = np.interp(borders, onto_run.time_s, onto_run.deg, nan, nan) - other[1] + mine[1]
    own_s = np.interp(goal, run.deg, run.time_s, nan, nan)
    what = "cylinder 1's first firing TDC" if cycle else "the first slot 1"
    return Warp(borders, own_s, f"laid over by crank angle from {what} after the beginning of motion")


def _zero(teeth: Teeth, zero_s: float, cycle: bool) -> tuple[int, float] | None:
    """(run, its degrees at the first TDC or slot 1 after a moment)."""
    for i, segment in enumerate(teeth.angle.segments):
        if segment.end_s <= zero_s:
            continue
        t = np.array([max(zero_s, segment.start_s)])
        deg = float(teeth.runs.at(t)[0][0])
        here = float(teeth.cycle_deg(t)[0]) if cycle else deg % 360.0
        if math.isfinite(here) and math.isfinite(deg):
            return teeth.runs.chain[i], deg + (-here % (720.0 if cycle else 360.0))
    return None
