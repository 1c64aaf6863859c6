"""A wheel with its damage spelt out: teeth moved, teeth dead, extra edges at fixed places; aligned as such.

The aligner treats an edge that comes at a fixed angle as one more tooth of the pattern and a dead tooth as one whose
absence costs nothing; the path it gives back speaks of the designed teeth only.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from witnessmark.wheel import layouts
from witnessmark.wheel.lattice import Path, Tempo, align
from witnessmark.wheel.marks import Marks
from witnessmark.wheel.model import Layout
from witnessmark.wheel.rhythm import Ripple

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Damage:
    """shift_deg [n or 0]: how far each tooth is displaced (late positive). dead: (tooth, share of passes missed).

    extra: (angle in the turn, share of turns in which the edge comes).
    """

    shift_deg: tuple[float, ...] = ()
    dead: tuple[tuple[int, float], ...] = ()
    extra: tuple[tuple[float, float], ...] = ()
    flank: float = 0.0  # no damage: how far a pick-up's crossings beside a gap are drawn to it, in pitches

    def __bool__(self) -> bool:
        return bool(self.dead or self.extra or any(self.shift_deg))

    @property
    def count(self) -> int:
        """Places of the wheel that would have to be damaged."""
        return sum(1 for s in self.shift_deg if s) + len(self.dead) + len(self.extra)


SOUND = Damage()


def is_even(layout: Layout) -> bool:
    """All intervals equal and no widths coded: slots are told apart by nothing on the wheel."""
    return layout.periods == len(layout.teeth_deg)


# A pick-up's zero crossing beside a gap is drawn towards the gap: 5.4 and 5.5 degrees beside 19.0 where 6 and 18 are
# drawn, measured on an open recording of a 60-2 wheel (0.54 late after the gap, 0.47 early before it: 0.085 pitches).
# Wide teeth do it less, so both that much and half of it are tried.
FLANKS = (0.0, 0.045, 0.085)


def flank_shift(
    layout: Layout, pitches: float, dead: tuple[int, ...] = (), shift_deg: NDArray[np.float64] | float = 0.0
) -> NDArray[np.float64]:
    """Natural displacement in degrees of each tooth beside a gap, designed or left by a dead tooth, on a pick-up [n].

    shift_deg [n]: how far teeth are displaced; metal that reaches into the place of a dead tooth leaves no gap there.
    """
    teeth = np.asarray(layout.teeth_deg) + shift_deg
    out = np.zeros(teeth.size)
    if not layout.regular or not layout.missing:
        return out
    there = np.setdiff1d(np.arange(teeth.size), np.asarray(dead, dtype=np.int64))
    present = teeth[there]
    gap = np.diff(np.append(present, present[0] + 360.0)) > 1.75 * layout.pitch_deg
    out[there[gap]] -= pitches * layout.pitch_deg
    out[there[np.roll(gap, 1)]] += pitches * layout.pitch_deg
    return out


def align_marks(
    marks: Marks,
    layout: Layout,
    tempo: Tempo,
    damage: Damage = SOUND,
    beam: float = 25.0,
    ripple: Ripple | None = None,
) -> Path:
    """The best path of these marks over the layout with this damage, where the ripple is known under it.

    See ``lattice.align``; under a ripple the log rate is that of the evened angle.
    """
    known = layout, tempo, damage, beam, ripple
    path = marks.paths.get(known)
    if path is None:
        path = marks.paths[known] = _align(marks, layout, tempo, damage, beam, ripple)
    return path


def _align(marks: Marks, layout: Layout, tempo: Tempo, damage: Damage, beam: float, ripple: Ripple | None) -> Path:
    common = {
        "extra_cost": marks.extra_cost,
        "match_cost": marks.match_cost,
        "time_sd_s": marks.time_sd_s,
        "beam": beam,
        "clock": marks.clock if marks.time_s.size > 1 else None,
    }
    n = len(layout.teeth_deg)
    if is_even(layout) and not damage and ripple is None:
        # one state on a circle n times finer: a tempo in pitches needs no change; teeth are counted off afterwards
        path = marks.paths.get((tempo, beam)) or align(marks.time_s, np.zeros(1), tempo, **common)  # type: ignore[arg-type]
        marks.paths[tempo, beam] = path
        counted = np.cumsum(np.where(path.restart, 0, path.stride)) % n
        rate = path.log_rate - np.log(n)
        return Path(path.edge, counted.astype(np.int32), path.stride, path.restart, rate, path.score)
    place, missed, real = _drawn(layout, damage, tempo.log_missed)
    duties = _tooth_duty(layout) if not (damage.extra or marks.vr) else None
    size, turns, rough = place.size, 1, None
    if ripple is not None:
        # two turns on one circle, where a tooth meets the same ripple every second turn only
        turns = ripple.turns
        place = np.concatenate([place + 360.0 * turn for turn in range(turns)])
        rough = ripple.rough(place, 360.0 * turns)
        place = ripple.evened(place) / turns
        missed = np.tile(missed, turns)
        duties = None if duties is None else np.tile(duties, turns)
    start = place[0]  # a tooth before slot 1 may have become the first
    path = align(
        marks.time_s,
        place - start,
        tempo,
        duty=marks.duty if duties is not None else None,
        tooth_duty=duties,
        log_missed=missed,
        rough=rough,
        pitch_deg=layout.pitch_deg / turns,
        **common,  # type: ignore[arg-type]
    )
    if turns > 1:
        path = replace(path, tooth=path.tooth % size, turn=path.tooth // size)
    return _designed(path, real, n) if damage.extra else path


@lru_cache(maxsize=256)  # the same for every window of marks and most tempos
def _drawn(layout: Layout, damage: Damage, log_missed: float) -> tuple[Array, Array, NDArray[np.int64]]:
    """Places in the turn, log probability of a miss and designed tooth (-1 for extra metal) of all that makes edges."""
    teeth = np.asarray(layout.teeth_deg)
    n = teeth.size
    place = teeth + (np.asarray(damage.shift_deg) if damage.shift_deg else 0.0)
    if damage.flank:
        gone = tuple(tooth for tooth, share in damage.dead if share > 0.6)
        place = place + flank_shift(layout, damage.flank, gone, place - teeth)
    missed = np.full(n, log_missed)
    for tooth, share in damage.dead:
        missed[tooth] = np.log(np.clip(share, 0.02, 0.98))
    real = np.arange(n)
    for angle, share in damage.extra:
        place = np.append(place, angle)
        missed = np.append(missed, np.log(np.clip(1.0 - share, 0.02, 0.98)))
        real = np.append(real, -1)
    order = np.argsort(place, kind="stable")
    return place[order], missed[order], real[order]


def _designed(path: Path, real: NDArray[np.int64], n: int) -> Path:
    """The path with edges at the extra places taken out, teeth and strides counted in designed teeth again."""
    size = real.size
    total = np.cumsum(np.where(path.restart, 0, path.stride)) + (path.tooth[0] if path.tooth.size else 0)
    # designed teeth passed up to position p on the unrolled damaged wheel
    before = np.concatenate(([0], np.cumsum(real >= 0)))
    unrolled = before[total % size] + n * (total // size)
    keep = real[path.tooth] >= 0
    restart = path.restart.copy()
    pending = False
    for i in range(restart.size):
        pending = pending or bool(restart[i])
        if keep[i]:
            restart[i] = pending
            pending = False
    rows = np.flatnonzero(keep)
    stride = np.zeros(rows.size, np.int32)
    stride[1:] = np.diff(unrolled[rows]).astype(np.int32)
    stride[restart[rows]] = 0
    tooth = real[path.tooth[rows]].astype(np.int32)
    turn = path.turn[rows] if path.turn is not None else None
    return Path(path.edge[rows], tooth, stride, restart[rows], path.log_rate[rows], path.score, turn)


def _tooth_duty(layout: Layout) -> NDArray[np.float64] | None:
    """Share of the interval before each tooth's mark that its width takes, where widths are coded."""
    if not layouts.coded(layout):
        return None
    teeth = np.asarray(layout.teeth_deg)
    before = np.diff(np.concatenate(([teeth[-1] - 360.0], teeth)))
    width = np.asarray(layout.widths_deg)
    # where the mark begins its tooth, what lies before it is the valley that the tooth before leaves
    return np.asarray(1.0 - np.roll(width, 1) / before if layout.width_after else width / before)
