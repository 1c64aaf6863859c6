"""The cam lines over one cycle: levels as found, edges where the setup expects them, firing TDCs above."""

from __future__ import annotations

from typing import Any

import numpy as np

from witnessmark.engine.facts import facts_from
from witnessmark.engine.model import Cam
from witnessmark.report import cam_edges
from witnessmark.report.draw_style import (
    INK,
    PALE,
    PAPER,
    REFERENCE,
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

MOST_CAMS = 8
ROW_IN = 0.5
LOW, HIGH, EXPECTED = 0.1, 0.62, 0.86  # heights of the trace's levels and of the expected marks in a row
ROOM_DEG = 40.0  # what a number beside an edge takes


def cams_picture(analysis: Analysis) -> str | None:
    """All cams over one cycle, at most eight; None where no cam line shows a pattern."""
    cams = cam_edges.shown_cams(analysis)[:MOST_CAMS]
    if not cams:
        return None
    facts = facts_from(analysis.setup)
    heights = [ROW_IN] * len(cams)
    gaps = [0.16] * (len(cams) - 1)
    with canvas("cams", height_for(heights, gaps, 0.32)) as figure:
        axes = rows(figure, heights, gaps, 0.32)
        for row, cam in zip(axes, cams, strict=True):
            row.set_xlim(0.0, facts.cycle_deg)
            row.set_ylim(0.0, 1.0)
            row.set_yticks([])
            row.spines["left"].set_visible(False)
            row.set_xticks(np.arange(0.0, facts.cycle_deg + 1.0, 90.0))
            _line(row, cam, facts.cycle_deg)
            _expected(row, analysis, cam, facts.cycle_deg)
            name = analysis.signals.line(cam.channel).label or cam.channel
            shaft = f"{cam.camshaft or ''}{f', bank {cam.bank}' if cam.bank is not None else ''}".strip(", ")
            gutter(row, name, shaft)
        for row in axes[:-1]:
            quiet(row)
        _dead_centres(axes, analysis)
        known = analysis.engine.phase.known
        axes[-1].set_xlabel("crank degrees after cylinder 1's TDC" if known else "crank degrees from slot 1")
        return svg(figure, "The cam lines over one cycle, as found and as expected")


def _line(axes: Any, cam: Cam, cycle_deg: float) -> None:
    """The level as found; lines that show edges of one kind only are drawn as ticks."""
    edges = sorted(cam.edges, key=lambda e: e.angle_deg)
    if len({e.kind for e in edges}) < 2:
        for e in edges:
            axes.plot([e.angle_deg] * 2, [LOW, HIGH], color=INK, lw=1.2)
        axes.plot([0.0, cycle_deg], [LOW, LOW], color=INK, lw=0.8)
        return
    angle, level = [0.0], [HIGH if edges[-1].kind == "rising" else LOW]
    for e in edges:
        angle += [e.angle_deg, e.angle_deg]
        level += [level[-1], HIGH if e.kind == "rising" else LOW]
    axes.plot([*angle, cycle_deg], [*level, level[-1]], color=INK, lw=1.1)


def _expected(axes: Any, analysis: Analysis, cam: Cam, cycle_deg: float) -> None:
    """Diamond and pale band where the setup expects an edge; a square where the found one lies outside."""
    for row in cam_edges.rows_of(analysis, cam):
        if row.expected_deg is None:
            continue
        wide = cam_edges.tolerance_deg(cam)
        for turn in (-cycle_deg, 0.0, cycle_deg):
            at = row.expected_deg + turn
            axes.axvspan(at - wide, at + wide, ymax=0.78, fc=PALE, lw=0, zorder=0)
        axes.plot([row.expected_deg] * 2, [LOW, EXPECTED], color=REFERENCE, lw=0.7, ls=(0, (3, 2)))
        axes.plot(row.expected_deg, EXPECTED, marker="D", ms=3.6, color=REFERENCE, clip_on=False)
        if row.found is None:
            axes.plot(row.expected_deg, (LOW + HIGH) / 2, marker="x", ms=6, mew=1.3, color=SUSPECT, clip_on=False)
        elif row.late_deg is not None and abs(row.late_deg) > wide:
            axes.plot(row.found.angle_deg, (LOW + HIGH) / 2, marker="s", ms=4, color=SUSPECT)
            _word(axes, row.found.angle_deg, row.late_deg)


def _word(axes: Any, angle_deg: float, late_deg: float) -> None:
    """How late the found edge is, on its side away from where it is expected."""
    end = axes.get_xlim()[1]
    left = (late_deg < 0 and angle_deg > ROOM_DEG) or angle_deg > end - ROOM_DEG
    axes.annotate(
        f"{late_deg:+.0f}°", (angle_deg, (LOW + HIGH) / 2), (-5 if left else 5, 0), textcoords="offset points",
        ha="right" if left else "left", va="center", fontsize=7.5, color=SUSPECT,
        bbox={"fc": PAPER, "ec": "none", "pad": 0.6},
    )  # fmt: skip


def _dead_centres(axes: list[Any], analysis: Analysis) -> None:
    """Firing TDC of every cylinder, where it is known, along the top."""
    for cylinder, angle in cam_edges.firing_tdcs(analysis).items():
        for row in axes:
            row.axvline(angle, color=SOFT, lw=0.5, ls=(0, (1, 2)), zorder=0)
        axes[0].annotate(
            f"TDC {cylinder}", (angle, 1.0), (2 if angle < 1.0 else 0, 3), xycoords=("data", "axes fraction"),
            textcoords="offset points", ha="left" if angle < 1.0 else "center", va="bottom", fontsize=7.5, color=SOFT,
        )  # fmt: skip
