"""Outputs on crank angle: how often each line is due, and where it stays away while the lines beside it go on.

A line is due once a cycle (or once a turn, or once an event: a distributor's coil). Whether a single command is missing
can be told only against the other lines of the same kind: where all of them stop, the control unit wanted nothing.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from witnessmark.engine.model import Output
from witnessmark.engine.sync import PERIODS_DEG, REGULAR_WITHIN_DEG
from witnessmark.wheel.model import CrankAngle

Array = NDArray[np.float64]

# A charge may be injected in several pulses, a spark struck several times while cranking: pulses that follow within
# this angle serve the same charge (common practice, no source: within one compression stroke).
SAME_CHARGE_DEG = 80.0
# Cycles on both sides of a command due in which the other lines have to go on: nothing begins or ends near by.
CYCLES_AROUND = 1
# Share of the other lines that have to go on there.
OTHERS_SHARE = 0.5
# A command missing within this share of a cycle of another line's is the control unit losing its place for a moment,
# not an output; a line that stays away more often than not is no witness for that.
SHARED_CYCLE, WITNESS_SHARE = 1 / 3, 0.5
# Distances between commands, and the share of them that must be one and the same, for a line to have a period of its
# own (working choice).
LEAST_KEPT, MOSTLY_KEPT = 8, 0.9


@dataclass(frozen=True, slots=True)
class Train:
    """Commands of one line on one decoded stretch. deg [n]: cumulative crank degrees, one per charge, rising."""

    output: Output
    segment: int
    deg: Array


@dataclass(frozen=True, slots=True)
class Skips:
    """Commands of one line that were due (others of its kind went on around them), and those that did not come.

    skipped_s: when, in s. near_s: about how long a third of a cycle takes there.
    """

    output: Output
    due: int
    skipped_s: Array
    near_s: Array
    events: int

    @property
    def share(self) -> float:
        """Share of the commands due that did not come."""
        return len(self.skipped_s) / max(self.due, 1)


def alone(skips: Sequence[Skips]) -> list[Skips]:
    """Without the commands that stay away when another line's do at that moment, over lines of any kind."""
    out: list[Skips] = []
    for s in skips:
        keep = np.ones(len(s.skipped_s), dtype=np.bool_)
        for other in skips:
            if other is not s and other.share < WITNESS_SHARE and len(other.skipped_s):
                apart = np.abs(s.skipped_s[:, None] - other.skipped_s[None, :]).min(axis=1)
                keep &= apart > s.near_s
        out.append(replace(s, skipped_s=s.skipped_s[keep], near_s=s.near_s[keep]))
    return out


def trains_of(outputs: Sequence[Output], angle: CrankAngle) -> list[list[Train]]:
    """For every line its commands per decoded stretch, in the file's order; pulses for the same charge are one."""
    found: list[list[Train]] = []
    for output in outputs:
        main = np.asarray([e.end_s if output.role == "coil" else e.start_s for e in output.events], dtype=np.float64)
        rows: list[Train] = []
        for number, seg in enumerate(angle.segments):
            mine = main[(main >= seg.start_s) & (main <= seg.end_s)]
            deg = np.sort(angle.at(mine)) if len(mine) else np.empty(0)
            deg = deg[np.isfinite(deg)]
            first = np.append(True, np.diff(deg) > SAME_CHARGE_DEG)[: len(deg)]
            rows.append(Train(output, number, deg[first]))
        found.append(rows)
    return found


def period_deg(trains: Sequence[Sequence[Train]]) -> float | None:
    """The usual distance between two commands of one line, over all lines of a kind; None where most keep none."""
    gaps = np.concatenate([np.empty(0), *(np.diff(t.deg) for rows in trains for t in rows if len(t.deg) > 1)])
    if len(gaps) < 4:
        return None
    kept = [float((np.abs(gaps - p) <= min(REGULAR_WITHIN_DEG, p / 6)).mean()) for p in PERIODS_DEG]
    best = int(np.argmax(kept))
    return PERIODS_DEG[best] if kept[best] >= 0.5 else None


def _own_period(rows: Sequence[Train], usual: float) -> float:
    """The distance that a line keeps by itself nearly always, where it is another than the usual one of its kind.

    A coil that fires two cylinders beside an injector of one, taken for its like: what comes every second time, always,
    is not due in between; an output that fails keeps no such count.
    """
    own = period_deg([rows])
    gaps = np.concatenate([np.empty(0), *(np.diff(t.deg) for t in rows if len(t.deg) > 1)])
    if own is None or own == usual or len(gaps) < LEAST_KEPT:
        return usual
    kept = float((np.abs(gaps - own) <= min(REGULAR_WITHIN_DEG, own / 6)).mean())
    return own if kept >= MOSTLY_KEPT else usual


def _ticks(deg: Array, period: float, lo: float, hi: float) -> tuple[Array, NDArray[np.bool_]]:
    """(angles at which a line is due in [lo, hi], which of them came): its own events and whole periods between."""
    if len(deg) == 0:
        due = np.arange(lo + 0.5 * period, hi, period)
        return due, np.zeros(len(due), dtype=np.bool_)
    angles: list[Array] = []
    before = np.arange(deg[0] - period, lo, -period)[::-1]
    angles.append(before)
    for a, b in itertools.pairwise(deg):
        steps = max(1, round((b - a) / period))
        angles.append(a + (b - a) * np.arange(steps) / steps)
    angles.append(np.asarray([deg[-1]]))
    angles.append(np.arange(deg[-1] + period, hi, period))
    every = np.concatenate(angles)
    return every, np.isin(every, deg)


def _goes_on(others: Sequence[Array], at: Array, period: float) -> NDArray[np.bool_]:
    """Where at least half of the other lines have a command in every one of the cycles about these angles."""
    out = np.ones(len(at), dtype=np.bool_)
    for k in (*range(-CYCLES_AROUND, 0), *range(CYCLES_AROUND)):
        lo, hi = at + k * period, at + (k + 1) * period
        count = np.zeros(len(at))
        for deg in others:
            count += np.searchsorted(deg, hi, "right") > np.searchsorted(deg, lo, "left")
        out &= count >= max(1.0, OTHERS_SHARE * len(others))
    return out


def skips_of(outputs: Sequence[Output], angle: CrankAngle) -> list[Skips]:
    """Commands due and missing for every line of one kind; empty with fewer than two lines or no usual distance."""
    trains = trains_of(outputs, angle)
    usual = period_deg(trains)
    if len(outputs) < 2 or usual is None:
        return []
    found: list[Skips] = []
    for i, output in enumerate(outputs):
        period = _own_period(trains[i], usual)
        due, times, near = 0, [np.empty(0)], [np.empty(0)]
        for number in range(len(angle.segments)):
            seg = angle.segments[number]
            lo, hi = float(angle.angle_deg[seg.start]), float(angle.angle_deg[seg.stop - 1])
            others = [rows[number].deg for j, rows in enumerate(trains) if j != i and any(len(t.deg) for t in rows)]
            if not others or hi - lo < 2 * CYCLES_AROUND * period:
                continue
            at, came = _ticks(trains[i][number].deg, period, lo, hi)
            asked = _goes_on(others, at, period)
            due += int(asked.sum())
            gone = at[asked & ~came]
            knots = slice(seg.start, seg.stop)
            times.append(np.interp(gone, angle.angle_deg[knots], angle.time_s[knots]))
            earlier = np.interp(gone - SHARED_CYCLE * period, angle.angle_deg[knots], angle.time_s[knots])
            near.append(times[-1] - earlier)
        found.append(Skips(output, due, np.concatenate(times), np.concatenate(near), len(output.events)))
    return found


@dataclass(frozen=True, slots=True)
class Silence:
    """A stretch in which no recorded output gives a command although the crank turns on; turned_deg: its length."""

    start_s: float
    end_s: float
    turned_deg: float
    rpm: float


def silences(outputs: Sequence[Output], angle: CrankAngle, least_deg: float) -> list[Silence]:
    """Stretches between two commands, of whichever lines, that are longer than ``least_deg`` on one decoded stretch."""
    trains = trains_of(outputs, angle)
    found: list[Silence] = []
    for number, seg in enumerate(angle.segments):
        deg = np.sort(np.concatenate([np.empty(0), *(rows[number].deg for rows in trains)]))
        for i in np.flatnonzero(np.diff(deg) >= least_deg):
            knots = slice(seg.start, seg.stop)
            a, b = np.interp(deg[[i, i + 1]], angle.angle_deg[knots], angle.time_s[knots])
            turned = float(deg[i + 1] - deg[i])
            found.append(Silence(float(a), float(b), turned, turned / 6.0 / max(float(b - a), 1e-9)))
    return found
