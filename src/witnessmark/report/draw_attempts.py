"""The whole record at a glance: speed with the start attempts, fuel, spark, running, battery, and the misses."""

from __future__ import annotations

from typing import Any

import numpy as np

from witnessmark.engine.model import Attempt
from witnessmark.report import collect
from witnessmark.report.draw_style import (
    FAINT,
    FUEL,
    INK,
    REFERENCE,
    SOFT,
    SPARK,
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

TICKS = 900  # ticks a row may hold: more than a row's pixels show nothing new
POINTS_OF_SPEED = 700


def attempts_picture(analysis: Analysis) -> str | None:
    """Speed over the whole record with its start attempts; None when no rotation was decoded."""
    wheel = analysis.wheel
    if not wheel.angle.segments:
        return None
    ticks = _tick_rows(analysis)
    battery = next((ln for ln in analysis.signals.by_role("battery") if ln.levels.moving), None)
    heights = [1.7, *([0.22] * len(ticks)), *([0.7] if battery else [])]
    gaps = [0.08] * (len(heights) - 1)
    with canvas("attempts", height_for(heights, gaps, 0.42)) as figure:
        axes = rows(figure, heights, gaps, 0.42)
        _speed(axes[0], analysis)
        for row, (label, times, colour, marker) in zip(axes[1:], ticks, strict=False):
            _ticks(row, label, times, colour, marker)
        if battery is not None:
            t, v = trace(analysis.recording, battery.name, analysis.recording.start_s, analysis.recording.end_s, 900)
            axes[-1].plot(t, v, color=INK, lw=0.8)
            axes[-1].set_ylim(*span_of(v))
            gutter(axes[-1], battery.label or battery.name, battery.info.unit)
        for row in axes:
            row.set_xlim(analysis.recording.start_s, analysis.recording.end_s)
            for attempt in analysis.engine.attempts:
                row.axvspan(attempt.start_s, attempt.end_s, fc=FAINT, alpha=0.28, lw=0, zorder=0)
        for row in axes[:-1]:
            quiet(row)
        axes[-1].set_xlabel("time in s")
        return svg(figure, "Speed over the whole record with its start attempts")


def _tick_rows(analysis: Analysis) -> list[tuple[str, Any, str, str]]:
    """(label, times in s, colour, marker) of the rows of ticks: misses of the suspect, fuel, spark."""
    out: list[tuple[str, Any, str, str]] = []
    layout, passes = analysis.wheel.layout, analysis.wheel.passes
    for slot in collect.suspects(analysis)[:2]:
        if layout is not None and slot in layout.tooth_slots:
            weak = collect.too_weak(analysis.wheel)
            lost = (passes.tooth == layout.tooth_slots.index(slot)) & ((passes.edge < 0) | weak)
            if lost.any():
                word = "missed" if (passes.edge[lost] < 0).any() else "weak"
                out.append((f"slot {slot} {word}", passes.time_s[lost], SUSPECT, "s"))
    for role, colour, marker in (("injector", FUEL, "v"), ("coil", SPARK, "^")):
        for output in [o for o in analysis.engine.outputs if o.role == role][:1]:
            times = np.array([e.start_s if role == "injector" else e.end_s for e in output.events])
            label = analysis.signals.line(output.channel).label or output.channel
            out.append((label, times, colour, marker))
    return out


def _ticks(axes: Any, label: str, times: Any, colour: str, marker: str) -> None:
    shown = times if len(times) <= TICKS else times[:: -(-len(times) // TICKS)]
    few = len(shown) <= 60
    axes.plot(
        shown, np.full(len(shown), 0.5), ls="", marker=marker if few else "|", ms=4 if few else 6, mew=0.7, color=colour
    )
    axes.set_ylim(0, 1)
    axes.set_yticks([])
    axes.spines["left"].set_visible(False)
    gutter(axes, label)


def _speed(axes: Any, analysis: Analysis) -> None:
    wheel = analysis.wheel
    whole = max(analysis.recording.duration_s, 1e-9)
    top = 0.0
    for segment in wheel.angle.segments:
        count = int(max(POINTS_OF_SPEED * (segment.end_s - segment.start_s) / whole, 12))
        t = np.linspace(segment.start_s, segment.end_s, count)
        rpm = wheel.angle.rpm(t, 90.0)
        top = max(top, float(np.nanmax(rpm)) if np.isfinite(rpm).any() else 0.0)
        axes.plot(t, rpm, color=INK, lw=1.0)
    axes.set_ylim(0, max(top * 1.15, 100.0))
    gutter(axes, "speed", "rpm")
    for span in wheel.angle.undecoded[:40]:
        axes.axvspan(span.start_s, span.end_s, ymax=0.06, fc="none", ec=SUSPECT, hatch="xxxx", lw=0)
    attempts = analysis.engine.attempts
    for number, attempt in enumerate(attempts, start=1):
        word = "ran" if attempt.started else "no start"
        text = f"attempt {number}\n{word}" if len(attempts) <= 8 else str(number)
        axes.annotate(text, ((attempt.start_s + attempt.end_s) / 2, 1.0), (0, 4), xycoords=("data", "axes fraction"),
                      textcoords="offset points", ha="center", va="bottom", fontsize=7.5, color=SOFT)  # fmt: skip
        _flags(axes, attempt)


def _flags(axes: Any, attempt: Attempt) -> None:
    """First fuel, first spark, first correctly timed spark, running: each with its own shape and word."""
    flags = (
        (attempt.first_fuel_s, "first fuel", FUEL, "v"),
        (attempt.first_spark_s, "first spark", SPARK, "^"),
        (attempt.sync_s, "in time", SPARK, "D"),
        (attempt.running_s, "runs", REFERENCE, "o"),
    )
    known = [(t, w, c, m) for t, w, c, m in flags if t is not None]
    if attempt.sync_s is not None and attempt.sync_s == attempt.first_spark_s:
        known = [f for f in known if f[1] != "in time"]
    for level, (when, word, colour, marker) in enumerate(known):
        height = 0.94 - 0.13 * level
        axes.plot([when, when], [0, height], transform=axes.get_xaxis_transform(), color=colour, lw=0.7, ls=(0, (3, 2)))
        axes.plot(when, height, transform=axes.get_xaxis_transform(), marker=marker, ms=4.5, color=colour)
        axes.annotate(f"{word} {when:.2f} s", (when, height), (-6, 0), xycoords=("data", "axes fraction"),
                      textcoords="offset points", ha="right", va="center", fontsize=7.5, color=colour)  # fmt: skip
