"""The strip: waveforms around one place of the record, with a crank-degree scale and the teeth that were due."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from witnessmark.findings.model import Finding
from witnessmark.report import collect
from witnessmark.report.draw_style import (
    FAINT,
    FLOATS,
    INK,
    REFERENCE,
    SOFT,
    SUSPECT,
    canvas,
    gutter,
    height_for,
    quiet,
    rows,
    span_of,
    svg,
    trace,
)
from witnessmark.report.model import Analysis
from witnessmark.report.words import TOOTH_KINDS
from witnessmark.spans import Evidence

OTHERS = ("second-tap", "sensor-supply", "sensor-ground", "cam", "coil", "injector", "battery")
MOST_OTHERS = 4
NAMED = 4  # odd edges of a view that get a word: more would cover each other


@dataclass(frozen=True)
class View:
    """One window of the crank line: its times in s, the turn it lies in, and the suspect's passage in it."""

    start_s: float
    end_s: float
    turn: int | None
    speed_rpm: float | None
    due_s: float | None
    seen: bool | None
    weak: bool = False  # the pulse is there but under a control unit's nominal threshold
    late_deg: float | None = None  # lateness of a displaced tooth's edge in degrees


@dataclass(frozen=True)
class Strip:
    """The picture, what it is about, and the stretches of the record it shows."""

    svg: str
    finding: Finding | None
    views: tuple[View, ...]
    ranges: tuple[Evidence, ...]


def strip(analysis: Analysis) -> Strip | None:
    """The strip around the weightiest finding (the gap, on a healthy record); None without a crank line."""
    channel = analysis.wheel.channel
    if channel is None:
        return None
    finding = _subject(analysis)
    views = _views(analysis, finding)
    others = _others(analysis, channel)
    heights = [1.3, *([0.36] * len(others)), *([1.3] * (len(views) - 1))]
    gaps = [*([0.14] * len(others)), *([0.78] * (len(views) - 1))]
    with canvas("strip", height_for(heights, gaps, 0.45)) as figure:
        axes = rows(figure, heights, gaps, 0.45)
        order = [axes[0], *axes[1 + len(others) :]]
        slot = finding.slot if finding is not None and finding.kind in TOOTH_KINDS else None
        for number, (row, view) in enumerate(zip(order, views, strict=True)):
            _crank_row(row, analysis, view, slot, number, len(views))
        for row, name in zip(axes[1 : 1 + len(others)], others, strict=True):
            _other_row(row, analysis, name, views[0])
        _degrees(axes[len(others)], analysis, views[0])
        for row in order[:1] if others else []:
            quiet(row)
        for row in axes[1 : len(others)]:
            quiet(row)
        for row, view in zip(order[1:], views[1:], strict=True):
            _degrees(row, analysis, view)
        text = svg(figure, "Waveforms around the place in question, over crank degrees")
    return Strip(text, finding, views, tuple(_evidence(analysis, channel, v) for v in views))


def _subject(analysis: Analysis) -> Finding | None:
    """The finding to show: the weightiest at a place of the wheel, else on the crank line, else none."""
    found = [f for f in collect.by_weight(analysis) if f.ranges]
    at_tooth = [f for f in found if f.stated and f.kind in TOOTH_KINDS and f.slot is not None]
    on_line = [
        f for f in found if f.stated and f.channel == analysis.wheel.channel and f.kind not in ("no-start", "late-sync")
    ]
    return next(iter([*at_tooth, *on_line]), None)


def _views(analysis: Analysis, finding: Finding | None) -> tuple[View, ...]:
    """The window of the fault, and beside it one in which the same tooth did give its edge, where there is one."""
    wheel = analysis.wheel
    if finding is None:
        longest = max(wheel.angle.segments, key=lambda s: s.turns, default=None)
        middle = (
            (longest.start_s + longest.end_s) / 2
            if longest
            else analysis.recording.start_s + analysis.recording.duration_s / 2
        )
        if longest is not None:
            turn = np.ceil(wheel.angle.at(middle)[0] / 360.0) * 360.0
            when = float(wheel.angle.when(turn)[0])
            middle = when if np.isfinite(when) else middle
        return (_window(analysis, middle, None, None),)
    lost, kept, missing = _passages(analysis, finding)
    if lost is None:
        stretch = finding.ranges[len(finding.ranges) // 2]
        return (_window(analysis, (stretch.start_s + stretch.end_s) / 2, None, None),)
    out = [_window(analysis, lost, lost, not missing)]
    out[0] = replace(out[0], weak=not missing and kept is not None)
    if finding.kind == "tooth-displaced":
        tooth = next((t for t in analysis.wheel.teeth if t.slot == finding.slot), None)
        return (replace(out[0], late_deg=tooth.error_deg if tooth is not None else None),)
    if kept is not None:
        out.append(_window(analysis, kept, kept, True))
    return tuple(out)


def _passages(analysis: Analysis, finding: Finding) -> tuple[float | None, float | None, bool]:
    """(time of a telling passage of the suspect, time of one in which it was seen, whether the first misses), in s."""
    layout, passes = analysis.wheel.layout, analysis.wheel.passes
    if layout is None or finding.kind not in TOOTH_KINDS or finding.slot not in layout.tooth_slots:
        return None, None, False
    mine = np.flatnonzero(passes.tooth == layout.tooth_slots.index(finding.slot))
    lost, seen = mine[passes.edge[mine] < 0], mine[passes.edge[mine] >= 0]
    missing = bool(len(lost)) and finding.kind != "tooth-displaced"
    weak = seen[collect.too_weak(analysis.wheel)[seen]]
    if finding.kind == "tooth-weak" and not missing and len(weak):
        lost, seen = weak, np.setdiff1d(seen, weak)
    elif not missing:
        lost, seen = seen, seen[:0]
    if not len(lost):
        return None, None, False
    inside = [i for i in lost if any(r.start_s <= passes.time_s[i] <= r.end_s for r in finding.ranges)]
    pick = np.array(inside) if inside else lost
    kept = float(passes.time_s[seen[len(seen) // 2]]) if len(seen) else None
    return float(passes.time_s[pick[len(pick) // 2]]), kept, missing


def _window(analysis: Analysis, middle_s: float, due_s: float | None, seen: bool | None) -> View:
    """Eight pitches to either side of a time; a twentieth of a second where the angle is not known."""
    wheel = analysis.wheel
    angle = float(wheel.angle.at(middle_s)[0])
    speed = float(wheel.angle.rpm(middle_s)[0])
    if wheel.layout is None or not np.isfinite(angle) or not np.isfinite(speed) or speed <= 0:
        return View(middle_s - 0.05, middle_s + 0.05, None, None, due_s, seen)
    half = min(max(8.0 * wheel.layout.pitch_deg, 40.0), 200.0)
    edges = wheel.angle.when(np.array([angle - half, angle + half]))
    guess = half / (6.0 * speed)
    start = float(edges[0]) if np.isfinite(edges[0]) else middle_s - guess
    end = float(edges[1]) if np.isfinite(edges[1]) else middle_s + guess
    start, end = max(start, analysis.recording.start_s), min(end, analysis.recording.end_s)
    return View(start, end, int(angle // 360.0), speed, due_s, seen)


def _others(analysis: Analysis, channel: str) -> list[str]:
    """Further lines worth seeing beside the crank: those of the same sensor first."""
    lines = [ln for role in OTHERS for ln in analysis.signals.by_role(role) if ln.levels.moving and ln.name != channel]
    return [ln.name for ln in lines[:MOST_OTHERS]]


def _crank_row(axes: Any, analysis: Analysis, view: View, slot: int | None, number: int, of: int) -> None:
    channel = analysis.wheel.channel
    assert channel is not None
    line = analysis.signals.line(channel)
    t, v = trace(analysis.recording, channel, view.start_s, view.end_s)
    axes.plot(t, v, color=INK, lw=0.9)
    low, high = span_of(v)
    axes.set_ylim(low - 0.2 * (high - low), high + 0.16 * (high - low))  # room for the time bar and the ticks
    axes.set_xlim(view.start_s, view.end_s)
    axes.yaxis.set_major_locator(_few())
    words = [] if view.turn is None else [f"turn {view.turn + 1}"]
    words += [] if view.speed_rpm is None else [f"{view.speed_rpm:.0f} rpm"]
    gutter(axes, line.label or channel, "\n".join([*words, line.info.unit or ""]).strip())
    _teeth(axes, analysis, view, slot)
    if slot is not None and view.due_s is not None:
        _mark_suspect(axes, analysis, view, slot, of)
    _time_bar(axes, view)


def _few() -> Any:
    from matplotlib.ticker import MaxNLocator

    return MaxNLocator(3)


def _teeth(axes: Any, analysis: Analysis, view: View, slot: int | None) -> None:
    """A tick and the slot number over each tooth that gave its edge, the gap written where it lies."""
    layout, passes = analysis.wheel.layout, analysis.wheel.passes
    if layout is None:
        return
    inside = np.flatnonzero((passes.time_s >= view.start_s) & (passes.time_s <= view.end_s))
    step = 1 if len(inside) <= 20 else 2 if len(inside) <= 40 else 5
    top = {
        "xycoords": ("data", "axes fraction"),
        "textcoords": "offset points",
        "ha": "center",
        "va": "bottom",
        "fontsize": 7,
    }
    odd = 0
    for i in inside:
        here = layout.tooth_slots[passes.tooth[i]]
        if passes.edge[i] >= 0:
            axes.plot([passes.time_s[i]] * 2, [0.95, 1.0], transform=axes.get_xaxis_transform(), color=SOFT, lw=0.8)
        elif here != slot:
            _odd(axes, float(passes.time_s[i]), f"slot {here}: due, no edge", "x", odd)
            odd += 1
        if here != slot and passes.edge[i] >= 0 and (here % step == 0 or here == 1):
            axes.annotate(str(here), (passes.time_s[i], 1.0), (0, 1), color=SOFT, **top)
    extras = analysis.wheel.extras.time_s
    for when in extras[(extras >= view.start_s) & (extras <= view.end_s)]:
        _odd(axes, float(when), "extra edge", "^", odd)
        odd += 1
    _gap(axes, analysis, view)


def _odd(axes: Any, when_s: float, word: str, marker: str, number: int) -> None:
    """A missing or an extra edge that belongs to no suspect slot; the first few are named, at two heights."""
    axes.plot(when_s, 0.97, transform=axes.get_xaxis_transform(), marker=marker, ms=5, mfc="none", mec=SUSPECT)
    if number < NAMED:
        axes.annotate(word, (when_s, 1.0), (0, 10 + 9 * (number % 2)), xycoords=("data", "axes fraction"), ha="center",
                      va="bottom", textcoords="offset points", fontsize=8, color=SUSPECT)  # fmt: skip


def _gap(axes: Any, analysis: Analysis, view: View) -> None:
    """The designed gap as a faint hatched stretch."""
    layout, angle = analysis.wheel.layout, analysis.wheel.angle
    assert layout is not None
    if not layout.missing or view.turn is None:
        return
    runs = np.split(np.array(layout.missing), np.flatnonzero(np.diff(layout.missing) > 1) + 1)
    for run in runs:
        for turn in (view.turn - 1, view.turn, view.turn + 1):
            ends = turn * 360.0 + layout.pitch_deg * (np.array([run[0], run[-1]]) - 1.0 + np.array([-0.5, 0.5]))
            a, b = angle.when(ends)
            if np.isfinite(a) and np.isfinite(b) and a < view.end_s and b > view.start_s:
                axes.axvspan(a, b, fc="none", ec=FAINT, hatch="////", lw=0)
                axes.text(
                    (a + b) / 2,
                    0.97,
                    "gap",
                    transform=axes.get_xaxis_transform(),
                    ha="center",
                    va="top",
                    fontsize=7,
                    color=SOFT,
                )


def _mark_suspect(axes: Any, analysis: Analysis, view: View, slot: int, of: int) -> None:
    layout, angle = analysis.wheel.layout, analysis.wheel.angle
    assert layout is not None
    assert view.due_s is not None
    due = float(angle.at(view.due_s)[0])
    a, b = angle.when(np.array([due - layout.pitch_deg / 2, due + layout.pitch_deg / 2]))
    if np.isfinite(a) and np.isfinite(b):
        axes.axvspan(a, b, fc=SUSPECT, alpha=0.10, lw=0)
    colour = REFERENCE if view.seen and not view.weak and of > 1 else SUSPECT
    axes.axvline(view.due_s, color=colour, lw=0.9, ls="-" if view.seen else (0, (3, 2)))
    word = f"slot {slot}: edge seen" if view.seen else f"slot {slot}: due, no edge"
    if view.weak:
        word = f"slot {slot}: pulse too weak"
    if view.late_deg is not None and view.speed_rpm:
        way = "late" if view.late_deg > 0 else "early"
        word = f"slot {slot}: edge {abs(view.late_deg):.2f}° {way} (dashed: due)"
        axes.axvline(view.due_s - view.late_deg / (6.0 * view.speed_rpm), color=colour, lw=0.9, ls=(0, (3, 2)))
    axes.plot(
        view.due_s, 0.97, transform=axes.get_xaxis_transform(), marker="D" if view.seen else "s", ms=4.5, color=colour
    )
    axes.annotate(word, (view.due_s, 1.0), (0, 10), xycoords=("data", "axes fraction"), textcoords="offset points",
                  ha="center", va="bottom", fontsize=8.5, fontweight="bold", color=colour)  # fmt: skip


def _time_bar(axes: Any, view: View) -> None:
    """A bar of a round number of milliseconds, lower left."""
    span = view.end_s - view.start_s
    length = 10.0 ** np.floor(np.log10(span / 4.0))
    length *= 5.0 if span / 4.0 / length >= 5.0 else 2.0 if span / 4.0 / length >= 2.0 else 1.0
    start = view.start_s + 0.015 * span
    axes.plot(
        [start, start + length],
        [0.06, 0.06],
        transform=axes.get_xaxis_transform(),
        color=SOFT,
        lw=1.6,
        solid_capstyle="butt",
    )
    axes.text(start + length, 0.06, f"  {length * 1e3:g} ms from {view.start_s:.4f} s", va="center", ha="left",
              transform=axes.get_xaxis_transform(), fontsize=7, color=SOFT)  # fmt: skip


def _other_row(axes: Any, analysis: Analysis, name: str, view: View) -> None:
    line = analysis.signals.line(name)
    t, v = trace(analysis.recording, name, view.start_s, view.end_s, 700)
    axes.plot(t, v, color=SOFT, lw=0.8)
    whole = np.array([line.levels.minimum, line.levels.maximum])
    axes.set_ylim(*span_of(whole if np.isfinite(whole).all() else v))
    axes.set_xlim(view.start_s, view.end_s)
    axes.yaxis.set_major_locator(_few())
    gutter(axes, line.label or name, line.info.unit)


def _degrees(axes: Any, analysis: Analysis, view: View) -> None:
    """Crank degrees after slot 1 along the lower axis; plain seconds where the angle is not known."""
    if view.turn is None:
        axes.set_xlabel("time in s")
        return
    angle = analysis.wheel.angle
    ends = angle.at(np.array([view.start_s, view.end_s]))
    middle = float(angle.at((view.start_s + view.end_s) / 2)[0])
    low = ends[0] if np.isfinite(ends[0]) else middle - 100.0
    high = ends[1] if np.isfinite(ends[1]) else middle + 100.0
    step = next((s for s in (5.0, 10.0, 20.0, 30.0, 45.0, 60.0) if (high - low) / s <= 12), 90.0)
    ticks: FLOATS = np.arange(np.ceil(low / step), np.floor(high / step) + 1) * step
    times = angle.when(ticks)
    good = np.isfinite(times)
    axes.set_xticks(times[good], [f"{d % 360.0:g}°" for d in ticks[good]])
    axes.set_xlabel("crank degrees after slot 1", labelpad=1)


def _evidence(analysis: Analysis, channel: str, view: View) -> Evidence:
    start, stop = collect.samples_between(analysis, channel, view.start_s, view.end_s)
    return Evidence(channel, view.start_s, view.end_s, start, stop, view.turn)
