"""A dead tooth can make two readings of one ring: which gap is the drawn one, the cams say where a setup draws them.

A wheel with one slot left out that loses one more tooth has two gaps alike; one that loses a tooth beside its gap has a
gap that begins a slot earlier or ends a slot later. Turned by the right number of slots either is the same ring again:
its own edges cannot tell the drawn gap from the dead tooth, the angle to the cams can.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from witnessmark.recording.setup import Setup
from witnessmark.signals.model import GLITCH, Line
from witnessmark.wheel.damage import is_even
from witnessmark.wheel.lattice import Path
from witnessmark.wheel.model import Layout
from witnessmark.wheel.rings import readings
from witnessmark.wheel.weighing import unrolled

MOST_OFF_DEG = 12.0  # a cam of the drawn timing: its tolerance, chain wear and phaser play added (common practice)
FAR_DEG = 20.0  # a difference that no wear makes: one tooth of a chain jumped
LEAST = 3  # misses of the dead tooth, and cam edges, that a decision needs


def same_gap(path: Path, layout: Layout, time_s: NDArray[np.float64], cams: tuple[Line, ...], setup: Setup) -> Path:
    """The path with every piece numbered from the same gap, and from the drawn one where described cams tell it.

    time_s [K]: marks the path refers to. Unchanged where no tooth is dead, or the ring has one reading only.
    """
    if not layout.regular or is_even(layout) or layout.periods > 1 or path.tooth.size < 2 * len(layout.teeth_deg):
        return path
    piece = np.cumsum(path.restart.astype(np.int64))
    gone = {int(p): _dead(path, layout, piece == p) for p in np.unique(piece)}
    votes = {slot: sum(n for s, n in gone.values() if s == slot) for slot, _ in gone.values() if slot}
    if not votes:
        return path
    dead = max(votes, key=lambda s: votes[s])
    turns = _readings(layout, dead)
    if not turns or votes[dead] < LEAST:
        return path
    for p, (slot, _) in gone.items():
        back = {other: -shift for shift, other in turns.items()}.get(slot)
        if back is not None and slot != dead:
            path = _renumbered(path, layout, back, piece == p)
    off = {shift: _off_place(path, layout, time_s, cams, setup, shift) for shift in (0, *turns)}
    best = min(off, key=lambda s: off[s])
    gain = 0.5 * min(FAR_DEG, abs((best * layout.pitch_deg + 180.0) % 360.0 - 180.0))
    if best and off[best] <= MOST_OFF_DEG and off[0] > off[best] + gain:
        path = _renumbered(path, layout, best, np.ones(path.tooth.size, bool))
    return path


def _dead(path: Path, layout: Layout, rows: NDArray[np.bool_]) -> tuple[int, int]:
    """(slot, misses) of the one tooth of a piece that never gives its edge; slot 0 where there is not just one."""
    n = len(layout.teeth_deg)
    seen = np.bincount(path.tooth[rows], minlength=n)
    missed = np.zeros(n, np.int64)
    for p in np.flatnonzero(rows):
        for back in range(1, int(path.stride[p])):
            missed[(int(path.tooth[p]) - back) % n] += 1
    gone = np.flatnonzero((seen == 0) & (missed >= 2))
    return (int(layout.tooth_slots[gone[0]]), int(missed[gone[0]])) if gone.size == 1 else (0, 0)


def _readings(layout: Layout, dead: int) -> dict[int, int]:
    """Other numberings of the ring without slot ``dead``: slots to count back, and the slot that is then dead."""
    others = readings(layout, layout.tooth_slots.index(dead))
    return {round(-r.turned_deg / layout.pitch_deg) % layout.slots: layout.tooth_slots[r.instead] for r in others}


def _renumbered(path: Path, layout: Layout, shift: int, rows: NDArray[np.bool_]) -> Path:
    """The same matches with their slots counted ``shift`` back, in these rows."""
    slots = np.asarray(layout.tooth_slots)
    number = np.full(layout.slots + 1, -1, np.int64)
    number[slots] = np.arange(slots.size)
    tooth = path.tooth.astype(np.int64)
    tooth[rows] = number[(slots[tooth[rows]] - shift - 1) % layout.slots + 1]
    stride = path.stride.astype(np.int64)
    inner = rows & ~path.restart
    inner[0] = False
    # strides are shorter than a turn: the aligner steps over a few teeth only
    stride[inner] = (tooth[inner] - tooth[np.flatnonzero(inner) - 1] - 1) % slots.size + 1
    return replace(path, tooth=tooth.astype(np.int32), stride=stride.astype(np.int32))


def _off_place(
    path: Path, layout: Layout, time_s: NDArray[np.float64], cams: tuple[Line, ...], setup: Setup, shift: int
) -> float:
    """Median distance in degrees of the cams' edges from where the setup draws them; infinite where it draws none."""
    wanted = setup.crank_wheel
    if wanted is None or wanted.tdc_slot is None:
        return np.inf
    edge, angle, piece = unrolled(path, layout)
    tdc = (wanted.tdc_slot - 1.0 + shift) * layout.pitch_deg
    far: list[NDArray[np.float64]] = []
    for row in setup.cam_wheel:
        cam = next((c for c in cams if c.name == row.channel), None)
        for kind in ("rising", "falling"):
            drawn = np.array([deg for deg, k in row.edges_deg or () if k == kind])
            if cam is None or drawn.size == 0:
                continue
            good = (cam.edges.rising == (kind == "rising")) & (cam.edges.label != GLITCH)
            for number in np.unique(piece):
                here = piece == number
                times = time_s[edge[here]]
                at = cam.edges.time_s[good & (cam.edges.time_s >= times[0]) & (cam.edges.time_s <= times[-1])]
                place = np.interp(at, times, angle[here]) - tdc
                away = np.abs((place[:, None] - drawn[None, :] + 180.0) % 360.0 - 180.0)
                far += [away.min(axis=1)] if at.size else []
    every = np.concatenate(far) if far else np.empty(0)
    return float(np.median(every)) if every.size >= LEAST else np.inf
