"""Both wheels, slot by slot: how often each tooth was seen, and how late its edge came, before and after."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from witnessmark.compare.model import Comparison
from witnessmark.report.draw_style import FLOATS, INK, REFERENCE, SUSPECT, canvas, gutter, height_for, quiet, rows, svg
from witnessmark.wheel.model import Tooth

HEIGHTS, GAPS = [1.15, 1.5], [0.35]
ASIDE = 0.2  # slots: before stands this far left of its slot, after as far right, so that neither covers the other
ROOMY = 40  # slots, with which marks of the usual size do not touch
NEAR = 0.07  # of the width: labels of slots nearer than this are one label
TOLD = 4


@dataclass(frozen=True, slots=True)
class SlotNumbers:
    """What is drawn of one slot in one record; None where it is not known."""

    present: float | None = None
    late_deg: float | None = None
    pulse: float | None = None


@dataclass(frozen=True, slots=True)
class SlotPair:
    """One slot before and after."""

    slot: int
    before: SlotNumbers
    after: SlotNumbers


def teeth_picture(c: Comparison) -> str | None:
    """The picture as SVG; None where the slots cannot be held against each other."""
    if c.teeth_why_not or not c.teeth:
        return None
    told = sorted({j.shown.slot for j in c.findings if j.weighty and j.shown.slot is not None})
    return slots_picture([SlotPair(p.slot, _numbers(p.before), _numbers(p.after)) for p in c.teeth], told)


def _numbers(t: Tooth | None) -> SlotNumbers:
    return SlotNumbers() if t is None else SlotNumbers(t.present if t.expected else None, t.error_deg, t.amplitude)


def slots_picture(pairs: Sequence[SlotPair], told: Sequence[int]) -> str:
    """Every slot before and after, as SVG; the slots ``told`` are marked. ``pairs`` is not empty."""
    slots = np.array([p.slot for p in pairs], dtype=np.float64)
    pulses = any(n.pulse is not None for p in pairs for n in (p.before, p.after))
    heights, gaps = ([*HEIGHTS, 1.15], [*GAPS, 0.35]) if pulses else (HEIGHTS, GAPS)
    with canvas("teeth-compared", height_for(heights, gaps)) as figure:
        axes = rows(figure, heights, gaps)
        _both(axes[0], slots, pairs, "present", 100.0)
        gutter(axes[0], "seen", "% of passages")
        axes[0].set_ylim(-6.0, 118.0)
        _both(axes[1], slots, pairs, "late_deg", 1.0)
        axes[1].axhline(0.0, color=INK, lw=0.5)
        gutter(axes[1], "lateness", "degrees")
        if pulses:
            _both(axes[2], slots, pairs, "pulse", 1.0)
            gutter(axes[2], "pulse", "of the median\ntooth's")
            axes[2].set_ylim(bottom=0.0)
        _frame(axes, told, slots)
        return svg(figure, "Every slot before and after the repair: share seen, lateness, pulse")


def _both(axes: Any, slots: FLOATS, pairs: Sequence[SlotPair], name: str, scale: float) -> None:
    """Before as crosses, after as open circles beside them: told apart without colour."""
    before, after = (
        np.array([np.nan if (v := getattr(n, name)) is None else v for n in side], dtype=np.float64)
        for side in ([p.before for p in pairs], [p.after for p in pairs])
    )
    size = 4.5 if len(slots) <= ROOMY else 3.4
    axes.plot(slots - ASIDE, scale * before, ls="", marker="x", ms=size, mew=1.0, color=SUSPECT, label="before")
    axes.plot(slots + ASIDE, scale * after, ls="", marker="o", ms=size, mew=0.8, mfc="none", mec=REFERENCE,
              label="after")  # fmt: skip


def _frame(axes: list[Any], told: Sequence[int], slots: FLOATS) -> None:
    for row in axes:
        row.set_xlim(0.0, float(slots.max()) + 1.0)
        for slot in told[:TOLD]:
            row.axvline(slot, color=INK, lw=0.5, ls=(0, (2, 3)))
    for group in _together(told[:TOLD], NEAR * float(slots.max())):
        words = f"slot{'s' if len(group) > 1 else ''} {', '.join(map(str, group))}"
        axes[0].annotate(
            words, (sum(group) / len(group), 1.0), (0, 2), xycoords=("data", "axes fraction"),
            textcoords="offset points", ha="center", va="bottom", fontsize=7.5, color=INK,
        )  # fmt: skip
    for row in axes[:-1]:
        quiet(row)
    axes[-1].set_xlabel("slot, 1 = first after the gap")
    axes[-1].legend(loc="upper right", bbox_to_anchor=(1.0, -0.12), ncol=2, fontsize=7.5)


def _together(told: Sequence[int], near: float) -> list[list[int]]:
    """The slots in groups whose labels would run into each other."""
    groups: list[list[int]] = []
    for slot in told:
        if groups and slot - groups[-1][-1] < near:
            groups[-1].append(slot)
        else:
            groups.append([slot])
    return groups
