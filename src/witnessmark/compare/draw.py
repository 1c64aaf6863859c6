"""Both wheels, slot by slot: how often each tooth was seen, and how late its edge came, before and after."""

from __future__ import annotations

from typing import Any

import numpy as np

from witnessmark.compare.model import Comparison
from witnessmark.report.draw_style import FLOATS, INK, REFERENCE, SUSPECT, canvas, gutter, height_for, quiet, rows, svg
from witnessmark.wheel.model import Tooth

HEIGHTS, GAPS = [1.15, 1.5], [0.35]


def teeth_picture(c: Comparison) -> str | None:
    """The picture as SVG; None where the slots cannot be held against each other."""
    if c.teeth_why_not or not c.teeth:
        return None
    slots = np.array([p.slot for p in c.teeth], dtype=np.float64)
    pulses = any(t is not None and t.amplitude is not None for p in c.teeth for t in (p.before, p.after))
    heights, gaps = ([*HEIGHTS, 1.15], [*GAPS, 0.35]) if pulses else (HEIGHTS, GAPS)
    with canvas("teeth-compared", height_for(heights, gaps)) as figure:
        axes = rows(figure, heights, gaps)
        _both(axes[0], slots, _of(c, False, _present), _of(c, True, _present), 100.0)
        gutter(axes[0], "seen", "% of passages")
        axes[0].set_ylim(-6.0, 118.0)
        _both(axes[1], slots, _of(c, False, _late), _of(c, True, _late), 1.0)
        axes[1].axhline(0.0, color=INK, lw=0.5)
        gutter(axes[1], "lateness", "degrees")
        if pulses:
            _both(axes[2], slots, _of(c, False, _pulse), _of(c, True, _pulse), 1.0)
            gutter(axes[2], "pulse", "of the median\ntooth's")
            axes[2].set_ylim(bottom=0.0)
        _frame(axes, c, slots)
        return svg(figure, "Every slot before and after the repair: share seen, lateness, pulse")


def _present(t: Tooth) -> float | None:
    return t.present if t.expected else None


def _late(t: Tooth) -> float | None:
    return t.error_deg


def _pulse(t: Tooth) -> float | None:
    return t.amplitude


def _of(c: Comparison, after: bool, value: Any) -> FLOATS:
    sides = [p.after if after else p.before for p in c.teeth]
    found = [None if t is None else value(t) for t in sides]
    return np.array([np.nan if v is None else v for v in found], dtype=np.float64)


def _both(axes: Any, slots: FLOATS, before: FLOATS, after: FLOATS, scale: float) -> None:
    """Before as crosses, after as open circles: told apart without colour."""
    axes.plot(slots, scale * before, ls="", marker="x", ms=4.5, mew=1.0, color=SUSPECT, label="before")
    axes.plot(slots, scale * after, ls="", marker="o", ms=4.5, mew=0.8, mfc="none", mec=REFERENCE, label="after")


def _frame(axes: list[Any], c: Comparison, slots: FLOATS) -> None:
    told = sorted({j.shown.slot for j in c.findings if j.weighty and j.shown.slot is not None})
    for row in axes:
        row.set_xlim(0.0, float(slots.max()) + 1.0)
        for slot in told[:4]:
            row.axvline(slot, color=INK, lw=0.5, ls=(0, (2, 3)))
    for slot in told[:4]:
        axes[0].annotate(
            f"slot {slot}", (slot, 1.0), (0, 2), xycoords=("data", "axes fraction"), textcoords="offset points",
            ha="center", va="bottom", fontsize=7.5, color=INK,
        )  # fmt: skip
    for row in axes[:-1]:
        quiet(row)
    axes[-1].set_xlabel("slot, 1 = first after the gap")
    axes[1].legend(loc="upper right", ncol=2, fontsize=7.5)
