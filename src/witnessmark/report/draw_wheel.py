"""The wheel drawn to angle: gap, suspect teeth, sensor, and how far to bar."""

from __future__ import annotations

from typing import Any

import numpy as np

from witnessmark.report import collect
from witnessmark.report.draw_style import (
    FLOATS,
    INK,
    PAPER,
    REFERENCE,
    SOFT,
    SUSPECT,
    canvas,
    svg,
)
from witnessmark.report.model import Analysis, Whereabouts
from witnessmark.report.where import slot_angle_deg, tdc_angle_deg
from witnessmark.report.words import degrees, wheel_words
from witnessmark.wheel.model import Layout

ROOT, TIP = 0.84, 1.0
AT_SENSOR_DEG = 1.0  # a suspect drawn under the sensor already has no arc to be barred through
LABEL_DEG = 40.0  # two labels on spokes closer than this would cover each other
RADIUS_TEXT = 0.735


def _xy(angle_deg: FLOATS | float, radius: FLOATS | float) -> tuple[Any, Any]:
    """Place of an angle counted from slot 1 (which stands under the sensor, at the top).

    The wheel turns clockwise in the drawing, so later slots lie anticlockwise of slot 1.
    """
    theta = np.radians(90.0 + np.asarray(angle_deg))
    return np.asarray(radius) * np.cos(theta), np.asarray(radius) * np.sin(theta)


def _tooth_width(layout: Layout, tooth: int) -> float:
    if layout.widths_deg is not None:
        return layout.widths_deg[tooth]
    return min(layout.pitch_deg / 2.0, 20.0)


def _outline(layout: Layout, left_out: set[int]) -> tuple[FLOATS, FLOATS]:
    """The rim with its teeth as one closed line; teeth in ``left_out`` are not drawn."""
    angles: list[FLOATS] = []
    radii: list[FLOATS] = []
    seam = (layout.teeth_deg[-1] - 360.0 + layout.teeth_deg[0]) / 2.0  # midway between the last tooth and the first
    at = seam
    for tooth, middle in enumerate(layout.teeth_deg):
        if layout.tooth_slots[tooth] in left_out:
            continue
        half = _tooth_width(layout, tooth) / 2.0
        low = np.linspace(at, middle - half, max(int((middle - half - at) / 2), 2))
        top = np.linspace(middle - half, middle + half, max(int(half), 2))
        angles += [low, top]
        radii += [np.full(len(low), ROOT), np.full(len(top), TIP)]
        at = middle + half
    end = seam + 360.0
    rest = np.linspace(at, end, max(int((end - at) / 2), 2))
    angles.append(rest)
    radii.append(np.full(len(rest), ROOT))
    return np.concatenate(angles), np.concatenate(radii)


def wheel_picture(analysis: Analysis) -> str | None:
    """The wheel with slot 1 under the sensor and rotation clockwise; None when no wheel was decoded."""
    layout = analysis.wheel.layout
    if layout is None:
        return None
    suspects = collect.suspects(analysis)
    with canvas("wheel", 4.15) as figure:
        axes = figure.add_axes((0.01, 0.01, 4.4 / 7.6, 0.98))
        axes.set_aspect("equal")
        axes.set_axis_off()
        axes.set_xlim(-1.45, 1.45)
        axes.set_ylim(-1.32, 1.4)
        absent = {s for s in suspects if s in layout.tooth_slots}
        angles, radii = _outline(layout, absent)
        axes.fill(*_xy(angles, radii), fc="#efeadf", ec=INK, lw=0.9)
        axes.fill(*_xy(np.linspace(0, 360, 90), 0.16), fc=PAPER, ec=INK, lw=0.8)
        _numbers(axes, layout, suspects)
        _sensor(axes)
        _rotation(axes)
        shown = [w for w in analysis.whereabouts if w.slot in suspects[:3] and w.instead_of is None]
        for rank, spot in enumerate(shown):
            _suspect(axes, layout, spot, rank)
        _tdc(axes, analysis)
        _words(figure, analysis, suspects)
        return svg(figure, f"The {wheel_words(layout.name)} drawn to angle, slot 1 under the sensor")


def _numbers(axes: Any, layout: Layout, suspects: list[int]) -> None:
    step = 1 if layout.slots <= 12 else 2 if layout.slots <= 24 else 5 if layout.slots <= 40 else 10
    every = [1, *(s for s in range(step, layout.slots + 1, step) if s > 1 and s in layout.tooth_slots)]
    for slot in every:
        if any(abs(slot - s) <= max(1, layout.slots // 30) for s in suspects):
            continue
        axes.text(
            *_xy(slot_angle_deg(layout, slot), RADIUS_TEXT),
            str(slot),
            ha="center",
            va="center",
            fontsize=7.5,
            color=SOFT,
        )
    if layout.missing:
        runs = np.split(np.array(layout.missing), np.flatnonzero(np.diff(layout.missing) > 1) + 1)
        for run in runs:
            middle = slot_angle_deg(layout, float(run.mean()))
            axes.text(
                *_xy(middle, 0.93), "gap", ha="center", va="center", fontsize=7, color=SOFT, rotation=_upright(middle)
            )


def _upright(angle_deg: float) -> float:
    """Text rotation in degrees that follows the rim but never stands on its head."""
    turn = (angle_deg + 180.0) % 360.0 - 180.0
    return turn if -90.0 <= turn <= 90.0 else turn + 180.0


def _sensor(axes: Any) -> None:
    axes.fill([-0.07, 0.07, 0.07, -0.07], [1.05, 1.05, 1.3, 1.3], fc=PAPER, ec=INK, lw=1.0)
    axes.plot([0, 0], [1.05, 1.0], color=INK, lw=0.8)
    axes.text(0.11, 1.25, "sensor", fontsize=8, fontweight="bold", va="center")


def _rotation(axes: Any) -> None:
    arc = np.linspace(40.0, -40.0, 30)
    x, y = _xy(arc, 0.45)
    axes.plot(x, y, color=SOFT, lw=1.0)
    axes.annotate("", (x[-1], y[-1]), (x[-3], y[-3]), arrowprops={"arrowstyle": "-|>", "color": SOFT, "lw": 1.0})
    axes.text(0, 0.33, "normal rotation", ha="center", va="center", fontsize=7.5, color=SOFT)


def _suspect(axes: Any, layout: Layout, spot: Whereabouts, rank: int) -> None:
    """The suspect tooth dashed and hatched, with the arc through which it has to be barred."""
    angle = spot.angle_from_slot1_deg
    half = (_tooth_width(layout, layout.tooth_slots.index(spot.slot)) if spot.slot in layout.tooth_slots else 3.0) / 2.0
    rim = np.array([angle - half, angle - half, angle + half, angle + half])
    axes.fill(
        *_xy(rim, np.array([ROOT, TIP, TIP, ROOT])), fc="none", ec=SUSPECT, lw=1.3, ls=(0, (2, 1.2)), hatch="/////"
    )
    axes.plot(*_xy(np.array([angle, angle]), np.array([0.2, ROOT])), color=SUSPECT, lw=0.7, ls=(0, (1, 2)))
    tx, ty = _xy(angle, 0.62)
    axes.text(tx, ty, f"slot {spot.slot}", ha="center", va="center", fontsize=8.5, fontweight="bold", color=SUSPECT,
              bbox={"boxstyle": "square,pad=0.2", "fc": PAPER, "ec": SUSPECT, "lw": 0.7})  # fmt: skip
    if angle < AT_SENSOR_DEG:
        return
    radius = 1.12 + 0.07 * rank
    arc = np.linspace(angle, 4.5, max(int(angle / 3), 6))
    x, y = _xy(arc, radius)
    axes.plot(x, y, color=SUSPECT, lw=1.1)
    axes.plot(*_xy(angle, radius), marker="s", ms=4, color=SUSPECT)
    axes.annotate("", (x[-1], y[-1]), (x[-3], y[-3]), arrowprops={"arrowstyle": "-|>", "color": SUSPECT, "lw": 1.1})
    mx, my = _xy(angle / 2.0, radius + 0.12)
    axes.text(mx, my, f"bar {degrees(angle)}", ha="center", va="center", fontsize=8.5, color=SUSPECT,
              bbox={"boxstyle": "square,pad=0.1", "fc": PAPER, "ec": "none"})  # fmt: skip


def _tdc(axes: Any, analysis: Analysis) -> None:
    tdc = tdc_angle_deg(analysis.wheel, analysis.engine, analysis.setup)
    if tdc is None:
        return
    axes.plot(*_xy(tdc[0], 1.055), marker="D", ms=5, color=REFERENCE)
    # beside a suspect's label the words move inwards: both stand on the same spoke otherwise
    near = [abs((w.angle_from_slot1_deg - tdc[0] + 180.0) % 360.0 - 180.0) for w in analysis.whereabouts]
    radius = 0.4 if near and min(near) < LABEL_DEG else 0.73
    axes.text(*_xy(tdc[0], radius), "TDC 1", fontsize=7.5, color=REFERENCE, ha="center", va="center", bbox={
        "boxstyle": "square,pad=0.15", "fc": "#efeadf", "ec": "none"})  # fmt: skip


def _words(figure: Any, analysis: Analysis, suspects: list[int]) -> None:
    """Beside the drawing: what it shows and the degrees to bar, in words."""
    layout = analysis.wheel.layout
    assert layout is not None
    x, y = 4.62 / 7.6, 0.93
    lines: list[tuple[str, str, bool]] = [
        (wheel_words(layout.name), INK, True),
        ("drawn to angle, slot 1 under the sensor,", SOFT, False),
        ("normal rotation drawn clockwise", SOFT, False),
        ("", INK, False),
    ]
    for spot in [w for w in analysis.whereabouts if w.slot in suspects[:3] or w.instead_of in suspects[:3]]:
        instead = "" if spot.instead_of is None else "If instead it is "
        goal = f"{instead}slot {spot.slot} to the sensor, normal direction:"
        lines.append((goal[0].upper() + goal[1:], SUSPECT, True))
        for reference, bar in spot.guides:
            where_from = reference.split(" (")[0].replace("slot 1's tooth under the sensor", "slot 1 under the sensor")
            lines.append((f"{degrees(bar)} from {where_from.replace(chr(39) + 's tooth', '')}", INK, False))
        lines.append(("", INK, False))
    if tdc_angle_deg(analysis.wheel, analysis.engine, analysis.setup) is not None:
        lines.append(("TDC 1 (diamond): the place under the sensor", REFERENCE, False))
        lines.append(("when cylinder 1 is at top dead centre", REFERENCE, False))
    if suspects:
        lines.append(("Hatched: the suspect tooth's place", SUSPECT, False))
    for text, colour, strong in lines:
        figure.text(x, y, text, fontsize=8.3, color=colour, fontweight="bold" if strong else "normal", va="top")
        y -= 0.045
    figure.text(x, y - 0.02, "Widths of teeth are not to scale.", fontsize=7, color=SOFT, va="top")
