"""The turn map: turns along, slots up. A wheel fault draws a level line, a circuit fault an upright one."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from witnessmark.report import collect
from witnessmark.report.draw_style import (
    FAINT,
    FLOATS,
    INK,
    PALE,
    SOFT,
    SUSPECT,
    canvas,
    gutter,
    height_for,
    quiet,
    rows,
    svg,
)
from witnessmark.report.model import Analysis
from witnessmark.wheel.model import Passes, WheelResult

MARKS = 2400  # marks a map may hold before turns are binned: about 70 bytes of SVG each


@dataclass(frozen=True)
class TurnMap:
    """The picture with what its caption has to say.

    missed, extra: edges counted. apart: missing ones kept out of the count (start-up, run-down). per_mark: turns that
    share one mark (1: none share).
    """

    svg: str
    missed: int
    extra: int
    apart: int
    weak: int
    per_mark: int


def _runs(wheel: WheelResult, passes: Passes) -> tuple[FLOATS, FLOATS]:
    """One broken line: level strokes over runs of turns in which a tooth gave its edge, NaN between them."""
    assert wheel.layout is not None
    x: list[float] = []
    y: list[float] = []
    for tooth, slot in enumerate(wheel.layout.tooth_slots):
        mine = passes.tooth == tooth
        turns = np.sort(passes.turn[mine & (passes.edge >= 0)]).astype(np.float64)
        if not len(turns):
            continue
        cut = np.flatnonzero(np.diff(turns) > 1.5)
        starts = turns[np.concatenate([[0], cut + 1])]
        ends = turns[np.concatenate([cut, [len(turns) - 1]])]
        for a, b in zip(starts, ends, strict=True):
            x += [a, b + 1.0, np.nan]
            y += [float(slot), float(slot), np.nan]
    return np.array(x), np.array(y)


def _binned(turn: FLOATS, slot: NDArray[np.int64], per: int) -> tuple[FLOATS, NDArray[np.int64]]:
    """Marks at the middle of their bin of ``per`` turns, each place once."""
    key = np.stack([turn // per, slot], axis=1)
    unique = np.unique(key, axis=0)
    return unique[:, 0] * per + per / 2.0, unique[:, 1].astype(np.int64)


def _thin(turn: FLOATS, slot: NDArray[np.int64]) -> tuple[FLOATS, NDArray[np.int64], int]:
    per = 1
    x, y = _binned(turn, slot, per)
    while len(x) > MARKS:
        per *= 2
        x, y = _binned(turn, slot, per)
    return x, y, per


def _missed(wheel: WheelResult, used: bool) -> tuple[FLOATS, NDArray[np.int64]]:
    """Turn and slot of every missing edge that is (not) used in the statistics."""
    return _of(wheel, (wheel.passes.edge < 0) & (wheel.passes.used == used))


def _of(wheel: WheelResult, chosen: NDArray[np.bool_]) -> tuple[FLOATS, NDArray[np.int64]]:
    """Turn and slot of the chosen passages."""
    assert wheel.layout is not None
    slots = np.asarray(wheel.layout.tooth_slots, dtype=np.int64)[wheel.passes.tooth[chosen]]
    return wheel.passes.turn[chosen].astype(np.float64), slots


def extra_places(wheel: WheelResult) -> tuple[FLOATS, NDArray[np.int64]]:
    """Turn and nearest slot of every edge that belongs to no tooth."""
    assert wheel.layout is not None
    angle = wheel.extras.angle_deg
    if wheel.layout.regular:
        slot = np.round(np.mod(angle, 360.0) / wheel.layout.pitch_deg).astype(np.int64) % wheel.layout.slots + 1
    else:
        slot = np.searchsorted(np.asarray(wheel.layout.teeth_deg), np.mod(angle, 360.0), side="right").astype(np.int64)
    return np.floor(angle / 360.0), np.maximum(slot, 1)


def displaced_places(analysis: Analysis) -> tuple[FLOATS, NDArray[np.int64]]:
    """Turn and slot of every passage of a tooth that is stated to be displaced."""
    wheel = analysis.wheel
    assert wheel.layout is not None
    slots = [f.slot for f in collect.stated(analysis) if f.kind == "tooth-displaced"]
    every = np.asarray(wheel.layout.tooth_slots, dtype=np.int64)[wheel.passes.tooth]
    here = (wheel.passes.edge >= 0) & np.isin(every, [s for s in slots if s is not None])
    return wheel.passes.turn[here].astype(np.float64), every[here]


def turn_map(analysis: Analysis, name: str = "turnmap") -> TurnMap | None:
    """The map of every decoded passage; None when nothing was decoded. name: apart from other maps of the same page."""
    wheel = analysis.wheel
    if wheel.layout is None or not len(wheel.passes.turn):
        return None
    heights = [0.75, 3.0]
    missed_turn, missed_slot = _missed(wheel, True)
    apart_turn, apart_slot = _missed(wheel, False)
    extra_turn, extra_slot = extra_places(wheel)
    suspects = collect.suspects(analysis)
    with canvas(name, height_for(heights, [0.12])) as figure:
        speed, grid = rows(figure, heights, [0.12])
        _speed(speed, wheel)
        grid.plot(
            *_runs(wheel, wheel.passes), color=PALE, lw=min(3.0, 160.0 / wheel.layout.slots), solid_capstyle="butt"
        )
        ax, ay, per_a = _thin(apart_turn, apart_slot)
        grid.plot(ax, ay, ls="", marker=".", ms=3, mew=0, color=SOFT)
        here = np.isin(missed_slot, suspects)
        x, y, per = _thin(missed_turn[~here], missed_slot[~here])
        sx, sy, per_s = _thin(missed_turn[here], missed_slot[here])
        ex, ey, per_e = _thin(extra_turn, extra_slot)
        grid.plot(x, y, ls="", marker="x", ms=4, mew=0.9, color=INK)
        grid.plot(sx, sy, ls="", marker="s", ms=3.6, mew=0, color=SUSPECT)
        grid.plot(ex, ey, ls="", marker="^", ms=4.5, mew=0.8, mfc="none", mec=SUSPECT)
        weak_turn, weak_slot = _of(wheel, collect.too_weak(wheel))
        wx, wy, per_w = _thin(weak_turn, weak_slot)
        grid.plot(wx, wy, ls="", marker="s", ms=3.6, mew=0.7, mfc="white", mec=SUSPECT)
        dx, dy, per_d = _thin(*displaced_places(analysis))
        grid.plot(dx, dy, ls="", marker="D", ms=3, mew=0.7, mfc="none", mec=SUSPECT)
        _frame(grid, speed, analysis)
        for slot in suspects[:4]:
            grid.annotate(
                f" slot {slot}", (1.0, slot), xycoords=("axes fraction", "data"), va="center", ha="right", fontsize=8,
                color=SUSPECT, fontweight="bold",
                bbox={"boxstyle": "square,pad=0.15", "fc": "white", "ec": SUSPECT, "lw": 0.6},
            )  # fmt: skip
        text = svg(figure, "Turn map: turns along, slots up; misses and extra edges marked")
    per_mark = max(per, per_s, per_e, per_d, per_a, per_w)
    return TurnMap(text, len(missed_turn), len(extra_turn), len(apart_turn), len(weak_turn), per_mark)


def _speed(axes: object, wheel: WheelResult) -> None:
    """Speed of each turn above the map: what a miss has to do with speed shows at a glance."""
    for segment in wheel.angle.segments:
        knots = wheel.angle.angle_deg[segment.start : segment.stop]
        angles = np.linspace(knots[0], knots[-1], int(min(max(4 * segment.turns, 2), 400)))
        times = wheel.angle.when(angles)
        axes.plot(angles / 360.0, wheel.angle.rpm(times, 180.0), color=INK, lw=1.0)  # type: ignore[attr-defined]


def _frame(grid: object, speed: object, analysis: Analysis) -> None:
    """Axes, gutter labels, and the borders between the parts of the record."""
    wheel = analysis.wheel
    assert wheel.layout is not None
    last = float(wheel.angle.angle_deg[-1]) / 360.0
    for axes in (grid, speed):
        axes.set_xlim(0.0, max(last, 1.0))  # type: ignore[attr-defined]
        for segment in wheel.angle.segments[1:]:
            edge = np.floor(wheel.angle.angle_deg[segment.start] / 360.0)
            axes.axvline(edge, color=SOFT, lw=0.6, ls=(0, (4, 3)))  # type: ignore[attr-defined]
    quiet(speed)
    speed.set_ylim(0, 1.12 * speed.dataLim.y1)  # type: ignore[attr-defined]
    gutter(speed, "speed", "rpm")
    gutter(grid, "slot", "1 = first after\nthe gap" if wheel.layout.missing else "")
    grid.set_ylim(0.0, wheel.layout.slots + 1.0)  # type: ignore[attr-defined]
    grid.set_xlabel("turns of the crank, standstills left out")  # type: ignore[attr-defined]
    for slot in wheel.layout.missing:
        grid.axhspan(slot - 0.5, slot + 0.5, fc="none", ec=FAINT, hatch="////", lw=0)  # type: ignore[attr-defined]
    for number, segment in enumerate(wheel.angle.segments, start=1):
        middle = wheel.angle.angle_deg[segment.start] / 720.0 + wheel.angle.angle_deg[segment.stop - 1] / 720.0
        name = attempt_of(analysis, segment.start_s, segment.end_s) or f"part {number}"
        if segment.turns > 0.07 * last:
            speed.annotate(  # type: ignore[attr-defined]
                name, (middle, 1.0), (0, 4), xycoords=("data", "axes fraction"), textcoords="offset points",
                ha="center", va="bottom", fontsize=7.5, color=SOFT,
            )  # fmt: skip


def attempt_of(analysis: Analysis, start_s: float, end_s: float) -> str:
    """The start attempt this stretch lies in."""
    for number, attempt in enumerate(analysis.engine.attempts, start=1):
        if attempt.start_s < end_s and attempt.end_s > start_s:
            return f"attempt {number}"
    return ""
