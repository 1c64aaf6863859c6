"""Wheel layouts: the catalogue, the setup's, families of regular wheels, and how their slots are numbered."""

from __future__ import annotations

import tomllib
from collections.abc import Iterable, Sequence
from dataclasses import replace
from functools import lru_cache
from importlib.resources import files
from typing import Any

import numpy as np

from witnessmark.errors import BadKnowledge
from witnessmark.recording.setup import Setup
from witnessmark.wheel.model import Layout

FAMILY_PRIOR = 0.02  # weight of any one regular wheel not in the catalogue (common practice, no source)


def regular(name: str, slots: int, missing: Sequence[int], **more: object) -> Layout:
    """A wheel of ``slots`` equal divisions with ``missing`` slots, numbered as given."""
    gone = set(missing)
    teeth = tuple(s for s in range(1, slots + 1) if s not in gone)
    first = teeth[0]
    angles = tuple((s - first) * 360.0 / slots for s in teeth)
    return Layout(
        name=name,
        slots=slots,
        missing=tuple(sorted(gone)),
        teeth_deg=angles,
        tooth_slots=teeth,
        regular=True,
        periods=_periods(angles),
        **more,  # type: ignore[arg-type]
    )


def unequal(name: str, teeth_deg: Sequence[float], widths_deg: Sequence[float] | None = None, **more: object) -> Layout:
    """A wheel by its marking edges of one turn; teeth are numbered in order from the first given."""
    angles = tuple(float(a) - float(teeth_deg[0]) for a in teeth_deg)
    widths = None if widths_deg is None else tuple(float(w) for w in widths_deg)
    return Layout(
        name=name,
        slots=len(angles),
        missing=(),
        teeth_deg=angles,
        tooth_slots=tuple(range(1, len(angles) + 1)),
        regular=False,
        widths_deg=widths,
        periods=_periods(angles, widths),
        **more,  # type: ignore[arg-type]
    )


def even(teeth: int, **more: object) -> Layout:
    """A wheel of equal teeth without a gap."""
    return regular(f"{teeth} even", teeth, (), **more)


def single_gap(slots: int, missing: int, **more: object) -> Layout:
    """A regular wheel with ``missing`` neighbouring slots left out."""
    return regular(f"{slots}-{missing}", slots, tuple(range(slots - missing + 1, slots + 1)), **more)


def _periods(teeth_deg: Sequence[float], widths_deg: Sequence[float] | None = None) -> int:
    """How many times the pattern of intervals (and widths) repeats within one turn."""
    gaps = np.diff(np.append(np.asarray(teeth_deg), teeth_deg[0] + 360.0))
    n = len(gaps)
    for count in range(n, 1, -1):
        if n % count == 0:
            shift = n // count
            same = np.allclose(gaps, np.roll(gaps, shift), atol=0.01)
            if same and (widths_deg is None or np.allclose(widths_deg, np.roll(widths_deg, shift), atol=0.01)):
                return count
    return 1


@lru_cache(maxsize=1)
def catalogue() -> tuple[Layout, ...]:
    """The layouts of knowledge/layouts.toml; BadKnowledge when a row is not sound."""
    rows = tomllib.loads(files("witnessmark.wheel").joinpath("knowledge/layouts.toml").read_text(encoding="utf-8"))
    out: list[Layout] = []
    for row in rows["layout"]:
        more = {"prior": float(row["prior"]), "mark": str(row["mark"]), "source": "catalogue"}
        try:
            if "slots" in row:
                out.append(regular(row["name"], row["slots"], row["missing"], **more))
            else:
                out.append(unequal(row["name"], row["teeth_deg"], row.get("widths_deg"), **more))
        except (KeyError, TypeError, ValueError, IndexError) as bad:
            raise BadKnowledge(f"layouts.toml: row {row.get('name', '?')!r} is not a layout ({bad})") from bad
    return tuple(out)


@lru_cache(maxsize=1)
def even_counts() -> tuple[tuple[int, float], ...]:
    """(tooth count, prior weight) of the wheels without a gap in use."""
    rows = tomllib.loads(files("witnessmark.wheel").joinpath("knowledge/layouts.toml").read_text(encoding="utf-8"))
    return tuple((int(t), float(row["prior"])) for row in rows["even"] for t in row["teeth"])


def from_setup(setup: Setup) -> Layout | None:
    """The wheel the setup describes, or None."""
    wheel = setup.crank_wheel
    if wheel is None:
        return None
    if wheel.teeth_deg:
        return unequal("as in the setup", wheel.teeth_deg, wheel.widths_deg, source="setup")
    if wheel.slots is None:
        return None
    missing = tuple(wheel.missing or ())
    return regular(name_of(wheel.slots, missing), wheel.slots, missing, source="setup")


def width_readings(layout: Layout) -> list[Layout]:
    """The layout and, where widths are coded, the same with every width behind its mark.

    A setup names the edge that marks a tooth by its direction; whether the line is high or low over metal, and so
    whether that edge is a tooth's first or its last, the record must tell.
    """
    return [layout, replace(layout, width_after=True)] if coded(layout) else [layout]


def coded(layout: Layout) -> bool:
    """Whether widths tell teeth apart; equal ones say nothing about which tooth it is."""
    return layout.widths_deg is not None and max(layout.widths_deg) >= 1.5 * min(layout.widths_deg)


def as_learnt(layout: Layout, setup: Setup) -> Layout:
    """The setup's wheel with its teeth where a good wheel has them: errors by tooth and once per turn.

    Only for a wheel on which a slot is unique in a turn: elsewhere it is not known which tooth is which.
    """
    wheel = setup.crank_wheel
    if wheel is None or layout.source != "setup" or layout.periods != 1:
        return layout
    n = len(layout.teeth_deg)
    teeth = np.asarray(layout.teeth_deg)
    late = np.zeros(n) if wheel.teeth_error_deg is None else np.asarray(wheel.teeth_error_deg)
    if wheel.runout_deg is not None and wheel.runout_phase_deg is not None:
        late = late + wheel.runout_deg * np.cos(np.radians(teeth - wheel.runout_phase_deg))
    if late.size != n or (wheel.teeth_amplitude is not None and len(wheel.teeth_amplitude) != n):
        return layout
    moved = teeth + late
    moved[0] = teeth[0]  # angles are counted from slot 1: what it is late itself is taken off where it is measured
    if np.any(np.diff(np.append(moved, 360.0)) < 0.3 * layout.pitch_deg):
        return layout  # an error that passes the next tooth is none of a good wheel
    known = bool(np.any(late != 0.0))
    return replace(
        layout,
        teeth_deg=tuple(float(a) for a in moved) if known else layout.teeth_deg,
        learnt_deg=tuple(float(a) for a in late) if known else None,
        learnt_amplitude=wheel.teeth_amplitude,
    )


def name_of(slots: int, missing: Iterable[int]) -> str:
    """Trade name of a regular wheel: slots, then the size of each gap ("60-2", "36-2-2-2"; "24 even" without one)."""
    gone = sorted(set(missing))
    if not gone:
        return f"{slots} even"
    runs: list[int] = []
    for i, slot in enumerate(gone):
        if i and slot == gone[i - 1] + 1:
            runs[-1] += 1
        else:
            runs.append(1)
    if len(runs) > 1 and gone[0] == 1 and gone[-1] == slots:
        runs[-1] += runs.pop(0)
    return f"{slots}-" + "-".join(str(r) for r in runs)


def from_intervals(name: str, intervals_deg: Sequence[float], **more: Any) -> Layout:
    """An unequal wheel from its learnt intervals, rotated so that tooth 1 follows the rule for slot 1."""
    gaps = np.asarray(intervals_deg, dtype=float)
    start = first_tooth(gaps)
    rolled = np.roll(gaps, -start)
    return unequal(name, np.concatenate(([0.0], np.cumsum(rolled)[:-1])).tolist(), **more)


def first_tooth(gaps_deg: np.ndarray[tuple[int], np.dtype[np.float64]]) -> int:
    """Which tooth is slot 1: the one after the longest gap; ties: the gap followed by the longest run of teeth.

    gaps_deg[i] is the interval from tooth i to tooth i + 1 (cyclic). Returns an index into the teeth.
    """
    n = len(gaps_deg)
    longest = gaps_deg.max()
    ends = [i for i in range(n) if gaps_deg[i] > longest - max(0.25, 0.02 * longest)]
    if n - 1 in ends:  # on a full tie the order given is kept
        ends = [n - 1, *[e for e in ends if e != n - 1]]
    best, best_run = (ends[0] + 1) % n, -1
    for end in ends:
        run = 1
        while run < n and gaps_deg[(end + run) % n] < longest - max(0.25, 0.02 * longest):
            run += 1
        if run > best_run:
            best, best_run = (end + 1) % n, run
    return best
