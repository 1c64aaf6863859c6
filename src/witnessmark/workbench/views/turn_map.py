"""The turn map: turns along, slots up, what was seen at each crossing of the two; long records share columns."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from witnessmark.causes.say import slot_words
from witnessmark.report import collect
from witnessmark.report.draw_turn_map import attempt_of, displaced_places, extra_places
from witnessmark.report.words import CRANK_KINDS, plural
from witnessmark.workbench.views.arrays import (
    bytes_of,
    hundredths,
    hundredths_of_one,
    number,
    numbers,
)

if TYPE_CHECKING:
    from witnessmark.report.model import Analysis
    from witnessmark.wheel.model import Layout, WheelResult

MOST_COLUMNS = 480
MOST_CELLS = 30_000
MOST_MARKS = 4000  # marks listed one by one; beyond it turns share them, and the count says so

# A cell's letter, the worst last: what several turns share a column with shows.
NONE, SEEN, KEPT_OUT, APART, DISPLACED, WEAK, MISSING = range(7)
LETTERS = "-.kadwx"
STATES = {
    "-": "no tooth passed here",
    ".": "edge seen",
    "k": "edge seen, kept out of the count",
    "a": "no edge, kept out of the count",
    "d": "edge seen at the wrong angle",
    "w": "pulse too weak for a nominal control unit",
    "x": "no edge",
    "e": "an edge where no tooth is",
}
INTS = NDArray[np.int64]


def turn_map_view(analysis: Analysis) -> dict[str, Any]:
    """Cells of the map by slot and column, the bad passages one by one, and the speed above; why not without a wheel.

    error (hundredths of a degree, mean), amplitude (of the median passage of its speed, hundredths) and reason follow
    the slots in ``slots``, column by column, in base64.
    """
    wheel = analysis.wheel
    layout = wheel.layout
    if layout is None or not len(wheel.passes.turn):
        return {"why_not": wheel.why_not or "no tooth passed the sensor in a way that could be counted"}
    turn = wheel.passes.turn.astype(np.int64)
    first, last = int(turn.min()), int(turn.max())
    per = _turns_a_column(last - first + 1, len(layout.teeth_deg))
    columns = (last - first) // per + 1
    state = _states(analysis)
    at = wheel.passes.tooth.astype(np.int64) * columns + (turn - first) // per
    cells = len(layout.teeth_deg) * columns
    worst = np.zeros(cells, dtype=np.uint8)
    np.maximum.at(worst, at, state)
    why = np.zeros(cells, dtype=np.uint8)
    out = ~wheel.passes.used
    why[at[out]] = wheel.passes.reason[out]
    return {
        "why_not": "",
        "first_turn": first,
        "last_turn": last,
        "per_column": per,
        "columns": columns,
        "slots": [int(s) for s in layout.tooth_slots],
        "missing": [int(s) for s in layout.missing],
        "all_slots": int(layout.slots),
        "states": STATES,
        "cells": ["".join(LETTERS[s] for s in row) for row in worst.reshape(-1, columns)],
        "error": hundredths(_mean(at, wheel.passes.error_deg, cells)),
        "amplitude": _amplitudes(wheel, at, cells),
        "reason": bytes_of(why) if out.any() else None,
        "reasons": list(wheel.passes.reasons),
        "bad": _bad(wheel, layout, state),
        "extra": _extra(wheel),
        "speed": _speed(wheel, first, per, columns),
        "parts": _parts(analysis),
        "says": _says(analysis, state, per),
    }


def _turns_a_column(turns: int, teeth: int) -> int:
    room = max(min(MOST_COLUMNS, MOST_CELLS // max(teeth, 1)), 1)
    return -(-turns // room)


def _states(analysis: Analysis) -> NDArray[np.uint8]:
    """What was seen at each passage, as a place in LETTERS."""
    wheel = analysis.wheel
    passes = wheel.passes
    assert wheel.layout is not None
    seen = passes.edge >= 0
    state = np.where(seen, np.where(passes.used, SEEN, KEPT_OUT), np.where(passes.used, MISSING, APART))
    slots = np.asarray(wheel.layout.tooth_slots, dtype=np.int64)[passes.tooth]
    off = np.unique(displaced_places(analysis)[1])
    state[seen & np.isin(slots, off)] = DISPLACED
    state[collect.too_weak(wheel)] = WEAK
    return state.astype(np.uint8)


def _mean(at: INTS, values: NDArray[np.float64], cells: int) -> NDArray[np.float64]:
    """Mean of the finite values of each cell, NaN where there is none."""
    good = np.isfinite(values)
    total = np.bincount(at[good], values[good], cells)
    count = np.bincount(at[good], minlength=cells)
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.asarray(total / count)


def _amplitudes(wheel: WheelResult, at: INTS, cells: int) -> str | None:
    """Amplitude over speed of each cell against the median passage; None on lines that have none."""
    with np.errstate(invalid="ignore", divide="ignore"):
        specific = wheel.passes.amplitude_v / wheel.passes.speed_rpm
    good = specific[np.isfinite(specific)]
    if not len(good) or not np.median(good) > 0.0:
        return None
    return hundredths_of_one(_mean(at, specific / np.median(good), cells))


def _bad(wheel: WheelResult, layout: Layout, state: NDArray[np.uint8]) -> dict[str, Any]:
    """Every passage that is not as it should be: turn, slot, time, state, reason kept out, error and speed."""
    passes = wheel.passes
    which = np.flatnonzero((state > KEPT_OUT) | ((passes.edge < 0) & (state > NONE)))
    total = len(which)
    which = _thinned(which, passes.turn.astype(np.int64), passes.tooth.astype(np.int64))
    slots = np.asarray(layout.tooth_slots)
    return {
        "turn": passes.turn[which].tolist(),
        "slot": slots[passes.tooth[which]].tolist(),
        "time_s": numbers(passes.time_s[which], 5),
        "state": "".join(LETTERS[s] for s in state[which]),
        "reason": passes.reason[which].tolist(),
        "rpm": numbers(passes.speed_rpm[which], 0),
        "left_out": total - len(which),
    }


def _thinned(which: INTS, turn: INTS, slot: INTS) -> INTS:
    """At most MOST_MARKS of these rows: one of each slot and as many turns as it takes."""
    per, out = 1, which
    while len(out) > MOST_MARKS:
        per *= 2
        keys = np.stack([turn[which] // per, slot[which]])
        out = which[np.sort(np.unique(keys, axis=1, return_index=True)[1])]
    return out


def _extra(wheel: WheelResult) -> dict[str, Any]:
    """Every edge that belongs to no tooth: turn, nearest slot, place between the slots, time, angle after slot 1."""
    layout = wheel.layout
    assert layout is not None
    turn, slot = extra_places(wheel)
    which = _thinned(np.arange(len(turn)), turn.astype(np.int64), slot)
    angle = np.mod(wheel.extras.angle_deg[which], 360.0)
    return {
        "turn": turn[which].astype(int).tolist(),
        "slot": slot[which].tolist(),
        "time_s": numbers(wheel.extras.time_s[which], 5),
        "angle_deg": numbers(angle, 2),
        "place": numbers(angle / layout.pitch_deg + 1.0 if layout.regular else slot[which].astype(np.float64), 2),
        "left_out": len(turn) - len(which),
    }


def _speed(wheel: WheelResult, first: int, per: int, columns: int) -> dict[str, Any]:
    """Of each column: when it begins and ends, mean, lowest and highest speed; None where nothing was decoded."""
    passes = wheel.passes
    at = (passes.turn.astype(np.int64) - first) // per
    good = np.isfinite(passes.speed_rpm)
    low, high = np.full(columns, np.inf), np.full(columns, -np.inf)
    np.minimum.at(low, at[good], passes.speed_rpm[good])
    np.maximum.at(high, at[good], passes.speed_rpm[good])
    start, end = np.full(columns, np.inf), np.full(columns, -np.inf)
    np.minimum.at(start, at, passes.time_s)
    np.maximum.at(end, at, passes.time_s)
    return {
        "start_s": numbers(start, 5),
        "end_s": numbers(end, 5),
        "rpm": numbers(_mean(at, passes.speed_rpm, columns), 1),
        "low": numbers(low, 1),
        "high": numbers(high, 1),
    }


def _parts(analysis: Analysis) -> list[dict[str, Any]]:
    """The decoded stretches with the start attempt each lies in."""
    angle = analysis.wheel.angle
    out = []
    for count, segment in enumerate(angle.segments, start=1):
        out.append(
            {
                "name": attempt_of(analysis, segment.start_s, segment.end_s) or f"part {count}",
                "first_turn": int(np.floor(angle.angle_deg[segment.start] / 360.0)),
                "last_turn": int(np.floor(angle.angle_deg[segment.stop - 1] / 360.0)),
                "start_s": number(segment.start_s, 5),
                "end_s": number(segment.end_s, 5),
            }
        )
    return out


def _says(analysis: Analysis, state: NDArray[np.uint8], per: int) -> str:
    """What the map shows, in one or two sentences."""
    wheel = analysis.wheel
    counts = [
        (MISSING, "missing edge", "missing edges"),
        (WEAK, "pulse too weak for a nominal control unit", "pulses too weak for a nominal control unit"),
        (DISPLACED, "edge at the wrong angle", "edges at the wrong angle"),
    ]
    told = [plural(int(np.sum(state == s)), one, many) for s, one, many in counts if np.any(state == s)]
    if len(wheel.extras.time_s):
        told.append(plural(len(wheel.extras.time_s), "extra edge"))
    turns = plural(len(np.unique(wheel.passes.turn)), "turn")
    shared = f" One column stands for {per} turns and shows the worst of them." if per > 1 else ""
    if not told:
        return (
            f"{turns} of the crank from left to right, slots upwards: nothing stands out, every tooth was seen.{shared}"
        )
    suspects = collect.suspects(analysis)
    if suspects:
        lead = "The level lines at" if len(suspects) > 1 else "The level line at"
        where = f"{lead} {slot_words(suspects[:3])} {'are faults' if len(suspects) > 1 else 'is a fault'} that"
        where += f" turn{'' if len(suspects) > 1 else 's'} with the wheel."
        where += _elsewhere(wheel, state, suspects)
    elif any(f.kind in CRANK_KINDS for f in collect.stated(analysis)):
        where = "No level line stands out: what is odd does not stay at one place of the wheel."
    else:
        where = "Nothing stands out: they do not stay at one place of the wheel, and no finding rests on them."
    return f"{turns} of the crank from left to right, slots upwards: {', '.join(told)}. {where}{shared}"


def _elsewhere(wheel: WheelResult, state: NDArray[np.uint8], suspects: list[int]) -> str:
    """Missing edges at no suspect slot, in words."""
    assert wheel.layout is not None
    slots = np.asarray(wheel.layout.tooth_slots)[wheel.passes.tooth]
    others = int(np.sum((state == MISSING) & ~np.isin(slots, suspects)))
    return f" {plural(others, 'missing edge')} {'lies' if others == 1 else 'lie'} elsewhere." if others else ""
